"""The published shapes of resistance against moisture content, at one temperature. Pure.

Each relation gives moisture content and its slope over x = log10(R/Ohm), and the inverse; a float
or a numpy array goes in, the same shape comes out. Where a relation is defined is its caller's to
mind: `longsoak.core.resistance` never leaves the range a curve was made for.
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
from itertools import pairwise
from typing import Protocol

from longsoak.core.arrays import Numbers, exp10, interpolated, log10
from longsoak.vocabulary.curve import Curve, Form

LN10 = math.log(10.0)


class Relation(Protocol):
    """Moisture content u in % over x = log10(R/Ohm), falling everywhere."""

    def moisture(self, x: Numbers) -> tuple[Numbers, Numbers]:
        """Moisture content, %, and its slope, % per decade."""
        ...

    def log_resistance(self, u: Numbers) -> Numbers:
        """Logarithm of the resistance at a moisture content."""
        ...


class Table:
    """Straight in x between the rows of a table.

    Any two-parameter fit of the handbook's rows loses 0.1 to 0.5 % MC (computed), so the rows
    themselves are used.
    """

    def __init__(self, points: Sequence[tuple[float, float]]) -> None:
        rows = sorted((math.log10(ohm), content) for content, ohm in points)
        self._x = tuple(row[0] for row in rows)
        self._u = tuple(row[1] for row in rows)
        self._inner = self._x[1:-1]
        self._lines = tuple(
            (x, u, (next_u - u) / (next_x - x)) for (x, u), (next_x, next_u) in pairwise(rows)
        )

    def moisture(self, x: Numbers) -> tuple[Numbers, Numbers]:
        """See `Relation.moisture`."""
        if isinstance(x, float):
            low, u, slope = self._lines[bisect_left(self._inner, x)]
            return u + slope * (x - low), slope
        return interpolated(x, self._x, self._u)

    def log_resistance(self, u: Numbers) -> Numbers:
        """See `Relation.log_resistance`."""
        rising_u, falling_x = self._u[::-1], self._x[::-1]
        if isinstance(u, float):
            low = min(max(bisect_left(rising_u, u), 1), len(rising_u) - 1) - 1
            slope = (falling_x[low + 1] - falling_x[low]) / (rising_u[low + 1] - rising_u[low])
            return falling_x[low] + slope * (u - rising_u[low])
        return interpolated(u, rising_u, falling_x)[0]


class DoubleLog:
    """log10 u = a - b log10 x.

    Source: for Douglas-fir a = 2.99, b = 2.113, Straube, Onysko and Schumacher 2002; from memory,
    supported by calculation.
    """

    def __init__(self, a: float, b: float) -> None:
        self._a, self._b = a, b

    def moisture(self, x: Numbers) -> tuple[Numbers, Numbers]:
        """See `Relation.moisture`."""
        u = exp10(self._a - self._b * log10(x))
        return u, -self._b * u / x

    def log_resistance(self, u: Numbers) -> Numbers:
        """See `Relation.log_resistance`."""
        return exp10((self._a - log10(u)) / self._b)


class MegohmLog:
    """log10(log10(R/MOhm) + 1) = a u + b, the shape of the European species curves.

    Source: the form of Samuelsson and of VTT 420 (Forsen and Tarvainen 2000), second hand. No
    coefficients ship: those remembered are not sure enough.
    """

    def __init__(self, a: float, b: float) -> None:
        self._a, self._b = a, b

    def moisture(self, x: Numbers) -> tuple[Numbers, Numbers]:
        """See `Relation.moisture`."""
        inner = x - 5.0
        return (log10(inner) - self._b) / self._a, 1.0 / (LN10 * self._a * inner)

    def log_resistance(self, u: Numbers) -> Numbers:
        """See `Relation.log_resistance`."""
        return exp10(self._a * u + self._b) + 5.0


class Power:
    """log10 u = a + b x, as mineral materials tend to follow."""

    def __init__(self, a: float, b: float) -> None:
        self._a, self._b = a, b

    def moisture(self, x: Numbers) -> tuple[Numbers, Numbers]:
        """See `Relation.moisture`."""
        u = exp10(self._a + self._b * x)
        return u, LN10 * self._b * u

    def log_resistance(self, u: Numbers) -> Numbers:
        """See `Relation.log_resistance`."""
        return (log10(u) - self._a) / self._b


def relation_of(curve: Curve) -> Relation:
    """The relation a curve's data describe."""
    if curve.form is Form.TABLE:
        return Table(curve.points)
    a, b = curve.coefficients
    if curve.form is Form.DOUBLE_LOG:
        return DoubleLog(a, b)
    if curve.form is Form.MEGOHM_LOG:
        return MegohmLog(a, b)
    return Power(a, b)
