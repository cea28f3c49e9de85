"""Small changes that add up: CUSUM and EWMA charts, both ways, a step at a time. Pure.

References
----------
The charts of the NIST/SEMATECH e-Handbook, 6.3.2.3 and 6.3.2.4 (from memory).
"""

from dataclasses import dataclass
from typing import NamedTuple


class Sums(NamedTuple):
    """What a CUSUM chart remembers, in the unit of its values."""

    high: float = 0.0
    low: float = 0.0


@dataclass(frozen=True, slots=True)
class Cusum:
    """Two-sided tabular CUSUM: deviations from 0 beyond `allowance` are added up.

    Parameters
    ----------
    allowance : float
        What a deviation may be without counting: half of the smallest shift that matters.
    decision : float
        A sum above it signals.
    """

    allowance: float
    decision: float

    def step(self, sums: Sums, deviation: float) -> Sums:
        """Take in one deviation."""
        high = max(0.0, sums.high + deviation - self.allowance)
        low = max(0.0, sums.low - deviation - self.allowance)
        return Sums(high, low)

    def signal(self, sums: Sums) -> int:
        """1 if the values have risen, -1 if they have fallen, 0 if neither can be said."""
        if max(sums.high, sums.low) <= self.decision:
            return 0
        return 1 if sums.high >= sums.low else -1


@dataclass(frozen=True, slots=True)
class Ewma:
    """Exponentially weighted moving average of deviations from 0.

    Parameters
    ----------
    weight : float
        Of the newest, above 0, up to 1.
    width : float
        Of the control limits, in standard deviations of the average.
    spread : float
        Standard deviation of one deviation.
    """

    weight: float
    width: float
    spread: float

    @property
    def limit(self) -> float:
        """How far the average may be from 0 once it has run for long."""
        return float(self.width * self.spread * (self.weight / (2 - self.weight)) ** 0.5)

    def step(self, average: float, deviation: float) -> float:
        """Take in one deviation."""
        return self.weight * deviation + (1 - self.weight) * average

    def signal(self, average: float) -> int:
        """1 if the values have risen, -1 if they have fallen, 0 if neither can be said."""
        if abs(average) <= self.limit:
            return 0
        return 1 if average > 0 else -1
