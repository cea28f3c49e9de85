"""What a day of one probe's readings comes to. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from math import isnan, nan, sqrt
from operator import add, mul, sub
from typing import NamedTuple

_ENOUGH = 8  # readings that make a day
_WHOLE = 0.75  # of a day's readings: the mean of a morning is not the mean of its day


class Day(NamedTuple):
    """A day that is over: its mean, its noise, and how many readings came and were good.

    `mean` is NaN where too few of the readings had a value to stand for the day.

    `noise` is the standard deviation of a reading as its neighbours in time tell it, whatever the
    day did; NaN where there were too few.
    """

    number: int
    mean: float
    noise: float
    readings: int
    good: int


@dataclass(slots=True)
class DaySums:
    """What has come of one day so far."""

    number: int
    readings: int = 0
    good: int = 0
    valued: int = 0
    total: float = 0.0
    first: float = nan
    last: float = nan
    squares: float = 0.0  # of the steps from reading to reading

    def add(self, values: Sequence[float], *, good: int) -> None:
        """Take in some readings in their order; NaN is one without a value."""
        self.readings += len(values)
        self.good += good
        if isnan(sum(values)):
            values = [value for value in values if not isnan(value)]
        if not values:
            return
        row = [self.last, *values] if self.valued else values
        if not self.valued:
            self.first = values[0]
        steps = list(map(sub, row[1:], row))
        # One after the other, so that it comes to the same whatever came at once.
        self.squares = reduce(add, map(mul, steps, steps), self.squares)
        self.total = reduce(add, values, self.total)
        self.valued += len(values)
        self.last = values[-1]

    def over(self) -> Day:
        """The day as it was."""
        enough = self.valued >= max(_ENOUGH, _WHOLE * self.readings)
        mean = self.total / self.valued if enough else nan
        noise = nan
        if (steps := self.valued - 1) >= _ENOUGH:
            along = (self.last - self.first) / steps
            noise = sqrt(max(0.0, self.squares / steps - along * along) / 2)
        return Day(self.number, mean, noise, self.readings, self.good)
