"""Where the probes are, as figures in blue pencil at the specimen's edges: all of it is declared.

Of a specimen that stands, heights at the dry face and depths at the top; of one that lies, depths
at its right end and how far across over it.
"""

from collections.abc import Callable, Sequence

from markupsafe import Markup

from longsoak.vocabulary.rig import Probe
from longsoak_dashboards.drawing.callouts import SMALL
from longsoak_dashboards.drawing.lettering import Box, spread, width
from longsoak_dashboards.drawing.sheet import Sheet
from longsoak_dashboards.drawing.svg import path, tag
from longsoak_dashboards.view.marks import Mark

SHAPE = 6.5  # points around a flag's shape
_APART = 13.0  # points from one figure at the side to the next


def shape_box(x: float, y: float, p: float) -> Box:
    """What a flag's shape takes at (x, y)."""
    return Box(x - SHAPE * p, y - SHAPE * p, x + SHAPE * p, y + SHAPE * p)


def draw_figures(sheet: Sheet, marks: Sequence[Mark]) -> Markup:
    """Ticks and figures of all places."""
    p, edge = sheet.point, sheet.across
    parts = []
    for figure, at, y in _at_the_side(sheet, marks):
        tick = path("M", edge, at, "h", 4 * p, "L", edge + 8 * p, y)
        parts.append(tag("path", cls="dim", d=tick))
        parts.append(
            tag(
                "text", f"{figure:g}", x=edge + 10 * p, y=y + 4.3 * p, font_size=SMALL * p,
                cls="d halo",
            )
        )  # fmt: skip
    for figure, x, box in _along_the_top(sheet, marks):
        start, end = _tick(sheet, box)
        parts.append(tag("path", cls="dim", d=path("M", x, start, "V", end)))
        parts.append(
            tag(
                "text", f"{figure:g}", x=(box.left + box.right) / 2, y=box.bottom - 2 * p,
                font_size=SMALL * p, cls="d halo", text_anchor="middle",
            )
        )  # fmt: skip
    return Markup().join(parts)


def taken_by_figures(sheet: Sheet, marks: Sequence[Mark]) -> list[Box]:
    """What values have to keep clear of."""
    p, edge = sheet.point, sheet.across
    taken = [box for *_, box in _along_the_top(sheet, marks)]
    for figure, _, y in _at_the_side(sheet, marks):
        wide = width(f"{figure:g}", size=SMALL) + 12
        taken.append(Box(edge, y - 7 * p, edge + wide * p, y + 7 * p))
    return taken


def _at_the_side(sheet: Sheet, marks: Sequence[Mark]) -> list[tuple[float, float, float]]:
    """Each figure, where it is, and the y it stands at, moved apart where they would touch."""

    def shown(probe: Probe) -> float | None:
        return probe.depth if sheet.lies else probe.height

    at = _places(marks, shown, lambda probe: sheet.place(probe)[1])
    ys = sorted(at.items(), key=lambda item: -item[1] if sheet.lies else item[1])
    # Under a specimen that lies stand the words about the water: its figures go up from there.
    way = -1 if sheet.lies else 1
    moved = spread((way * y for _, y in ys), apart=_APART * sheet.point)
    return [(figure, y, way * to) for (figure, y), to in zip(ys, moved, strict=True)]


def _along_the_top(sheet: Sheet, marks: Sequence[Mark]) -> list[tuple[float, float, Box]]:
    """Each figure with its x and box: in two rows at the top, or else at the foot.

    One that fits nowhere is left to the table.
    """
    p = sheet.point

    def shown(probe: Probe) -> float | None:
        return probe.across if sheet.lies else probe.depth

    shapes = [shape_box(*sheet.place(m.probe), p) for m in marks]
    tops = (-16 * p,) if sheet.lies else (8 * p, 22.5 * p, sheet.height - 19 * p)
    found: list[tuple[float, float, Box]] = []
    for figure, x in sorted(_places(marks, shown, lambda probe: sheet.place(probe)[0]).items()):
        half = (width(f"{figure:g}", size=SMALL) / 2 + 1) * p
        for top in tops:
            box = Box(x - half, top, x + half, top + 14 * p)
            # A tick to the second row must not cross a figure of the first.
            start, end = _tick(sheet, box)
            tick = Box(x - p, start, x + p, end)
            taken = [*shapes, *(other for *_, other in found)]
            taken += [Box(c.x - p, c.y, c.x + p, 0) for c in sheet.callouts if sheet.lies]
            if not any(box.meets(other) or tick.meets(other) for other in taken):
                found.append((figure, x, box))
                break
    return found


def _tick(sheet: Sheet, box: Box) -> tuple[float, float]:
    """From where to where the tick of a figure goes: from the edge nearest to it."""
    if box.top > sheet.height / 2:
        return box.bottom - sheet.point, sheet.height
    if box.top < 0:
        return -2 * sheet.point, 3 * sheet.point
    return 0.0, box.top + sheet.point


def _places(
    marks: Sequence[Mark], shown: Callable[[Probe], float | None], at: Callable[[Probe], float]
) -> dict[float, float]:
    return {figure: at(mark.probe) for mark in marks if (figure := shown(mark.probe)) is not None}
