"""SVG elements as escaped text, so that no name from a rig file can become markup."""

from markupsafe import Markup, escape


def tag(element: str, *children: str, **attributes: str | float | None) -> Markup:
    """One element.

    `children` that aren't `Markup` are escaped. An attribute that is None is left out; ``cls`` is
    ``class``, and an underscore stands for a hyphen (``text_anchor``, ``stroke_dasharray``).
    """
    # Joined by hand: a page is made of thousands, and formatting would take most of its time.
    head = f"<{element}"
    for name, value in attributes.items():
        if value is not None:
            written = "class" if name == "cls" else name.replace("_", "-")
            head += f' {written}="{escape(number(value))}"'
    if not children:
        return Markup(f"{head}/>")  # noqa: S704 - values are escaped, names are our own
    inside = "".join(map(escape, children))
    return Markup(f"{head}>{inside}</{element}>")  # noqa: S704 - the same


def number(value: str | float) -> str:
    """A figure short enough for an attribute; text as it is."""
    if isinstance(value, str):
        return value
    return f"{value:.2f}".rstrip("0").rstrip(".") if value else "0"


def path(*steps: str | float) -> str:
    """Path data from letters and figures: ``path("M", 0, 0, "H", 12.5)``."""
    return " ".join(number(step) for step in steps)
