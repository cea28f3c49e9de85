"""Whether the files are there that a rig file names for secrets and certificates."""

from collections.abc import Iterator
from pathlib import Path

from longsoak.rigfile.load import tables_of
from longsoak.rigfile.placeoffile import CREDENTIAL, place_of

_ENDING = "_file"


def files_away(text: str, *, beside: Path) -> list[str]:
    """Say which files can't be read that the text of a rig file names, itself without mistakes.

    They are no mistakes: it may be checked on another computer, or as a user who may not read them.

    Parameters
    ----------
    text : str
        The rig file's text.
    beside : Path
        The folder it lies in.
    """
    said = []
    for heading, key, name in _named("", tables_of(text, file="the rig file")):
        path = place_of(name, beside=beside)
        try:
            path.open("rb").close()
        except OSError as error:
            said.append(f"{key} of {heading} names {_away(name, path, str(error.strerror))}")
    return said


def _away(name: str, path: Path, why: str) -> str:
    if name.startswith(CREDENTIAL):
        own = name.removeprefix(CREDENTIAL)
        return (
            f"the credential {own!r}, which was not given to this command. `longsoak run` has it "
            f"if its unit says LoadCredential={own}:FILE; until then nothing goes that way."
        )
    return (
        f"{path}, which can't be read: {why}. Nothing goes that way until `longsoak run` can read "
        "it: put it there, or write its path."
    )


def _named(heading: str, value: object) -> Iterator[tuple[str, str, str]]:
    """Each key that names a file, with the heading of its table."""
    if isinstance(value, list):
        for each in value:
            yield from _named(f"[[{heading}]]", each)
    if not isinstance(value, dict):
        return
    for key, inner in value.items():
        if isinstance(inner, str) and key.endswith(_ENDING):
            yield heading if heading.startswith("[") else f"[{heading}]", key, inner
        else:
            yield from _named(f"{heading}.{key}".lstrip("."), inner)
