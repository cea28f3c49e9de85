"""What lies over a bay's section where a hand reading is taken: seats, old holes, the new place.

No value is drawn: a reading by hand is taken blind.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.core.handreadings import Place
from longsoak_dashboards.drawing.callouts import SMALL
from longsoak_dashboards.drawing.lettering import Board, Box, width
from longsoak_dashboards.drawing.sheet import Sheet
from longsoak_dashboards.drawing.svg import path, tag

_SEAT, _HOLE, _PLACE = 3.5, 4.0, 11.0  # points: half an arm of a cross, a radius, half the marker
_NEAR = 26.0  # points that the name of a round may stand off its hole


@dataclass(frozen=True, slots=True)
class Hole:
    """Where a hand meter was driven in before: in which round, and when, in words."""

    place: Place
    round: str
    words: str


def draw_map(
    sheet: Sheet,
    *,
    seats: Sequence[tuple[str, Place]],
    holes: Sequence[Hole],
    place: Place | None,
) -> Markup:
    """The layer over one bay's section, of the same extent.

    Parameters
    ----------
    sheet : Sheet
        How the section lies.
    seats : sequence of str and Place
        The embedded probes, by name.
    holes : sequence of Hole
        Old holes of this bay.
    place : Place, optional
        The place that is chosen; without it the marker is there and hidden.
    """
    p, view = sheet.point, sheet.view
    parts = [_seat(sheet, name, seat) for name, seat in seats]
    parts += _holes(sheet, holes, [seat for _, seat in seats])
    parts.append(_marker(sheet, place))
    return tag(
        "svg",
        *parts,
        viewBox=f"{view.left:.2f} {view.top:.2f} {view.right - view.left:.2f} "
        f"{view.bottom - view.top:.2f}",
        cls="over",
        aria_hidden="true",
        data_height=sheet.height,
        data_wide=sheet.across,
        data_wet=sheet.wet_face,
        data_start=sheet.start,
        data_point=f"{p:.4f}",
    )


def _seat(sheet: Sheet, name: str, seat: Place) -> Markup:
    arm, (x, y) = _SEAT * sheet.point, sheet.place(seat)
    cross = path("M", x - arm, y, "h", 2 * arm, "M", x, y - arm, "v", 2 * arm)
    return tag("path", tag("title", name), cls="seat", d=cross)


def _holes(sheet: Sheet, holes: Sequence[Hole], seats: Sequence[Place]) -> list[Markup]:
    p = sheet.point
    spots = [sheet.place(hole.place) for hole in holes]
    others = [sheet.place(seat) for seat in seats]
    reach = _HOLE * p
    taken = [Box(x - reach, y - reach, x + reach, y + reach) for x, y in (*spots, *others)]
    board = Board(Box(sheet.view.left, 0, sheet.view.right, sheet.height), taken)
    found = []
    for hole, (x, y) in zip(holes, spots, strict=True):
        found.append(
            tag(
                "circle",
                tag("title", hole.words),
                cls="hole",
                cx=x,
                cy=y,
                r=reach,
                data_round=hole.round,
                data_depth=hole.place.depth,
                data_high=hole.place.height,
                data_across=hole.place.across,
            )
        )
        wide = (width(hole.round, size=SMALL) + 2) * p
        wanted = Box(x + reach, y - 7 * p, x + reach + wide, y + 7 * p)
        box = board.place(wanted, step=3 * p, reach=_NEAR * p)
        if box is not None:
            found.append(
                tag(
                    "text", hole.round, x=box.left + p, y=box.bottom - 3 * p, font_size=SMALL * p,
                    cls="hand halo",
                )
            )  # fmt: skip
    return found


def _marker(sheet: Sheet, place: Place | None) -> Markup:
    """A ring with a cross that leaves the very place free to be seen."""
    p = sheet.point
    arm, gap = _PLACE * p, 3 * p
    cross = path(
        *("M", -arm, 0, "H", -gap, "M", gap, 0, "H", arm),
        *("M", 0, -arm, "V", -gap, "M", 0, gap, "V", arm),
    )
    x, y = (0.0, 0.0) if place is None else sheet.place(place)
    return tag(
        "g",
        tag("circle", cls="ground-ring", r=arm * 0.75),
        tag("circle", cls="ring", r=arm * 0.75),
        tag("path", cls="ring", d=cross),
        cls="place" if place is not None else "place none",
        transform=f"translate({x:.2f} {y:.2f})",
    )
