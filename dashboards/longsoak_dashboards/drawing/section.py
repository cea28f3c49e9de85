"""One bay in section, to scale, with what each probe reads printed where it was measured."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.vocabulary.rig import Bay, Rig
from longsoak_dashboards.drawing.callouts import AWAY, LINE, SMALL
from longsoak_dashboards.drawing.figures import draw_figures, taken_by_figures
from longsoak_dashboards.drawing.hatch import patterns
from longsoak_dashboards.drawing.labels import draw_labels
from longsoak_dashboards.drawing.lettering import Box
from longsoak_dashboards.drawing.sheet import FOOT, Sheet
from longsoak_dashboards.drawing.svg import path, tag
from longsoak_dashboards.drawing.wash import Outline, Wash
from longsoak_dashboards.drawing.water import Water, draw_water, over_the_underside
from longsoak_dashboards.view.marks import Mark


@dataclass(frozen=True, slots=True)
class Section:
    """A drawn section. `unplaced` counts values there was no room for."""

    svg: Markup
    print_scale: int
    unplaced: int


@dataclass(frozen=True, slots=True)
class Words:
    """What the drawing is, and all that it shows in short, for readers that can't see it."""

    title: str
    summary: str


def draw_section(
    sheet: Sheet,
    rig: Rig,
    bay: Bay,
    marks: Sequence[Mark],
    water: Water | None,
    washes: Sequence[Wash],
    *,
    name: str,
    words: Words,
    link: Callable[[Mark], str],
) -> Section:
    """Draw one bay.

    Parameters
    ----------
    sheet : Sheet
        How it lies, one of `lay_out`.
    rig, bay
        Geometry, mm.
    marks : sequence of Mark
        The probes of this bay that have a depth and a height.
    water : Water or None
        None where the rig has no reservoir.
    washes : sequence of Wash
        What is shaded, where `sheet.place` has its probes.
    name : str
        Goes before every id in the drawing; letters and figures.
    words : Words
        For readers that can't see it.
    link : callable
        The address a probe leads to.
    """
    p, view = sheet.point, sheet.view
    scale = sheet.print_scale
    labels, unplaced = draw_labels(sheet, marks, _taken(sheet, rig, marks, water), link)
    body = [
        tag("title", words.title, id=f"{name}-t"),
        tag("desc", words.summary, id=f"{name}-d"),
        tag(
            "defs",
            patterns({layer.material for layer in bay.layers}, name=name, point=p),
        ),
    ]
    if water is not None and rig.reservoir is not None:
        body.append(draw_water(sheet, rig.reservoir, water))
    body += [
        _layers(sheet, bay, name=name),
        *map(_washed, washes),
        _edges(sheet, bay),
        draw_figures(sheet, marks),
        labels,
        _scale_bar(sheet),
    ]
    svg = tag(
        "svg",
        *body,
        viewBox=f"{view.left:.2f} {view.top:.2f} {view.right - view.left:.2f} "
        f"{view.bottom - view.top:.2f}",
        width=f"{(view.right - view.left) / scale:.2f}mm",
        height=f"{(view.bottom - view.top) / scale:.2f}mm",
        role="group",
        aria_labelledby=f"{name}-t",
        aria_describedby=f"{name}-d",
    )
    return Section(svg, scale, unplaced)


def _layers(sheet: Sheet, bay: Bay, *, name: str) -> Markup:
    """What each layer is made of."""
    parts = []
    for layer, box in zip(bay.layers, sheet.layers(bay), strict=True):
        d = path("M", box.left, box.top, "H", box.right, "V", box.bottom, "H", box.left, "Z")
        parts.append(tag("path", cls="leaf", d=d))
        parts.append(tag("path", d=d, fill=f"url(#{name}-{layer.material})"))
    return Markup().join(parts)


def _washed(wash: Wash) -> Markup:
    """The steps over each other, each with a stroke of its own that closes seams; and the edge."""
    parts = [
        tag("path", cls=f"w w{k}", d=" ".join(map(_outline, step)))
        for k, step in enumerate(wash.steps)
        if step
    ]
    return Markup().join([*parts, tag("path", cls="hull", d=_outline(wash.hull))])


