"""A course towards an end through readings that hang together, and that end. Pure.

Two shapes are tried: a plain exponential, and that of a slab that takes up or gives off through its
faces (the mean of a diffusing quantity), which begins with the root of time and ends with the very
same exponential. What holds for an end is what either shape leaves possible.

Needs numpy. What is asked of it, and why, is told in `longsoak.core.findings.settling`.
"""

import math
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from statistics import NormalDist
from typing import TYPE_CHECKING

from longsoak.core.findings.estimate import Estimate
from longsoak.core.findings.serial import autocovariances, worth_of_mean
from longsoak.core.uptake import Undetermined

if TYPE_CHECKING:
    from longsoak.core.arrays import Array

LEAST_SPANS = 2.0  # time constants; by then 86 % of the way has been gone
FEWEST_EFFECTIVE = 8.0  # independent values that are left after a curve of three coefficients
FEWEST_BINS = 24  # with readings in them
_BINS = 240
_GRID = 81
_COARSE, _SAME = 31, 1e-4  # places of the grid on the way to the best, and when it is near enough
_FASTEST, _SLOWEST = 1.0 / 60.0, 10.0  # time constants that are looked at, in spans
_FLAT = 1e-10  # of a row's squares, what is left of them about its mean
_TERMS = 60  # of the series of a diffusing mean
_TABLE = 1400  # places of it over the root of time, to 6.5 root time constants
_ENOUGH = 40  # places of the grid among those that fit
_ZOOMS = 10


@dataclass(frozen=True, slots=True)
class Bins:
    """Means of readings in evenly spaced bins, NaN where there are none."""

    begin: float
    step: float
    times: "Array"
    values: "Array"
    floor: float  # variance of a bin's mean that the readings' own uncertainties explain


@dataclass(frozen=True, slots=True)
class Ending:
    """A fitted end: half-widths below and above, and what they rest on.

    `swing` is how far from it the course began, `memory` the correlation of neighbouring bins, and
    `doubt` times the root of a variance factor is a half-width. `taus` with their `swings` are all
    time constants that fit.
    """

    value: float
    low: float
    high: float
    pace: Estimate | None
    swing: float
    effective: float
    memory: float
    doubt: float
    why: str
    taus: "Array"
    swings: "Array"


def binned(t: "Array", y: "Array", u: "Array") -> Bins:
    """Readings at times t with own standard uncertainties u, averaged to evenly spaced bins."""
    import numpy as np

    count = min(_BINS, len(t))
    span = float(t[-1] - t[0])
    step = span / count
    place = np.minimum(((t - t[0]) / step).astype(np.int64), count - 1)
    filled = np.bincount(place, minlength=count)
    there = filled > 0
    each = np.maximum(filled, 1)
    values = np.where(there, np.bincount(place, y, count) / each, np.nan)
    middle = (np.arange(count) + 0.5) * step
    at = np.where(there, np.bincount(place, t - t[0], count) / each, middle)
    own = np.bincount(place, u**2, count) / each**2
    return Bins(float(t[0]), step, at, values, float(own[there].mean()))


class Shape(Enum):
    """How a course goes to its end."""

    EXPONENTIAL = "exponential towards a final value"
    DIFFUSING = "as diffusion does, towards a final value"


@lru_cache(maxsize=1)
def _diffusing() -> tuple["Array", "Array"]:
    """The mean of a diffusing quantity in a slab over the root of time constants.

    ``8/pi^2`` times the sum over odd k of ``exp(-k^2 t/tau)/k^2``, with tau that of the slowest
    term: Crank, The mathematics of diffusion, from memory.
    """
    import numpy as np

    roots = np.linspace(0.0, 6.5, _TABLE)
    k = 2.0 * np.arange(_TERMS)[:, None] + 1.0
    terms = np.exp(-(k**2) * roots**2) / k**2
    means = terms.sum(axis=0) * 8.0 / math.pi**2
    means[0] = 1.0
    return roots, means


