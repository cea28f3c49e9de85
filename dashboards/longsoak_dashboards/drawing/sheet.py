"""How one bay's section lies on its sheet: scale, margins, and the extent of everything.

One SVG unit is one millimetre. Lettering is set in points of the sheet: `POINTS` of them span its
width, which is the width of a drawing on a phone 360 px wide, so that `SMALL` is never less than
12 px on a screen. Origin: the specimen's top at the wet face, y downwards.
"""

from dataclasses import dataclass

from longsoak.vocabulary.rig import Bay, Reservoir, Rig
from longsoak_dashboards.drawing.callouts import Callout, place_callouts
from longsoak_dashboards.drawing.lettering import Box

POINTS = 328.0
VALUE = 14.0  # points
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


def lay_out(rig: Rig) -> tuple[Sheet, ...]:
    """Fit the sections of all bays on sheets of one size, as large as width and height allow.

    All have one scale, so that bays of unlike thickness can be compared by eye, and their
    specimens' tops and floors at one height.
    """
    bays = rig.specimen.bays
    floor = rig.specimen.height + (rig.specimen.underside if rig.reservoir else 0.0)
    scale = _TALLEST / floor
    for bay in bays:
        least, _ = _tray_margin(rig.reservoir, bay.thickness, room=0.0)
        scale = min(scale, _scale(bay.thickness, least))
    point = 1 / scale
    shallow = rig.reservoir is not None and rig.specimen.underside < _SHALLOW * point
    bottom = floor + (FOOT + (_WORDS_BELOW if shallow else 0)) * point
    found = []
    for bay in bays:
        room = _room_beside(bay.thickness, point=point)
        margin, cut = _tray_margin(rig.reservoir, bay.thickness, room=room)
        view_left = _view_left(bay.thickness, margin, point=point)
        callouts, rise = place_callouts(
            bay.layers,
            _depths(rig, bay),
            point=point,
            left=view_left,
            right=view_left + POINTS * point,
        )
        found.append((bay, margin, cut, view_left, callouts, rise))
    top = -max(rise for *_, rise in found)
    return tuple(
        Sheet(
            point=point,
            view=Box(view_left, top, view_left + POINTS * point, bottom),
            thickness=bay.thickness,
            height=rig.specimen.height,
            floor=floor,
            shallow=shallow,
            tray_left=-margin,
            tray_right=bay.thickness + margin,
            tray_is_cut=cut,
            callouts=callouts,
        )
        for bay, margin, cut, view_left, callouts, _ in found
    )


def _scale(thickness: float, margin: float) -> float:
    """Points a mm, for a specimen with its tray to fill the width of a sheet."""
    across = thickness + 2 * max(0.0, margin)
    side = _EDGE
    for _ in range(3):  # the room the heights need in points depends on the scale, and it on them
        scale = (POINTS - _EDGE - side) / across
        side = _side(margin, point=1 / scale)
    return scale


def _side(margin: float, *, point: float) -> float:
    """Points right of everything, so that the heights have their room beside the specimen."""
    return max(_EDGE, _SIDE - max(0.0, margin) / point)


def _room_beside(thickness: float, *, point: float) -> float:
    """How far a tray can reach beyond either face where a wider bay has set the scale, mm."""
    room = ((POINTS - 2 * _EDGE) * point - thickness) / 2
    return room if room >= (_SIDE - _EDGE) * point else 0.0


def _view_left(thickness: float, margin: float, *, point: float) -> float:
    left, right = min(0.0, -margin), max(thickness, thickness + margin)
    spare = POINTS - (right - left) / point
    return left - max(_EDGE, (spare - (_side(margin, point=point) - _EDGE)) / 2) * point


def _depths(rig: Rig, bay: Bay) -> tuple[float, ...]:
    """Those of the bay's probes, mm; their figures stand at the top, beside the callouts."""
    return tuple(p.depth for p in rig.probes if p.bay == bay.name and p.depth is not None)


def _tray_margin(
    reservoir: Reservoir | None, thickness: float, *, room: float
) -> tuple[float, bool]:
    """How far the tray is drawn beyond either face, and whether that is less than it reaches.

    Where the specimen hangs over the tray is not declared; it is drawn over the middle. What is
    wider than `room`, or where there is none, than a share of the thickness, is cut short.
    """
    if reservoir is None:
        return 0.0, False
    margin = (reservoir.breadth - thickness) / 2
    widest = max(_WIDEST_MARGIN * thickness, room)
    return (widest, True) if margin > widest else (margin, False)
