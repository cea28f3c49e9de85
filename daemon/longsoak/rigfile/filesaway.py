"""Whether the files are there that a rig file names for secrets and certificates."""

from collections.abc import Iterator
from pathlib import Path

from longsoak.rigfile.load import tables_of

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
        path = beside / name
        try:
            path.open("rb").close()
        except OSError as error:
            said.append(
                f"{key} of {heading} names {path}, which can't be read: {error.strerror}. Nothing "
                "goes that way until `longsoak run` can read it: put it there, or write its path."
            )
    return said


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