class _Course:
    """Bins in range, and their least squares under a noise that remembers."""

    def __init__(
        self, times: "Array", values: "Array", gaps: "Array", *, begin: float, memory: float
    ) -> None:
        import numpy as np

        self.times, self.begin, self.memory = times, begin, memory
        self._gaps = gaps
        self._ones = _whitened(np.ones(len(values)), gaps, memory)
        self._values = _whitened(values, gaps, memory)

    def lines(self, shapes: "Array") -> tuple["Array", "Array", "Array", "Array"]:
        """For each shape: constant, coefficient, squares left, variance factor of the constant."""
        import numpy as np

        rows, ones, y = _whitened(shapes, self._gaps, self.memory), self._ones, self._values
        oo, oy = float(ones @ ones), float(ones @ y)
        ox, xx, xy = rows @ ones, (rows**2).sum(axis=1), rows @ y
        determinant = oo * xx - ox**2
        # A shape that has long died away, or has yet to begin, is no shape.
        flat = ~(determinant > _FLAT * oo * xx)
        determinant = np.where(flat, 1.0, determinant)
        a = (xx * oy - ox * xy) / determinant
        b = (oo * xy - ox * oy) / determinant
        left = ((y - a[:, None] * ones - b[:, None] * rows) ** 2).sum(axis=1)
        return a, b, np.where(flat, np.inf, left), xx / determinant

    def shapes(self, taus: "Array", shape: Shape) -> "Array":
        """A row for each time constant, from 1 at the beginning down to 0."""
        import numpy as np

        if shape is Shape.EXPONENTIAL:
            rows: Array = np.exp(-self.times / taus[:, None])
            return rows
        roots, means = _diffusing()
        at = np.sqrt((self.times + self.begin) / taus[:, None])
        return np.interp(at, roots, means, right=0.0)

    def tail(self, tau: "Array", swing: "Array", shape: Shape) -> "Array":
        """How far from its end the exponential at the end of a course is where the bins begin."""
        import numpy as np

        if shape is Shape.EXPONENTIAL:
            return swing
        return swing * (8.0 / math.pi**2) * np.exp(-self.begin / tau)

    def level(self) -> float:
        """Squares that a constant alone leaves."""
        ones, y = self._ones, self._values
        return float(((y - ones * float(ones @ y) / float(ones @ ones)) ** 2).sum())


def _whitened(rows: "Array", gaps: "Array", memory: float) -> "Array":
    """Rows less what the one before tells of each; `gaps` is how many bins lie between."""
    import numpy as np

    share = memory**gaps
    scale = np.sqrt((1.0 - memory**2) / (1.0 - share**2))
    first = rows[..., :1] * math.sqrt(1.0 - memory**2)
    return np.concatenate([first, (rows[..., 1:] - share * rows[..., :-1]) * scale], axis=-1)


def fit_end(bins: Bins, *, confidence: float) -> Ending | Undetermined:
    """The end of an exponential through the bins, or why there is none; see `settle`.

    Parameters
    ----------
    bins : Bins
        Of readings in range.
    confidence : float
        Of the intervals, as a share.
    """
    import numpy as np

    there = ~np.isnan(bins.values)
    t, y = bins.times[there], bins.values[there]
    gaps = np.diff(np.flatnonzero(there)).astype(np.float64)
    n, span = len(y), float(t[-1])
    if n < FEWEST_BINS:
        return Undetermined(
            f"the readings lie in {n} stretches with long gaps between, and a final value needs "
            f"at least {FEWEST_BINS} of {len(bins.values)}"
        )
    if float(y.max() - y.min()) <= 1e-12 * max(1.0, abs(float(y[0]))):
        return Undetermined("all readings are the same, which no probe shows for long")
    # The memory is first that of what an ordinary fit leaves, then that of a weighted one.
    memory, rest = 0.0, np.full(len(bins.values), np.nan)
    for _ in range(3):
        course = _Course(t, y, gaps, begin=bins.begin, memory=memory)
        tau, shape = min(
            (_best(course, one, _FASTEST * span, _SLOWEST * span) for one in Shape),
            key=lambda found: found[0],
        )[1:]
        row = course.shapes(np.array([tau]), shape)
        a, b, left, _ = course.lines(row)
        rest[there] = y - a[0] - b[0] * row[0]
        memory = _memory(rest)
    worth = worth_of_mean(rest, confidence=confidence, taken=3)
    early = Undetermined(
        f"the course has run for {span / tau:.2g} of its time constants, or fewer, and at least "
        f"{LEAST_SPANS:g} are needed before its end can be told"
    )
    if worth.independent < FEWEST_EFFECTIVE:
        if span < LEAST_SPANS * tau:  # what is left is then the bend that does not fit
            return early
        return Undetermined(
            "what the curve leaves hangs together for so long that it tells no more than "
            f"{worth.independent:.2g} independent readings, and at least {FEWEST_EFFECTIVE:g} are "
            "needed"
        )
    floor = bins.floor * NormalDist().inv_cdf(0.5 + confidence / 2.0) ** 2
    allowed = max(worth.half_width**2 * n * (1.0 - course.memory) ** 2, floor)
    if allowed <= 0.0:
        return Undetermined("the readings do not scatter about the curve, as those of a probe do")
    most = float(left[0]) * (1.0 + 1e-9) + allowed  # the best is worked out again, in other rows
    if course.level() <= most:
        return _level(bins, confidence)
    straight = _straight(course, most)
    if straight is not None:
        return straight
    profiles = [_profile(course, one, tau, most) for one in Shape]
    found = [one for one in profiles if one is not None]
    if len(found) < len(profiles) or span < LEAST_SPANS * tau:
        return early
    taus, ends, reach, tails = (np.concatenate(each) for each in zip(*found, strict=True))
    value = float(a[0])
    return Ending(
        value=value,
        low=value - float((ends - reach).min()),
        high=float((ends + reach).max()) - value,
        pace=Estimate(tau, float(taus.min()), float(taus.max())),
        swing=float(course.tail(np.array([tau]), b, shape)[0]),
        effective=worth.effective,
        memory=course.memory,
        doubt=math.sqrt(allowed),
        why=shape.value,
        taus=taus,
        swings=tails,
    )


