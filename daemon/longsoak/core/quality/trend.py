"""Which way some values go, and how fast, whatever a few of them do. Pure."""

from collections import Counter
from collections.abc import Iterable, Sequence
from math import erfc, sqrt
from statistics import NormalDist, median
from typing import NamedTuple

_NORMAL = 1.4826  # standard deviations in a median deviation of normal values


class Slope(NamedTuple):
    """A slope and the ends of its interval, in units of `y` for one of `x`."""

    slope: float
    low: float
    high: float


class Trend(NamedTuple):
    """Whether values rise or fall: `s` counts pairs that do, `p` is two-sided."""

    s: int
    variance: float
    z: float
    p: float


def theil_sen(x: Sequence[float], y: Sequence[float], *, confidence: float = 0.95) -> Slope:
    """The median of the slopes between all pairs, with an interval.

    Parameters
    ----------
    x, y : sequence of float
        Alike in length; at least two different `x`.
    confidence : float
        Of the interval.

    Raises
    ------
    ValueError
        There is no pair with different `x`.

    References
    ----------
    Sen (1968), as scipy.stats.theilslopes works it out; checked against it.
    """
    slopes = sorted(
        (y[j] - y[i]) / (x[j] - x[i])
        for i in range(len(x))
        for j in range(i + 1, len(x))
        if x[i] != x[j]
    )
    if not slopes:
        raise ValueError("no two of the values were taken at different times")
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    spread = z * sqrt(max(0.0, _pairs_variance(y) - _ties(x)))
    count = len(slopes)
    high = min(round((count + spread) / 2), count - 1)
    low = max(round((count - spread) / 2) - 1, 0)
    return Slope(median(slopes), slopes[low], slopes[high])


def scatter_about(middle: float, values: Iterable[float]) -> float:
    """The standard deviation that the median deviation from a middle tells of normal values."""
    return _NORMAL * median(abs(value - middle) for value in values)


def mann_kendall(y: Sequence[float]) -> Trend:
    """Whether values rise or fall as they come, by the Mann-Kendall test, corrected for ties.

    References
    ----------
    Mann (1945), Kendall (1975); checked against values computed with another package.
    """
    s = sum((b > a) - (b < a) for i, a in enumerate(y) for b in y[i + 1 :])
    variance = _pairs_variance(y)
    z = 0.0 if s == 0 or not variance else (s - (1 if s > 0 else -1)) / sqrt(variance)
    return Trend(s, variance, z, erfc(abs(z) / sqrt(2)))


def _pairs_variance(y: Sequence[float]) -> float:
    """The variance that Kendall's S has while there is no trend."""
    n = len(y)
    return (n * (n - 1) * (2 * n + 5) - _ties(y) * 18) / 18


def _ties(y: Sequence[float]) -> float:
    """What values that occur more than once take off that variance."""
    return sum(k * (k - 1) * (2 * k + 5) for k in Counter(y).values()) / 18
