"""How one bay's section lies on its sheet: scale, margins, and the extent of everything.

One SVG unit is one millimetre. Lettering is set in points of the sheet: `POINTS` of them span its
width, which is the width of a drawing on a phone 360 px wide, so that `SMALL` is never less than
12 px on a screen. Origin: the specimen's top at the wet face, y downwards.

A specimen that stands is cut from its wet face inwards. One that lies is cut along its width, since
that is where its bays and its probes stand beside each other; its layers lie above each other, and
the origin is the top at the bay's left end.
"""

from dataclasses import dataclass
from typing import Protocol

from longsoak.vocabulary.rig import Bay, Rig, WetFace
from longsoak_dashboards.drawing.callouts import SMALL, Callout, beside, place_callouts
from longsoak_dashboards.drawing.lettering import Box

POINTS = 328.0
VALUE = 14.0  # points
FOOT = 34.0  # points under the floor, for the scale bar and the caption beside it
_SHALLOW = 54.0  # points from underside to floor; in less, the level's words stand under the floor
_WORDS_BELOW = 50.0  # points for them
_EDGE = 6.0  # points left free at either side
_SIDE = 44.0  # points right of the specimen, for the heights
_TALLEST = 760.0  # points from the specimen's top to the floor
_WIDEST_MARGIN = 0.3  # of the specimen: a tray wider than that is cut short
_PRINT_SCALES = (1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 15, 20, 25, 30, 40, 50, 75, 100)
_PRINT_ROOM = (88.0, 150.0)  # mm: two beside each other on A4, and the rest of the sheet below
_PRINT_ROOM_OF_THREE = (58.5, 150.0)  # three beside each other
_PRINT_ROOM_OF_SIX = (58.5, 88.0)  # and two rows of them
_LEGIBLE = 1.8  # mm: the least that small lettering may be on paper, as on maps
_ABOVE = (20.0, 76.0)  # points over a specimen that lies: for figures; for values too if it is flat
_FLAT = 130.0  # points of height in which values have room


class Placed(Protocol):
    """What has a place in a bay, mm."""

    @property
    def depth(self) -> float | None:
        """From the wet face."""

    @property
    def height(self) -> float | None:
        """Above the underside."""

    @property
    def across(self) -> float | None:
        """From the left edge."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One bay's section: extents in mm. `point` is one point of lettering in mm.

    `across` is how wide the specimen is drawn, and `start` where the bay begins of one that lies.
    `above` is the room over it for values and figures. `shallow` if there is too little room
    between underside and floor for any words. `bays` is how many sections the rig has.
    """

    point: float
    view: Box
    across: float
    height: float
    floor: float
    shallow: bool
    tray_left: float
    tray_right: float
    tray_is_cut: bool
    callouts: tuple[Callout, ...]
    wet_face: WetFace = WetFace.SIDE
    start: float = 0.0
    above: float = 0.0
    bays: int = 1

    @property
    def lies(self) -> bool:
        """Whether the layers lie above each other."""
        return self.wet_face is not WetFace.SIDE

    def place(self, placed: Placed) -> tuple[float, float]:
        """Where something with a depth and a height is drawn."""
        y = self.height - (placed.height or 0.0)
        if self.lies:
            return (placed.across or self.start) - self.start, y
        return placed.depth or 0.0, y

    def found(self, x: float, y: float) -> tuple[float, float, float | None]:
        """What is drawn at a point: depth, height, and across where the section shows it."""
        height = self.height - y
        if not self.lies:
            return x, height, None
        return (height if self.wet_face is WetFace.UNDERSIDE else y), height, self.start + x

    def layers(self, bay: Bay) -> tuple[Box, ...]:
        """What each layer of the bay takes, from the wet face on."""
        found, face = [], 0.0
        for layer in bay.layers:
            near, far = face, face + layer.thickness
            if self.wet_face is WetFace.SIDE:
                found.append(Box(near, 0.0, far, self.height))
            elif self.wet_face is WetFace.TOP:
                found.append(Box(0.0, near, self.across, far))
            else:
                found.append(Box(0.0, self.height - far, self.across, self.height - near))
            face = far
        return tuple(found)

    @property
    def print_scale(self) -> int:
        """The denominator of the scale it is printed at on A4.

        As many bays as can be read go on one page. More than that go on several, two beside each
        other, and none is cut in two.
        """
        if self.bays > 2:
            close = self._scale_in(_PRINT_ROOM_OF_THREE if self.bays == 3 else _PRINT_ROOM_OF_SIX)
            if SMALL * self.point / close >= _LEGIBLE:
                return close
        return self._scale_in(_PRINT_ROOM)

    def _scale_in(self, room: tuple[float, float]) -> int:
        wide, high = self.view.right - self.view.left, self.view.bottom - self.view.top
        return next(
            (each for each in _PRINT_SCALES if wide <= room[0] * each and high <= room[1] * each),
            _PRINT_SCALES[-1],
        )


