"""How many days until the pump would run dry, and until the reservoir is, with a range. Pure.

What evaporates goes with the free surface, in mm a day alike at any depth; what a specimen takes
up or a leak loses is a volume a day, whatever the surface is.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import hypot, inf, sqrt
from statistics import fmean, stdev
from typing import NamedTuple

from longsoak.core.water.vessel import Table, volume

# What the mean of some days to come differs by, over what independent days would: a dry spell lasts
# for days. Own choice: as days of which each has 0.6 of the one before (a first-order process).
WEATHER_LASTS = 2.0
_NO_DAYS = 0.25  # of the rate, standard, where fewer than three days were seen. Own choice.
_COVERAGE = 1.96


class Draw(NamedTuple):
    """What is lost: `evaporates` in mm/d of the surface, `constant` in L/d, whatever it is."""

    evaporates: float
    constant: float


class Days(NamedTuple):
    """Days until a level is reached, with the ends of a 95 % range; inf is never."""

    days: float
    low: float
    high: float


def days_until(level: float, depth: float, table: Table, draw: Draw) -> float | None:
    """Days until the water has gone down from a level to a depth.

    Parameters
    ----------
    level, depth : float
        Now and then, mm above the floor.
    table : sequence of (float, float)
        Depths in mm with volumes in L.
    draw : Draw
        What is lost.

    Returns
    -------
    float or None
        0 where it is there already, inf where nothing is lost; None where the table does not reach
        either of the two.

    Notes
    -----
    Between two rows of the table the surface S is the same, so is the loss, S e + q.
    """
    if volume(level, table) is None or volume(depth, table) is None:
        return None
    days = 0.0
    for (low_mm, low_l), (high_mm, high_l) in pairwise(table):
        top, bottom = min(high_mm, level), max(low_mm, depth)
        if top <= bottom:
            continue
        surface = (high_l - low_l) / (high_mm - low_mm)
        lost = surface * draw.evaporates + draw.constant
        if lost <= 0.0:
            return inf
        days += surface * (top - bottom) / lost
    return days


def forecast(
    level: float,
    depth: float,
    table: Table,
    draw: Draw,
    *,
    rate_u: float,
    daily: Sequence[float] = (),
    level_u: float = 0.0,
) -> Days | None:
    """The same with a range.

    Parameters
    ----------
    level, depth, table, draw
        As for `days_until`.
    rate_u : float
        Standard uncertainty of the loss, L/d.
    daily : sequence of float
        What was lost in past days, L/d: what they differ by is the weather to come.
    level_u : float
        Standard uncertainty of the level, mm.

    Notes
    -----
    Over D days the mean of the weather differs by ``2 s / sqrt(D)``, ``s`` being what single days
    differ by; D is what the middle figure came to, and at least one day. What the later half of the
    past days differs by from the earlier may go on as far: an uptake that ebbs does so, and to
    carry its slope on instead was found to miss by more on simulated reservoirs.
    """
    days = days_until(level, depth, table, draw)
    if days is None or days in (0.0, inf):
        return None if days is None else Days(days, days, days)
    litres = (volume(level, table) or 0.0) - (volume(depth, table) or 0.0)
    rate = litres / days
    one_day = stdev(daily) if len(daily) >= 3 else _NO_DAYS * rate
    by_weather = WEATHER_LASTS * one_day / sqrt(max(1.0, days))
    by_level = level_u / (level - depth)
    half = len(daily) // 2
    drift = fmean(daily[-half:]) - fmean(daily[:half]) if half >= 2 else 0.0
    by_days = hypot(min(by_weather, one_day), drift / 2)
    share = _COVERAGE * hypot(rate_u / rate, by_days / rate, by_level)
    low = days / (1.0 + share)
    return Days(days, low, days / (1.0 - share) if share < 1.0 else inf)