def _best(course: _Course, shape: Shape, low: float, high: float) -> tuple[float, float, Shape]:
    """The time constant that leaves the least squares, after those."""
    import numpy as np

    least, tau = math.inf, low
    while high / low > 1.0 + _SAME:
        taus = np.geomspace(low, high, _COARSE)
        left = course.lines(course.shapes(taus, shape))[2]
        best = int(np.argmin(left))
        least, tau = float(left[best]), float(taus[best])
        low, high = float(taus[max(best - 1, 0)]), float(taus[min(best + 1, _COARSE - 1)])
    return least, tau, shape


def _profile(
    course: _Course, shape: Shape, tau: float, most: float
) -> tuple["Array", "Array", "Array", "Array"] | None:
    """Time constants that leave no more than `most`: their ends, reaches and tails.

    None where the slowest that is looked at is one of them.
    """
    import numpy as np

    span = float(course.times[-1])
    low, high = _FASTEST * span, _SLOWEST * span
    for zoom in range(_ZOOMS):
        taus = np.sort(np.append(np.geomspace(low, high, _GRID), tau))
        a, b, left, factor = course.lines(course.shapes(taus, shape))
        fits = np.flatnonzero(left <= most)
        if not len(fits):  # this shape does not fit, or a grid so coarse can't tell
            fits = np.array([int(np.argmin(left))])
        if zoom == 0 and left[-1] <= most:
            return None
        if len(fits) >= _ENOUGH:
            break
        low = float(taus[max(fits[0] - 1, 0)])
        high = float(taus[min(fits[-1] + 1, len(taus) - 1)])
    fits = fits[left[fits] <= most]
    reach = np.sqrt(factor[fits] * (most - left[fits]))
    return taus[fits], a[fits], reach, course.tail(taus[fits], b[fits], shape)


def _memory(rest: "Array") -> float:
    """Correlation of neighbouring bins in what a curve of three coefficients leaves."""
    import numpy as np

    variance, beside = autocovariances(rest, 1).tolist()
    if variance <= 0.0:
        return 0.0
    seen = beside / variance
    count = int((~np.isnan(rest)).sum())
    return float(min(max(seen + (3.0 + 5.0 * seen) / count, 0.0), 0.99))


def _straight(course: _Course, most: float) -> Undetermined | None:
    """Why no end can be told from a course that has not bent, if so."""
    import numpy as np

    since = course.times + course.begin
    left = course.lines(np.stack([np.sqrt(since), since]))[2].tolist()
    for squares, words in zip(left, ("with the root of time", "straight on"), strict=True):
        if squares <= most:
            return Undetermined(
                f"the course still goes {words}, as well as exponentially, and so says nothing of "
                "its end"
            )
    return None


def _level(bins: Bins, share: float) -> Ending:
    """The end of a course that was level throughout: its mean."""
    import numpy as np

    worth = worth_of_mean(bins.values, confidence=share)
    value = float(np.nanmean(bins.values))
    n = int((~np.isnan(bins.values)).sum())
    z = NormalDist().inv_cdf(0.5 + share / 2.0)
    half = max(worth.half_width, z * math.sqrt(bins.floor / n))
    nothing = np.zeros(1)
    return Ending(
        value=value,
        low=half,
        high=half,
        pace=None,
        swing=0.0,
        effective=worth.effective,
        memory=0.0,
        doubt=half * math.sqrt(n),
        why="level throughout, as far as its scatter lets see",
        taus=nothing,
        swings=nothing,
    )


def variance_of_end(count: int, *, step: float, pace: float, swing: float, memory: float) -> float:
    """Variance factor of the end of an exponential from so many bins, s wide.

    Parameters
    ----------
    count : int
        Bins.
    step, pace : float
        Width of a bin, and time constant, s.
    swing : float
        How far from its end the course began.
    memory : float
        Correlation of neighbouring bins.
    """
    import numpy as np

    t = (np.arange(count) + 0.5) * step
    raw = np.stack([np.ones(count), np.exp(-t / pace), swing * t * np.exp(-t / pace)])
    rows = _whitened(raw, np.ones(count - 1), memory)
    scale = np.sqrt((rows**2).sum(axis=1))
    rows = rows / scale[:, None]
    return float(np.linalg.inv(rows @ rows.T)[0, 0] / scale[0] ** 2)
