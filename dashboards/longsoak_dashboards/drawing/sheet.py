"""How one bay's section lies on its sheet: scale, margins, and the extent of everything.

One SVG unit is one millimetre. Lettering is set in points of the sheet: `POINTS` of them span its
width, which is the width of a drawing on a phone 360 px wide, so that `SMALL` is never less than
12 px on a screen. Origin: the specimen's top at the wet face, y downwards.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from longsoak.vocabulary.rig import Bay, Reservoir, Rig
from longsoak_dashboards.drawing.lettering import Box, wrap

POINTS = 328.0
SMALL = 12.3  # points: everything but values and titles
VALUE = 14.0  # points
LINE = 15.0  # points from one line of lettering to the next
FOOT = 34.0  # points under the floor, for the scale bar and the caption beside it
_SHALLOW = 54.0  # points from underside to floor; in less, the level's words stand under the floor
_WORDS_BELOW = 50.0  # points for them
_EDGE = 6.0  # points left free at either side
_SIDE = 44.0  # points right of the specimen, for the heights
_TALLEST = 760.0  # points from the specimen's top to the floor
_WIDEST_MARGIN = 0.3  # of the thickness: a tray wider than that is cut short
_PRINT_SCALES = (1, 2, 5, 10, 20, 50, 100)
_PRINT_ROOM = (88.0, 150.0)  # mm: two beside each other on A4, and the rest of the sheet below


@dataclass(frozen=True, slots=True)
class Callout:
    """A layer's name above the section, and the point in the layer its line leads to."""

    lines: tuple[str, ...]
    thickness: float
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Sheet:
    """One bay's section: extents in mm. `point` is one point of lettering in mm.

    `shallow` if there is too little room between underside and floor for any words.
    """

    point: float
    view: Box
    thickness: float
    height: float
    floor: float
    shallow: bool
    tray_left: float
    tray_right: float
    tray_is_cut: bool
    callouts: tuple[Callout, ...]

    @property
    def print_scale(self) -> int:
        """The denominator of the scale it is printed at on A4."""
        for scale in _PRINT_SCALES:
            if (self.view.right - self.view.left) / scale <= _PRINT_ROOM[0] and (
                self.view.bottom - self.view.top
            ) / scale <= _PRINT_ROOM[1]:
                return scale
        return _PRINT_SCALES[-1]


def lay_out(rig: Rig, bay: Bay, depths: Iterable[float]) -> Sheet:
    """Fit the section of `bay` on a sheet, as large as width and height allow.

    `depths` are those of its probes, mm; their figures stand at the top, beside the callouts.
    """
    thickness, height = bay.thickness, rig.specimen.height
    margin, cut = _tray_margin(rig.reservoir, thickness)
    floor = height + (rig.specimen.underside if rig.reservoir else 0.0)
    left, right = min(0.0, -margin), max(thickness, thickness + margin)
    side = _EDGE
    for _ in range(3):  # the room the heights need in points depends on the scale, and it on them
        scale = (POINTS - _EDGE - side) / (right - left)
        side = max(_EDGE, _SIDE - (right - thickness) * scale)
    scale = min(scale, _TALLEST / floor)
    point = 1 / scale
    spare = POINTS * point - (right - left)
    view_left = left - max(_EDGE * point, (spare - max(0.0, side - _EDGE) * point) / 2)
    view_right = view_left + POINTS * point
    callouts, rise = _callouts(bay, tuple(depths), point=point, room_to=view_right)
    shallow = rig.reservoir is not None and rig.specimen.underside < _SHALLOW * point
    view = Box(
        view_left, -rise, view_right, floor + (FOOT + (_WORDS_BELOW if shallow else 0)) * point
    )
    return Sheet(
        point=point,
        view=view,
        thickness=thickness,
        height=height,
        floor=floor,
        shallow=shallow,
        tray_left=-margin,
        tray_right=thickness + margin,
        tray_is_cut=cut,
        callouts=callouts,
    )


def _tray_margin(reservoir: Reservoir | None, thickness: float) -> tuple[float, bool]:
    """How far the tray is drawn beyond either face, and whether that is less than it reaches.

    Where the specimen hangs over the tray is not declared; it is drawn over the middle.
    """
    if reservoir is None:
        return 0.0, False
    margin = (reservoir.breadth - thickness) / 2
    widest = _WIDEST_MARGIN * thickness
    return (widest, True) if margin > widest else (margin, False)


def _callouts(
    bay: Bay, depths: tuple[float, ...], *, point: float, room_to: float
) -> tuple[tuple[Callout, ...], float]:
    """Names stacked so that no line of one crosses the lettering of another: leftmost on top."""
    placed: list[tuple[tuple[str, ...], float, float]] = []
    face = 0.0
    for layer in bay.layers:
        x = _clear_of(depths, face + layer.thickness / 2, layer.thickness / 2, point=point)
        face += layer.thickness
        room = (room_to - x) / point - 9 - 26  # its line, and its thickness behind the name
        placed.append((wrap(layer.name, size=SMALL, room=max(room, 24)), layer.thickness, x))
    y = 10.0
    callouts: list[Callout] = []
    for lines, thick, x in reversed(placed):
        y += LINE * len(lines)
        callouts.append(Callout(lines, thick, x, -(y - LINE * 0.72) * point))
    return tuple(reversed(callouts)), (y + 4) * point


def _clear_of(depths: tuple[float, ...], middle: float, half: float, *, point: float) -> float:
    """A place near the middle of a layer for its callout, away from the ticks of the depths."""
    for away in (0, 7, -7, 12, -12):
        x = middle + away * point
        if abs(away) * point < half and all(abs(x - depth) > 5 * point for depth in depths):
            return x
    return middle
