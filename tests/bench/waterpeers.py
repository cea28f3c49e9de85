"""How long the water lasts by a plain line through the last day, as anybody would draw it."""

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from scipy import stats

from faults.waterdriven import START_MS
from faults.waterworld.sensors import LEVEL
from faults.waterworld.shape import Shape
from faults.waterworld.weather import HOUR
from longsoak.store.reader import Record

LOOKS_BACK = 24  # h

# Hours since the start, and litres in the tray; to litres lost in an hour.
Line = Callable[[Sequence[float], Sequence[float]], float]


class Hourly(NamedTuple):
    """The mean level of each hour in which there was any: hours since the start, litres."""

    hours: list[float]
    litres: list[float]


def hourly(record: Record, shape: Shape, *, until: float) -> Hourly:
    """The level of the hours up to `until`, s since the start."""
    first = until - LOOKS_BACK * HOUR
    means = record.reduced(
        [LEVEL],
        since_ms=START_MS + round(1000 * first),
        until_ms=START_MS + round(1000 * until),
        buckets=LOOKS_BACK,
    )[LEVEL]
    there = [(each.utc_ms, each.mean) for each in means if each.mean is not None]
    return Hourly(
        [(at - START_MS) / 1000 / HOUR for at, _ in there],
        [shape.volume(mean) for _, mean in there],
    )


def _two_points(hours: Sequence[float], litres: Sequence[float]) -> float:
    return (litres[0] - litres[-1]) / (hours[-1] - hours[0])


def _least_squares(hours: Sequence[float], litres: Sequence[float]) -> float:
    return -float(np.polyfit(hours, litres, 1)[0])


def _theil_sen(hours: Sequence[float], litres: Sequence[float]) -> float:
    return -float(stats.theilslopes(litres, hours).slope)


PEERS: Mapping[str, Line] = {
    "two points a day apart": _two_points,
    "numpy.polyfit of the last 24 h": _least_squares,
    "scipy theilslopes of the last 24 h": _theil_sen,
}


def days_left(level: Hourly, shape: Shape, line: Line) -> float | None:
    """Days until the pump would suck air, by a line; None where the line does not fall."""
    if len(level.hours) < LOOKS_BACK // 2:
        return None
    rate = 24 * line(level.hours, level.litres)
    left = level.litres[-1] - shape.volume(shape.pump_needs)
    return max(0.0, left) / rate if rate > 0 else None
