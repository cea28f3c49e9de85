"""A sheet of traces as one picture that needs nothing beside it: for a report, or a printer."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from longsoak_dashboards.drawing.panel import Gap, Panel
from longsoak_dashboards.drawing.svg import tag
from longsoak_dashboards.drawing.traces import draw_axis, draw_panel
from longsoak_dashboards.view.span import Span

WIDTH = 1200  # px
_LEFT, _RIGHT, _HEAD = 70, 150, 96
_TITLE, _BELOW, _AXIS = 22, 26, 60
_TOKEN = re.compile(r"--([a-z0-9-]+):\s*([^;]+);")


@dataclass(frozen=True, slots=True)
class Picture:
    """The parts of a picture and how high all of it is, px."""

    body: Markup
    height: float


def draw_picture(
    panels: Sequence[tuple[str, str, Panel]],
    span: Span,
    gaps: Sequence[Gap],
    *,
    width_ms: int,
    ticks: Sequence[tuple[int, str]],
    notes: Sequence[tuple[int, str]],
) -> Picture:
    """Put panels, each with its title and note, one below the other over a time axis."""
    parts: list[Markup] = []
    top = float(_HEAD)
    for title, note, panel in panels:
        words = [tag("tspan", title, cls="t"), tag("tspan", note, cls="q", dx=8)]
        parts.append(tag("text", *words, cls="d", x=_LEFT, y=top + 14))
        drawn = draw_panel(panel, span, gaps, width_ms=width_ms)
        parts.append(_placed(drawn, top + _TITLE, panel.height))
        foot = top + _TITLE + panel.height
        right = WIDTH - _RIGHT
        parts.append(tag("line", cls="thin", x1=_LEFT, x2=right, y1=foot, y2=foot))
        top = foot + _BELOW
    parts.append(_placed(draw_axis(span, ticks, notes), top - _BELOW + 4, _AXIS))
    parts.append(tag("text", "UTC", cls="q", x=WIDTH - _RIGHT + 10, y=top - _BELOW + 24))
    return Picture(Markup().join(parts), top + _AXIS)


def _placed(drawn: Markup, top: float, height: float) -> Markup:
    width = WIDTH - _LEFT - _RIGHT
    return tag("svg", drawn, x=_LEFT, y=top, width=width, height=height, overflow="visible")


def day_tokens(style_sheet: Path) -> Mapping[str, str]:
    """The tokens of day paper, which prints, by their names without the hyphens before."""
    text = re.sub(r"/\*.*?\*/", "", style_sheet.read_text(), flags=re.DOTALL)
    day = text[text.index(":root {") : text.index("}")]
    return {name.replace("-", "_"): value.strip() for name, value in _TOKEN.findall(day)}
