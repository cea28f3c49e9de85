"""What goes on paper: HTML documents that need nothing beside themselves, to be printed on A4."""

from functools import cache
from pathlib import Path

import jinja2
from markupsafe import Markup

_TEMPLATES = Path(__file__).parent / "templates"

# Pens on white paper: measured, declared by somebody, wants a look.
PENS = {"ink": "#1d283b", "pencil": "#185a95", "red": "#aa2523"}


def document(template: str, **shown: object) -> str:
    """A template filled in; what comes from people or devices is escaped."""
    return _templates().get_template(template).render(pens=PENS, **shown)


def _css_string(words: str) -> str:
    """Words as a string of a style sheet, where the escapes of HTML mean nothing.

    All but plain letters and digits is written by its number (CSS Syntax 3, 4.3.7, from memory).
    """
    plain = (
        letter if letter.isascii() and letter.isalnum() else f"\\{ord(letter):06x}"
        for letter in words
    )
    return Markup('"{}"').format("".join(plain))


@cache
def _templates() -> jinja2.Environment:
    templates = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    templates.filters["css_string"] = _css_string
    return templates
