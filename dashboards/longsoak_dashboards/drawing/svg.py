"""SVG elements as escaped text, so that no name from a rig file can become markup."""

from markupsafe import Markup, escape


def tag(element: str, *children: str, **attributes: str | float | None) -> Markup:
    """One element.

    `children` that aren't `Markup` are escaped. An attribute that is None is left out; ``cls`` is
    ``class``, and an underscore stands for a hyphen (``text_anchor``, ``stroke_dasharray``).
    """
    parts = [Markup("<{}").format(element)]
    for name, value in attributes.items():
        if value is not None:
            written = "class" if name == "cls" else name.replace("_", "-")
            parts.append(Markup(' {}="{}"').format(written, number(value)))
    if not children:
        return Markup().join([*parts, Markup("/>")])
    inside = Markup().join(escape(child) for child in children)
    return Markup().join([*parts, Markup(">"), inside, Markup("</{}>").format(element)])


def number(value: str | float) -> str:
    """A figure short enough for an attribute; text as it is."""
    if isinstance(value, str):
        return value
    return f"{value:.2f}".rstrip("0").rstrip(".") if value else "0"


def path(*steps: str | float) -> str:
    """Path data from letters and figures: ``path("M", 0, 0, "H", 12.5)``."""
    return " ".join(number(step) for step in steps)


def percent(part: float) -> str:
    """A part of the width, for an attribute."""
    return f"{number(100 * part)}%"
