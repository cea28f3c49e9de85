"""How long readings stood above a level, and how much of the time they say nothing of. Pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

from longsoak.core.arrays import checked
from longsoak.core.findings.decision import Bound
from longsoak.core.findings.estimate import Estimate, checked_confidence
from longsoak.core.uptake import same_length
from longsoak.vocabulary.errors import PhysicsError

HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class HoursAbove:
    """Hours above a level within a window.

    `hours` counts only what is covered; its ends are the hours if every reading were off by as
    much, either way, as its uncertainty allows at `confidence`. `covered` and `window` are in
    hours; `gaps` are the stretches, s, that no two readings close enough to each other cover, the
    ends of the window among them.
    """

    hours: Estimate
    covered: float
    window: float
    gaps: tuple[tuple[float, float], ...]
    confidence: float

    @property
    def coverage(self) -> float:
        """The share of the window that is covered, 0 to 1."""
        return self.covered / self.window

    @property
    def at_most(self) -> float:
        """Hours above the level if it was exceeded in every gap, and in all that is in doubt."""
        return self.hours.high + self.window - self.covered


def hours_above(
    level: float,
    *,
    times: Sequence[float],
    values: Sequence[float],
    uncertainties: Sequence[float],
    longest: float,
    begin: float,
    end: float,
    bounds: Sequence[Bound] | None = None,
    confidence: float = 0.95,
) -> HoursAbove:
    """How long readings stood above a level.

    Parameters
    ----------
    level : float
        In the unit of the readings.
    times : sequence of float
        Of the readings, s, rising. Those outside the window are passed by.
    values : sequence of float
        Readings.
    uncertainties : sequence of float
        Standard uncertainty of each, 0 or more, with all that readings have in common.
    longest : float
        Between two readings, s, above 0. Nothing is said of what lies between readings farther
        apart, whatever both show.
    begin, end : float
        The window that is asked about, s.
    bounds : sequence of Bound or None
        Which readings are only the end of a range. "At least" counts as its end in `hours.value`
        and `hours.low` and as above any level in `hours.high`; "at most" the other way.
    confidence : float
        0.5 to 0.999.

    Raises
    ------
    PhysicsError
        A value is not finite, times do not rise, or the window is empty.

    Notes
    -----
    Between two readings the course is taken for straight; where one of them is a bound, each stands
    for its half. The ends of the interval shift all readings together by the normal quantile times
    their uncertainty, which is exact for an error they share, and more than enough for errors of
    their own (simulated: tests/core/findings/test_hours.py). Of readings that scatter about a
    steady value next to the level, `hours.value` is the share that lie above it and may be far
    off; the interval is what counts.

    Source: common practice.
    """
    share = checked_confidence(confidence)
    at = checked("level", level, lowest=-1e12, highest=1e12, unit="")
    most = checked("longest", longest, lowest=1e-3, highest=1e9, unit="s")
    first = checked("begin", begin, lowest=-1e12, highest=1e12, unit="s")
    last = checked("end", end, lowest=-1e12, highest=1e12, unit="s")
    if last <= first:
        raise PhysicsError("end", end, f"more than {first:g} s, where the window begins")
    rows = _rows(times, values, uncertainties, bounds, first, last)
    k = NormalDist().inv_cdf(0.5 + share / 2.0)
    sums = [0.0, 0.0, 0.0]
    covered, gaps, seen = 0.0, [], first
    for i, (time, *_) in enumerate(rows):
        if i and time - seen <= most:
            covered += time - seen
            for way, which in enumerate((0.0, -k, k)):
                a, b = (_shifted(row, which) - at for row in rows[i - 1 : i + 1])
                sums[way] += (time - seen) * _share_above(a, b)
        elif time > seen:
            gaps.append((seen, time))
        seen = time
    if last > seen:
        gaps.append((seen, last))
    value, low, high = (total / HOUR for total in sums)
    return HoursAbove(
        Estimate(value, low, high), covered / HOUR, (last - first) / HOUR, tuple(gaps), share
    )


_Row = tuple[float, float, float, Bound]


def _rows(
    times: Sequence[float],
    values: Sequence[float],
    uncertainties: Sequence[float],
    bounds: Sequence[Bound] | None,
    first: float,
    last: float,
) -> list[_Row]:
    same_length(times, values, "values")
    same_length(times, uncertainties, "uncertainties")
    told = [Bound.NONE] * len(times) if bounds is None else bounds
    if len(told) != len(times):
        raise PhysicsError("bounds", len(told), f"{len(times)} values, one for each time")
    before = -math.inf
    rows: list[_Row] = []
    for time, value, off, bound in zip(times, values, uncertainties, told, strict=True):
        checked("times", time, lowest=-1e12, highest=1e12, unit="s")
        if time <= before:
            raise PhysicsError("times", time, f"more than {before:g} s, as they must rise")
        before = time
        checked("values", value, lowest=-1e12, highest=1e12, unit="")
        checked("uncertainties", off, lowest=0.0, highest=1e12, unit="")
        if first <= time <= last:
            rows.append((time, value, off, bound))
    return rows


def _shifted(row: _Row, times: float) -> float:
    """A reading, off by so many of its standard uncertainties; endless where it is but a bound."""
    _, value, off, bound = row
    if bound is Bound.AT_LEAST and times > 0.0:
        return math.inf
    if bound is Bound.AT_MOST and times < 0.0:
        return -math.inf
    return value + times * off


def _share_above(a: float, b: float) -> float:
    """The share of a straight course from `a` to `b` above 0; halves where one is endless."""
    if (a > 0.0) == (b > 0.0):
        return 1.0 if a > 0.0 else 0.0
    if math.isinf(a) or math.isinf(b):
        return 0.5
    return max(a, b) / (abs(a) + abs(b))
