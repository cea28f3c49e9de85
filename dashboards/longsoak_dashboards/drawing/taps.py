"""What of a drawing a thumb hits when it means a probe: the nearest one wins."""

from collections.abc import Sequence

SIZE = 44.0  # points: what a thumb can hit

Corner = tuple[float, float]


def taps(places: Sequence[Corner], *, point: float) -> list[tuple[Corner, ...]]:
    """The area that belongs to each place, mm: what is within reach of it, and nearest to it.

    Parameters
    ----------
    places : sequence of (float, float)
        Where the probes are drawn, mm.
    point : float
        One point of lettering in mm.

    Returns
    -------
    list of tuple of (float, float)
        A convex outline each; no two share any area. Of several at one place, all but the last
        have none.
    """
    reach = SIZE / 2 * point
    found = []
    for i, (x, y) in enumerate(places):
        area: tuple[Corner, ...] = _square(x, y, reach)
        for k, (other_x, other_y) in enumerate(places):
            if k == i or max(abs(other_x - x), abs(other_y - y)) > 4 * reach:
                continue
            if (other_x, other_y) == (x, y):
                area = () if k > i else area
            else:
                area = _nearer(area, (x, y), (other_x, other_y))
        found.append(area)
    return found


def _square(x: float, y: float, reach: float) -> tuple[Corner, ...]:
    return (
        (x - reach, y - reach),
        (x + reach, y - reach),
        (x + reach, y + reach),
        (x - reach, y + reach),
    )


def _nearer(area: Sequence[Corner], own: Corner, other: Corner) -> tuple[Corner, ...]:
    """The part of an outline that is nearer to `own` than to `other`."""
    dx, dy = other[0] - own[0], other[1] - own[1]
    middle = (dx * (own[0] + other[0]) + dy * (own[1] + other[1])) / 2
    beyond = [dx * x + dy * y - middle for x, y in area]
    found = []
    for (a, past), (b, past_next) in zip(
        zip(area, beyond, strict=True),
        zip((*area[1:], *area[:1]), (*beyond[1:], *beyond[:1]), strict=True),
        strict=True,
    ):
        if past <= 0:
            found.append(a)
        if past * past_next < 0:
            share = past / (past - past_next)
            found.append((a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])))
    return tuple(found)