def lay_out(rig: Rig) -> tuple[Sheet, ...]:
    """Fit the sections of all bays on sheets of one size, as large as width and height allow.

    All have one scale, so that bays of unlike thickness can be compared by eye, and their
    specimens' tops and floors at one height.
    """
    specimen, bays = rig.specimen, rig.specimen.bays
    floor = specimen.height + (specimen.underside if rig.reservoir else 0.0)
    tray = _tray_across(rig)
    scale = _TALLEST / floor
    for bay in bays:
        least, _ = _tray_margin(tray, _across(rig, bay), room=0.0)
        scale = min(scale, _scale(_across(rig, bay), least))
    point = 1 / scale
    shallow = rig.reservoir is not None and specimen.underside < _SHALLOW * point
    bottom = floor + (FOOT + (_WORDS_BELOW if shallow else 0)) * point
    above = _ABOVE[specimen.height < _FLAT * point] * point if specimen.lies else 0.0
    found = []
    for bay in bays:
        across = _across(rig, bay)
        room = _room_beside(across, point=point)
        margin, cut = _tray_margin(tray, across, room=room)
        view_left = _view_left(across, margin, point=point)
        ends = (view_left, view_left + POINTS * point)
        if specimen.lies:
            callouts, rise = beside(bay.layers, point=point, left=ends[0], right=ends[1])
        else:
            depths = _depths(rig, bay)
            callouts, rise = place_callouts(
                bay.layers, depths, point=point, left=ends[0], right=ends[1]
            )
        found.append((bay, across, margin, cut, view_left, callouts, rise))
    top = -max(rise for *_, rise in found) - above
    return tuple(
        Sheet(
            point=point,
            view=Box(view_left, top, view_left + POINTS * point, bottom),
            across=across,
            height=specimen.height,
            floor=floor,
            shallow=shallow,
            tray_left=-margin,
            tray_right=across + margin,
            tray_is_cut=cut,
            callouts=tuple(callout.raised(above) for callout in callouts),
            wet_face=specimen.wet_face,
            start=bay.start if specimen.lies else 0.0,
            above=above,
            bays=len(bays),
        )
        for bay, across, margin, cut, view_left, callouts, _ in found
    )


def _across(rig: Rig, bay: Bay) -> float:
    """How wide the specimen is drawn."""
    return bay.end - bay.start if rig.specimen.lies else bay.thickness


def _tray_across(rig: Rig) -> float | None:
    """How far the tray reaches in the direction of the cut; None where there is none."""
    if rig.reservoir is None:
        return None
    return rig.reservoir.length if rig.specimen.lies else rig.reservoir.breadth


def _scale(wide: float, margin: float) -> float:
    """Points a mm, for a specimen with its tray to fill the width of a sheet."""
    across = wide + 2 * max(0.0, margin)
    side = _EDGE
    for _ in range(3):  # the room the heights need in points depends on the scale, and it on them
        scale = (POINTS - _EDGE - side) / across
        side = _side(margin, point=1 / scale)
    return scale


def _side(margin: float, *, point: float) -> float:
    """Points right of everything, so that the heights have their room beside the specimen."""
    return max(_EDGE, _SIDE - max(0.0, margin) / point)


def _room_beside(across: float, *, point: float) -> float:
    """How far a tray can reach beyond either face where a wider bay has set the scale, mm."""
    room = ((POINTS - 2 * _EDGE) * point - across) / 2
    return room if room >= (_SIDE - _EDGE) * point else 0.0


def _view_left(across: float, margin: float, *, point: float) -> float:
    left, right = min(0.0, -margin), max(across, across + margin)
    spare = POINTS - (right - left) / point
    return left - max(_EDGE, (spare - (_side(margin, point=point) - _EDGE)) / 2) * point


def _depths(rig: Rig, bay: Bay) -> tuple[float, ...]:
    """Those of the bay's probes, mm; their figures stand at the top, beside the callouts."""
    return tuple(p.depth for p in rig.probes if p.bay == bay.name and p.depth is not None)


def _tray_margin(tray: float | None, across: float, *, room: float) -> tuple[float, bool]:
    """How far the tray is drawn beyond either face, and whether that is less than it reaches.

    Where the specimen hangs over the tray is not declared; it is drawn over the middle. What is
    wider than `room`, or where there is none, than a share of the specimen, is cut short.
    """
    if tray is None:
        return 0.0, False
    margin = (tray - across) / 2
    widest = max(_WIDEST_MARGIN * across, room)
    return (widest, True) if margin > widest else (margin, False)
