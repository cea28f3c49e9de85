"""How a level moves while somebody pours: where it is, and where it will settle. Pure.

The sensor's stilling pipe and the tray itself let the level follow the can late. For a lag of first
order the water already poured brings it to `level + lag x rate`, exactly, at any moment; for a dead
time that holds while the rate is steady, and once the can stops it is on the safe side.
"""

from collections.abc import Sequence
from itertools import combinations
from math import sqrt
from statistics import median
from typing import NamedTuple

from longsoak.core.quality.trend import scatter_about

WINDOW = 6.0  # s over which the rate is found: several waves of a tray, which take about a second
CALM = 3.0  # s over which the level is found
FEWEST = 3  # samples, to have a rate and to tell a splash from a level
SHORTEST_LAG, USUAL_LAG, LONGEST_LAG = 5.0, 20.0, 120.0  # s; own choice
_RISE = 1.0  # mm that have to come after the can has stopped for a lag to be told from it
_PART = 0.9  # of what still came
_POURS = 5  # newest ones that count
_QUICK = 0.05  # mm/s, the least at which water that came to rest at once tells of a short lag


class Sample(NamedTuple):
    """A level in mm, and when it was read, s."""

    at: float
    mm: float


class Course(NamedTuple):
    """Where a level is at a time (s) and will settle, mm, and how fast it moves, mm/s.

    `rate_u` is what waves make of the rate: its standard uncertainty.
    """

    at: float
    level: float
    rate: float
    rate_u: float
    settles: float


def course(samples: Sequence[Sample], *, lag: float) -> Course | None:
    """What the newest samples say; None while there are too few.

    Parameters
    ----------
    samples : sequence of Sample
        In the order they were read.
    lag : float
        How far the level is behind the can, s.

    Returns
    -------
    Course or None
        The level is the median of the last `CALM` s, so that a splash does not move it. The rate is
        the median of the slopes between all pairs of the last `WINDOW` s (Theil 1950, Sen 1968;
        from memory), its doubt that of a line through evenly spaced points. Half of that window is
        added to the lag, because a median is as old as its middle. A falling level takes nothing
        off: what settles is never below what is there.
    """
    if not samples:
        return None
    newest = samples[-1].at
    inside = [sample for sample in samples if sample.at > newest - WINDOW]
    if len(inside) < FEWEST:
        return None
    slopes = [
        (after.mm - before.mm) / (after.at - before.at)
        for before, after in combinations(inside, 2)
        if after.at > before.at
    ]
    if not slopes:
        return None
    rate = median(slopes)
    off = [sample.mm - rate * (sample.at - newest) for sample in inside]
    middle = median(off)
    scatter = scatter_about(middle, off)
    rate_u = scatter * sqrt(12.0 / len(inside)) / (newest - inside[0].at)
    near = [sample.mm for sample in inside if sample.at > newest - CALM]
    level = median(near if len(near) >= FEWEST else [s.mm for s in inside[-FEWEST:]])
    return Course(newest, level, rate, rate_u, level + (lag + WINDOW / 2) * max(0.0, rate))


def lag_after(samples: Sequence[Sample], *, stopped: float, after: float) -> float | None:
    """How long the level took to follow one pour, s.

    Parameters
    ----------
    samples : sequence of Sample
        Levels from before the can stopped until the water was calm.
    stopped : float
        When it was said that the can had stopped, s.
    after : float
        The settled level, mm.

    Returns
    -------
    float or None
        Until nine tenths of what still came had come: 2.3 time constants of a lag of first order,
        so on the safe side. Where less than 1 mm came of a level that rose until then, the time in
        which it would have risen by 1 mm more than that. None where it rose no more, as when it was
        said late.
    """
    before = [sample for sample in samples if stopped - WINDOW < sample.at <= stopped]
    known = course(before, lag=0.0)
    if known is None:
        return None
    came = after - known.level
    # The last time below, not the first above: a wave may lap up there early.
    reached = known.level + _PART * came
    below = [s.at for s in samples if s.at > stopped and s.mm < reached]
    if came >= _RISE and below:
        return max(below) - stopped
    if known.rate - known.rate_u < _QUICK:
        return None
    return (max(0.0, came) + _RISE) / known.rate


def usual_lag(found: Sequence[float]) -> float:
    """The lag to go by, s, from those of earlier pours, the newest first: the longest of five."""
    known = found[:_POURS]
    if not known:
        return USUAL_LAG
    return min(LONGEST_LAG, max(SHORTEST_LAG, *known))
