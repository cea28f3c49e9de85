"""One bay in section, to scale, with what each probe reads printed where it was measured."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.vocabulary.rig import Bay, Rig
from longsoak_dashboards.drawing.callouts import AWAY, LINE, SMALL
from longsoak_dashboards.drawing.hatch import patterns
from longsoak_dashboards.drawing.labels import draw_labels, shape_box
from longsoak_dashboards.drawing.lettering import Box, spread, width
from longsoak_dashboards.drawing.sheet import FOOT, Sheet
from longsoak_dashboards.drawing.svg import path, tag
from longsoak_dashboards.drawing.water import Water, draw_water
from longsoak_dashboards.view.marks import Mark


@dataclass(frozen=True, slots=True)
class Section:
    """A drawn section. `unplaced` counts values there was no room for."""

    svg: Markup
    print_scale: int
    unplaced: int


def draw_section(
    sheet: Sheet,
    rig: Rig,
    bay: Bay,
    marks: Sequence[Mark],
    water: Water | None,
    *,
    name: str,
    title: str,
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
    name : str
        Goes before every id in the drawing; letters and figures.
    title : str
        What the drawing is, for readers that can't see it.
    link : callable
        The address a probe leads to.
    """
    p, view = sheet.point, sheet.view
    scale = sheet.print_scale
    labels, unplaced = draw_labels(sheet, marks, _taken(sheet, marks), link)
    body = [
        tag("title", title, id=f"{name}-t"),
        tag(
            "defs",
            patterns({layer.material for layer in bay.layers}, name=name, point=p),
        ),
    ]
    if water is not None and rig.reservoir is not None:
        body.append(draw_water(sheet, rig.reservoir, water))
    body += [_layers(sheet, bay, name=name), _positions(sheet, marks), labels, _scale_bar(sheet)]
    svg = tag(
        "svg",
        *body,
        viewBox=f"{view.left:.2f} {view.top:.2f} {view.right - view.left:.2f} "
        f"{view.bottom - view.top:.2f}",
        width=f"{(view.right - view.left) / scale:.2f}mm",
        height=f"{(view.bottom - view.top) / scale:.2f}mm",
        role="group",
        aria_labelledby=f"{name}-t",
    )
    return Section(svg, scale, unplaced)


def _layers(sheet: Sheet, bay: Bay, *, name: str) -> Markup:
    parts, x = [], 0.0
    for i, layer in enumerate(bay.layers):
        d = path("M", x, 0, "h", layer.thickness, "V", sheet.height, "h", -layer.thickness, "Z")
        parts.append(tag("path", cls="leaf", d=d))
        parts.append(tag("path", d=d, fill=f"url(#{name}-{layer.material})"))
        if i:
            parts.append(tag("path", cls="outline", d=path("M", x, 0, "V", sheet.height)))
        x += layer.thickness
    edge = path("M", 0, 0, "H", sheet.thickness, "V", sheet.height, "H", 0, "Z")
    parts.append(tag("path", cls="cut", d=edge))
    p = sheet.point
    for callout in sheet.callouts:
        to = -1 if callout.leftwards else 1
        down = path("M", callout.x + to * 6 * p, callout.y - 4 * p, "h", -to * 6 * p, "V", 6 * p)
        parts.append(tag("path", cls="lead-line", d=down))
        parts.append(tag("circle", cls="solid", cx=callout.x, cy=6 * p, r=1.8 * p))
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


def _positions(sheet: Sheet, marks: Sequence[Mark]) -> Markup:
    """Heights at the dry face, depths at the top, in blue pencil: both are declared."""
    p = sheet.point
    parts = []
    for height, y in _heights(sheet, marks):
        at = sheet.height - height
        tick = path("M", sheet.thickness, at, "h", 4 * p, "L", sheet.thickness + 8 * p, y)
        parts.append(tag("path", cls="dim", d=tick))
        parts.append(
            tag(
                "text", f"{height:g}", x=sheet.thickness + 10 * p, y=y + 4.3 * p,
                font_size=SMALL * p, cls="d halo",
            )
        )  # fmt: skip
    for depth, box in _depths(sheet, marks):
        start, end = _tick(sheet, box)
        parts.append(tag("path", cls="dim", d=path("M", depth, start, "V", end)))
        parts.append(
            tag(
                "text", f"{depth:g}", x=(box.left + box.right) / 2, y=box.bottom - 2 * p,
                font_size=SMALL * p, cls="d halo", text_anchor="middle",
            )
        )  # fmt: skip
    return Markup().join(parts)


def _heights(sheet: Sheet, marks: Sequence[Mark]) -> list[tuple[float, float]]:
    """Each height with the y its figure stands at, moved apart where they would touch."""
    heights = sorted({m.probe.height for m in marks if m.probe.height is not None}, reverse=True)
    ys = spread((sheet.height - h for h in heights), apart=13 * sheet.point)
    return list(zip(heights, ys, strict=True))


def _depths(sheet: Sheet, marks: Sequence[Mark]) -> list[tuple[float, Box]]:
    """Each depth with the box of its figure: in two rows at the top, or else at the foot.

    One that fits nowhere is left to the table.
    """
    p = sheet.point
    shapes = [
        shape_box(m.probe.depth, sheet.height - m.probe.height, p)
        for m in marks
        if m.probe.depth is not None and m.probe.height is not None
    ]
    found: list[tuple[float, Box]] = []
    for depth in sorted({m.probe.depth for m in marks if m.probe.depth is not None}):
        half = (width(f"{depth:g}", size=SMALL) / 2 + 1) * p
        for top in (8 * p, 22.5 * p, sheet.height - 19 * p):
            box = Box(depth - half, top, depth + half, top + 14 * p)
            # A tick to the second row must not cross a figure of the first.
            start, end = _tick(sheet, box)
            tick = Box(depth - p, start, depth + p, end)
            taken = [*shapes, *(other for _, other in found)]
            if not any(box.meets(other) or tick.meets(other) for other in taken):
                found.append((depth, box))
                break
    return found


def _tick(sheet: Sheet, box: Box) -> tuple[float, float]:
    """From where to where the tick of a depth's figure goes: from the edge nearest to it."""
    if box.top > sheet.height / 2:
        return box.bottom - sheet.point, sheet.height
    return 0.0, box.top + sheet.point


def _taken(sheet: Sheet, marks: Sequence[Mark]) -> list[Box]:
    """What the values have to keep clear of, their own shapes apart."""
    p = sheet.point
    taken = [box for _, box in _depths(sheet, marks)]
    for height, y in _heights(sheet, marks):
        wide = width(f"{height:g}", size=SMALL) + 12
        left = sheet.thickness
        taken.append(Box(left, y - 7 * p, left + wide * p, y + 7 * p))
    taken += [Box(c.x - 3 * p, 0, c.x + 3 * p, 9 * p) for c in sheet.callouts]
    if sheet.tray_left < 0:  # pipe and drips
        taken.append(Box(sheet.view.left, 0, -2 * p, sheet.height))
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
