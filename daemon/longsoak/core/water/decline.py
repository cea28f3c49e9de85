"""How fast the water goes down between top-ups, with an honest interval. Pure.

Evaporation follows the room and a level its own temperature, both once a day. So levels are
compared that are whole days apart, and the interval comes from what days differ by, not from how
many hours there are: these hang together.
"""

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import floor, isnan, sqrt
from statistics import fmean, median
from typing import NamedTuple

from longsoak.core.regression import student_quantile
from longsoak.vocabulary.water import WaterHour

DAY = 86_400.0  # s
HOUR = 3600.0
PAN_FILLED = 1.0  # mm that a pan rises by from one hour to the next: somebody filled it
LEAST = 24.0  # h that have to be measured before a rate is told. Own choice: one whole swing.
_NEAR = 0.6 * HOUR  # from whole days apart; hours are not measured on the dot
_FAR = 2.0 / 3.0  # of a stretch: pairs closer than that tell of a part of it only
# What two days of the same rig differ by, as a share, and how many days' worth of knowledge that
# is. Own choice: with two or three days at hand they would tell nothing of how days differ.
_DAYS_DIFFER, _AS_KNOWN_FROM = 0.15, 2.0


class Rate(NamedTuple):
    """What is lost a day, with the ends of a 95 % interval; `hours` is how much was measured.

    In L/d of a reservoir, mm/d of a pan, kg/d of a scale; more than 0 where it becomes less.
    """

    per_day: float
    low: float
    high: float
    hours: float
    stretches: int

    @property
    def uncertainty(self) -> float:
        """The standard uncertainty, as half of the interval is two of them."""
        return (self.high - self.low) / 4.0


class Point(NamedTuple):
    """A value at a time, s; only those of one stretch may be compared."""

    at: float
    value: float
    stretch: int


def litres(hours: Iterable[WaterHour]) -> list[Point]:
    """The litres of hours."""
    return [Point(h.at, h.litres, h.stretch) for h in hours if not isnan(h.litres)]


def rate_of_decline(
    points: Sequence[Point], *, least: float = LEAST, noise: float = 0.0
) -> Rate | None:
    """How fast values go down, over all their stretches together.

    Parameters
    ----------
    points : sequence of Point
        In the order taken, about one an hour.
    least : float
        Hours that have to be covered.
    noise : float
        Standard uncertainty of one value against another of its stretch, in the unit of both.

    Returns
    -------
    Rate or None
        None where the stretches, each from its first point to its last, cover less than `least`.

    Notes
    -----
    Of each stretch the median of slopes between values that are far apart in it, and whole days
    where it lasts two thirds of two days or more: Theil-Sen of long pairs, within seasons as of
    Hirsch, Slack and Smith 1982 (from memory). So it is the mean of what was lost, whatever the
    weather did between, and a few values do not move it. Stretches count by their length. The
    interval is Student's t of what days, or shorter stretches, differ by.
    """
    stretches = list(_stretches(points))
    span = sum(part[-1].at - part[0].at for part in stretches)
    if not stretches or span / HOUR < least - 1e-6:
        return None
    falls = [(_fall(part), part[-1].at - part[0].at) for part in stretches]
    rate = sum(fall * lasts for fall, lasts in falls) / span
    apart = [each for part in stretches for each in _days(part)]
    apart += [fall for fall, lasts in falls if lasts < 2 * DAY]
    freedom = _AS_KNOWN_FROM + max(0, len(apart) - 1)
    squares = sum((each - fmean(apart)) ** 2 for each in apart) if apart else 0.0
    differ = (_AS_KNOWN_FROM * (_DAYS_DIFFER * rate) ** 2 + squares) / freedom
    ends = 2.0 * len(stretches) * (noise / span) ** 2
    # Days that are averaged count once each; noise of their values is in what they differ by.
    error = sqrt(differ / max(1.0, span / DAY) + ends)
    half = student_quantile(0.975, freedom) * error * DAY
    return Rate(rate * DAY, rate * DAY - half, rate * DAY + half, span / HOUR, len(stretches))


def daily(points: Sequence[Point]) -> list[float]:
    """What went down in each whole day, newest last; days from the first point of a stretch on."""
    return [rate * DAY for part in _stretches(points) for rate in _days(part)]


def lost(points: Sequence[Point]) -> tuple[float, float]:
    """What went down in all stretches together, and the time that covers, s."""
    stretches = _stretches(points)
    return (
        sum(_fall(part) * (part[-1].at - part[0].at) for part in stretches),
        sum(part[-1].at - part[0].at for part in stretches),
    )


def _stretches(points: Sequence[Point]) -> list[list[Point]]:
    parts: dict[int, list[Point]] = defaultdict(list)
    for point in points:
        parts[point.stretch].append(point)
    return [part for part in parts.values() if len(part) > 1 and part[-1].at > part[0].at]


def _fall(part: Sequence[Point]) -> float:
    """How fast one stretch goes down on the whole, a second."""
    times = [point.at for point in part]
    span = times[-1] - times[0]
    days = floor((span + _NEAR) / DAY)
    slopes: list[float] = []
    for back in range(max(1, round(_FAR * days)), days + 1):
        for i, point in enumerate(part):
            aim = point.at + back * DAY
            low, high = bisect_left(times, aim - _NEAR), bisect_right(times, aim + _NEAR)
            slopes += [
                (point.value - o.value) / (o.at - point.at) for o in part[max(low, i + 1) : high]
            ]
    if slopes:
        return median(slopes)
    far = _FAR * span
    for i, point in enumerate(part):
        later = part[bisect_left(times, point.at + far, lo=i + 1) :]
        slopes += [(point.value - other.value) / (other.at - point.at) for other in later]
    return median(slopes)


def _days(part: Sequence[Point]) -> list[float]:
    """How fast the means of whole days go down from one to the next, a second."""
    of_day: dict[int, list[Point]] = defaultdict(list)
    for point in part:
        of_day[floor((point.at - part[0].at) / DAY)].append(point)
    means = [
        (number, fmean(p.value for p in day), fmean(p.at for p in day))
        for number, day in of_day.items()
        if day[-1].at - day[0].at >= DAY - 2.5 * HOUR
    ]
    return [
        (a - b) / (later - earlier)
        for (i, a, earlier), (j, b, later) in pairwise(means)
        if j == i + 1
    ]


def beside(
    hours: Iterable[WaterHour], what: str, *, jump: float, down: bool = False
) -> list[Point]:
    """The levels of a pan, or what a scale reads: another stretch behind each jump.

    Parameters
    ----------
    hours : iterable of WaterHour
        In the order taken.
    what : str
        ``pan`` or ``mass``.
    jump : float
        From one hour to the next, in its unit: somebody filled it, or leant on it.
    down : bool
        Whether a jump down is one too.
    """
    found: list[Point] = []
    stretch, last = 0, 0.0
    for hour in hours:
        value: float = getattr(hour, what)
        if isnan(value):
            continue
        if found and (value - last > jump or (down and last - value > jump)):
            stretch += 1
        found.append(Point(hour.at, value, stretch))
        last = value
    return found
