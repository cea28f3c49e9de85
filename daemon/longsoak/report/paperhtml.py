"""A report as one HTML file: nothing in it is fetched, and nothing in it runs."""

from base64 import b64encode
from pathlib import Path

import jinja2
from markupsafe import Markup

from longsoak.report.paper import Paper, Part, Picture, Plot
from longsoak.report.plots import svg_of

_HERE = Path(__file__).parent / "templates"


def as_html(paper: Paper) -> str:
    """Write a report as HTML, the same bytes each time."""
    templates = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_HERE), autoescape=True, undefined=jinja2.StrictUndefined
    )
    style = (_HERE / "report.css").read_text(encoding="utf-8")
    return templates.get_template("report.html").render(
        paper=paper,
        style=Markup(style),  # noqa: S704 - a file of ours
        kind_of=_kind_of,
        svg_of=_svg_of,
        base64_of=_base64_of,
    )


def _kind_of(part: Part) -> str:
    return type(part).__name__


def _base64_of(picture: Picture) -> str:
    return b64encode(picture.jpeg).decode("ascii")


def _svg_of(plot: Plot) -> Markup:
    return Markup(svg_of(plot.figure))  # noqa: S704 - what draws it escapes its texts