def _outline(corners: Outline) -> str:
    (x, y), *rest = corners
    return path("M", x, y, *(part for x, y in rest for part in ("L", x, y)), "Z")


def _edges(sheet: Sheet, bay: Bay) -> Markup:
    """Where layers meet, the specimen's edge, and the layers' names."""
    boxes = sheet.layers(bay)
    parts = []
    for box in boxes[1:]:
        near = box.bottom if boxes[0].top > box.top else box.top
        line = path("M", 0, near, "H", sheet.across)
        if not sheet.lies:
            line = path("M", box.left, 0, "V", sheet.height)
        parts.append(tag("path", cls="outline", d=line))
    edge = path("M", 0, 0, "H", sheet.across, "V", sheet.height, "H", 0, "Z")
    parts.append(tag("path", cls="cut", d=edge))
    p = sheet.point
    for callout, box in zip(sheet.callouts, boxes, strict=True):
        to = -1 if callout.leftwards else 1
        foot = (box.top + box.bottom) / 2 if sheet.lies else 6 * p
        down = path("M", callout.x + to * 6 * p, callout.y - 4 * p, "h", -to * 6 * p, "V", foot)
        parts.append(tag("path", cls="lead-line", d=down))
        parts.append(tag("circle", cls="solid", cx=callout.x, cy=foot, r=1.8 * p))
        for i, line in enumerate(callout.lines):
            last = i == len(callout.lines) - 1
            figure = tag("tspan", f"  {callout.thickness:g}", cls="d") if last else ""
            parts.append(
                tag(
                    "text", line, figure, x=callout.x + to * AWAY * p, y=callout.y + i * LINE * p,
                    font_size=SMALL * p, cls="name", text_anchor="end" if to < 0 else None,
                )
            )  # fmt: skip
    return Markup().join(parts)


def _taken(sheet: Sheet, rig: Rig, marks: Sequence[Mark], water: Water | None) -> list[Box]:
    """What the values have to keep clear of, their own shapes apart."""
    p = sheet.point
    taken = taken_by_figures(sheet, marks)
    if sheet.lies:
        taken += [Box(c.x - 3 * p, c.y, c.x + 3 * p, sheet.height) for c in sheet.callouts]
    else:
        taken += [Box(c.x - 3 * p, 0, c.x + 3 * p, 9 * p) for c in sheet.callouts]
        if sheet.tray_left < 0:  # pipe and drips
            taken.append(Box(sheet.view.left, 0, -2 * p, sheet.height))
    if rig.reservoir is not None and water is not None:
        taken += over_the_underside(sheet, rig.reservoir, water)
    if rig.reservoir is not None and sheet.floor - rig.reservoir.rim < sheet.height:
        rim = sheet.floor - rig.reservoir.rim  # walls that rise beside the specimen
        taken += [
            Box(x - 2 * p, rim - 2 * p, x + 2 * p, sheet.height)
            for x in (sheet.tray_left, sheet.tray_right)
        ]
    return taken


def _scale_bar(sheet: Sheet) -> Markup:
    p = sheet.point
    steps = (f * 10.0**k for k in range(-1, 6) for f in (1, 1.5, 2, 3, 4, 5, 6, 8))
    long = next(step for step in steps if step >= 64 * p)  # both its figures have room over it
    right, y = sheet.view.right - 8 * p, sheet.view.bottom - (FOOT - 28) * p
    ends = path("M", right - long, y, "H", right)
    for x, half in ((right - long, 3.5), (right - long / 2, 2), (right, 3.5)):
        ends += " " + path("M", x, y - half * p, "v", 2 * half * p)
    return Markup().join(
        [
            tag("path", cls="thin", d=ends),
            tag("text", "0", x=right - long, y=y - 6 * p, font_size=SMALL * p, cls="q"),
            tag(
                "text", f"{long:g} mm", x=right, y=y - 6 * p, font_size=SMALL * p, cls="q",
                text_anchor="end",
            ),
        ]
    )  # fmt: skip
