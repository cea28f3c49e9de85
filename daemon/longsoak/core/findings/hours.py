"""How long readings stood above a level, and how much of the time they say nothing of.

Pure; needs numpy.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

from longsoak.core.arrays import as_array, checked
from longsoak.core.findings.decision import Bound
from longsoak.core.findings.estimate import Estimate, checked_confidence
from longsoak.core.uptake import same_length
from longsoak.vocabulary.errors import PhysicsError

if TYPE_CHECKING:
    from longsoak.core.arrays import Array

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
    import numpy as np

    share = checked_confidence(confidence)
    at = checked("level", level, lowest=-1e12, highest=1e12, unit="")
    most = checked("longest", longest, lowest=1e-3, highest=1e9, unit="s")
    first = checked("begin", begin, lowest=-1e12, highest=1e12, unit="s")
    last = checked("end", end, lowest=-1e12, highest=1e12, unit="s")
    if last <= first:
        raise PhysicsError("end", end, f"more than {first:g} s, where the window begins")
    t, y, u, more, less = _columns(times, values, uncertainties, bounds, first, last)
    k = NormalDist().inv_cdf(0.5 + share / 2.0)
    steps = np.diff(t)
    close = steps <= most
    sums = []
    for which in (0.0, -k, k):
        off = y + which * u - at
        if which > 0.0:  # a reading that is but a bound is endless on its open side
            off = np.where(more, np.inf, off)
        elif which < 0.0:
            off = np.where(less, -np.inf, off)
        shares = _shares_above(off[:-1], off[1:])
        sums.append(float((steps * shares)[close].sum()) / HOUR)
    inner = [(float(a), float(b)) for a, b in zip(t[:-1][~close], t[1:][~close], strict=True)]
    outer = [(first, float(t[0])), (float(t[-1]), last)] if len(t) else [(first, last)]
    gaps = sorted((a, b) for a, b in (*inner, *outer) if b > a)
    return HoursAbove(
        Estimate(*sums),
        float(steps[close].sum()) / HOUR,
        (last - first) / HOUR,
        tuple(gaps),
        share,
    )


def _columns(
    times: Sequence[float],
    values: Sequence[float],
    uncertainties: Sequence[float],
    bounds: Sequence[Bound] | None,
    first: float,
    last: float,
) -> tuple["Array", "Array", "Array", "Array", "Array"]:
    """What lies in the window: times, values, uncertainties, and which are but a bound, and how."""
    import numpy as np

    same_length(times, values, "values")
    same_length(times, uncertainties, "uncertainties")
    told = [Bound.NONE] * len(times) if bounds is None else bounds
    if len(told) != len(times):
        raise PhysicsError("bounds", len(told), f"{len(times)} values, one for each time")
    t = as_array("times", list(times), "seconds")
    y = as_array("values", list(values), "numbers")
    u = as_array("uncertainties", list(uncertainties), "numbers")
    checked("times", t, lowest=-1e12, highest=1e12, unit="s")
    checked("values", y, lowest=-1e12, highest=1e12, unit="")
    checked("uncertainties", u, lowest=0.0, highest=1e12, unit="")
    if (back := np.flatnonzero(np.diff(t) <= 0.0)).size:
        at = int(back[0])
        raise PhysicsError("times", float(t[at + 1]), f"more than {t[at]:g} s, as they must rise")
    more = np.array([bound is Bound.AT_LEAST for bound in told], dtype=bool)
    less = np.array([bound is Bound.AT_MOST for bound in told], dtype=bool)
    here = (t >= first) & (t <= last)
    return t[here], y[here], u[here], more[here], less[here]


def _shares_above(a: "Array", b: "Array") -> "Array":
    """The share of straight courses from `a` to `b` above 0; halves where one is endless."""
    import numpy as np

    both = (a > 0.0) == (b > 0.0)
    endless = np.isinf(a) | np.isinf(b)
    with np.errstate(invalid="ignore", divide="ignore"):
        crossing = np.maximum(a, b) / (np.abs(a) + np.abs(b))
    crossing = np.where(endless, 0.5, crossing)
    return np.where(both, np.where(a > 0.0, 1.0, 0.0), crossing)
