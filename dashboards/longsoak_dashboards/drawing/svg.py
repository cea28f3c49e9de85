"""SVG elements as escaped text, so that no name from a rig file can become markup."""

from markupsafe import Markup, escape


def tag(element: str, *children: str, **attributes: str | float | None) -> Markup:
    """One element.

    `children` that aren't `Markup` are escaped. An attribute that is None is left out; ``cls`` is
    ``class``, and an underscore stands for a hyphen (``text_anchor``, ``stroke_dasharray``).
    """
    # Plain text put together at once: a sheet has thousands of these, and `Markup.format` takes
    # most of the time that it takes to draw one.
    parts = [f"<{element}"]
    for name, value in attributes.items():
        if value is not None:
            written = "class" if name == "cls" else name.replace("_", "-")
            shown = escape(value) if isinstance(value, str) else number(value)
            parts.append(f' {written}="{shown}"')
    if not children:
        return Markup("".join(parts) + "/>")  # noqa: S704 - escaped above
    inside = "".join(map(escape, children))
    return Markup(f"{''.join(parts)}>{inside}</{element}>")  # noqa: S704 - as before


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
