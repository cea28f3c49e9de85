"""The common rigs that ship, each a file of answers."""

from collections.abc import Mapping
from importlib.resources import files


def templates() -> Mapping[str, str]:
    """What each template is, in a sentence, by its name."""
    return {name: text.partition("\n")[0].lstrip("# ") for name, text in _texts().items()}


def template_text(name: str) -> str:
    """The answers of a template, as a file would hold them.

    Raises
    ------
    KeyError
        There is none of that name.
    """
    return _texts()[name]


def _texts() -> Mapping[str, str]:
    folder = files("longsoak.rigfile.newrig").joinpath("templates")
    found = {each.name.removesuffix(".toml"): each.read_text("utf-8") for each in folder.iterdir()}
    return dict(sorted(found.items()))
