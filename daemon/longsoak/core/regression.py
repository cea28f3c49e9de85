"""Ordinary least squares and Student's t, for small sets. Pure.

Checked against JCGM 100 (GUM) H.3 and the NIST data set Norris in tests/reference/test_fitting.py.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import fsum, sqrt

from longsoak.vocabulary.errors import PhysicsError


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """A line through points: ordinary least squares with a constant.

    `coefficients` holds the constant first; `covariance` is theirs. `leverages` is the diagonal
    of the hat matrix, `deviation` the residual standard deviation, `freedom` its degrees of
    freedom.
    """

    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residuals: tuple[float, ...]
    leverages: tuple[float, ...]
    deviation: float
    freedom: float
    r_squared: float

    def at(self, row: Sequence[float]) -> tuple[float, float]:
        """Value and variance of the line itself at `row`, its regressors without the constant."""
        full = (1.0, *row)
        value = fsum(c * v for c, v in zip(self.coefficients, full, strict=True))
        variance = fsum(
            v * w * c
            for v, line in zip(full, self.covariance, strict=True)
            for w, c in zip(full, line, strict=True)
        )
        return value, max(0.0, variance)


def least_squares(columns: Sequence[Sequence[float]], y: Sequence[float]) -> LeastSquares:
    """Fit `y` by a constant and `columns`.

    Orthogonalises the columns one after the other (modified Gram-Schmidt), the constant first, so
    that values far from zero lose no digits.

    Parameters
    ----------
    columns : sequence of sequences of float
        The regressors, each as long as `y`.
    y : sequence of float
        What is fitted, at least one more than there are coefficients.

    Raises
    ------
    PhysicsError
        Too few values, or a column that the others already give.
    """
    count, width = len(y), len(columns) + 1
    if count <= width:
        raise PhysicsError("number of pairs", count, f"at least {width + 1}")
    basis: list[list[float]] = []
    upper = [[0.0] * width for _ in range(width)]
    for j, column in enumerate(([1.0] * count, *columns)):
        rest = list(column)
        before = sqrt(fsum(v * v for v in rest))
        for i, unit in enumerate(basis):
            upper[i][j] = _dot(unit, rest)
            rest = [v - upper[i][j] * q for v, q in zip(rest, unit, strict=True)]
        upper[j][j] = sqrt(fsum(v * v for v in rest))
        if not upper[j][j] > 1e-10 * before:
            raise PhysicsError(f"regressor {j}", "told by the others", "one that varies by itself")
        basis.append([v / upper[j][j] for v in rest])
    residuals, along, total = list(y), [], 0.0
    for unit in basis:
        along.append(_dot(unit, residuals))
        residuals = [r - along[-1] * q for r, q in zip(residuals, unit, strict=True)]
        if len(along) == 1:
            total = fsum(r * r for r in residuals)
    inverse = _inverted(upper)
    left = fsum(r * r for r in residuals)
    freedom = count - width
    covariance = [[_dot(row, other) * left / freedom for other in inverse] for row in inverse]
    return LeastSquares(
        coefficients=tuple(_dot(row, along) for row in inverse),
        covariance=tuple(map(tuple, covariance)),
        residuals=tuple(residuals),
        leverages=tuple(fsum(unit[i] ** 2 for unit in basis) for i in range(count)),
        deviation=sqrt(left / freedom),
        freedom=freedom,
        r_squared=1.0 - left / total if total > 0.0 else 0.0,
    )


def _dot(a: Iterable[float], b: Iterable[float]) -> float:
    return fsum(v * w for v, w in zip(a, b, strict=True))


def _inverted(upper: list[list[float]]) -> list[list[float]]:
    """The inverse of an upper triangle, by back substitution."""
    width = len(upper)
    inverse = [[0.0] * width for _ in range(width)]
    for j in range(width):
        inverse[j][j] = 1.0 / upper[j][j]
        for i in range(j - 1, -1, -1):
            reach = fsum(upper[i][k] * inverse[k][j] for k in range(i + 1, j + 1))
            inverse[i][j] = -reach / upper[i][i]
    return inverse


@lru_cache(maxsize=64)  # a drawing asks for the same one a hundred times
def student_quantile(probability: float, freedom: float) -> float:
    """Quantile of Student's t distribution.

    Parameters
    ----------
    probability : float
        From 1e-9 to 1 - 1e-9.
    freedom : float
        Degrees of freedom, 1 to 1e6.

    Raises
    ------
    PhysicsError
        An argument is outside its range.

    Notes
    -----
    By Newton's steps from the normal quantile: the tail is convex and the normal one is the
    shorter, so that each step ends short of it, and nearer. The distribution is an incomplete beta
    function by its continued fraction (modified Lentz). Source: Abramowitz and Stegun, 26.5.8 and
    26.7.1, from memory; checked against a reference library within 1e-9.

    Examples
    --------
    >>> round(student_quantile(0.975, 8), 6)
    2.306004
    """
    if not 1e-9 <= probability <= 1.0 - 1e-9:
        raise PhysicsError("probability", probability, "1e-9 to 1 - 1e-9")
    if not 1.0 <= freedom <= 1e6:
        raise PhysicsError("freedom", freedom, "1 to 1e6")
    if probability < 0.5:
        return -student_quantile(1.0 - probability, freedom)
    from statistics import NormalDist  # which a start of measuring does without

    tail, half = 1.0 - probability, 0.5 * freedom
    peak = math.exp(math.lgamma(half + 0.5) - math.lgamma(half)) / math.sqrt(math.pi * freedom)
    found = max(0.0, NormalDist().inv_cdf(probability))
    for _ in range(100):
        density = peak * math.exp(-(half + 0.5) * math.log1p(found * found / freedom))
        step = (student_upper_tail(found, freedom) - tail) / density
        found += step
        if step <= 1e-15 * found:
            break
    return found


def student_upper_tail(t: float, freedom: float) -> float:
    """How likely a value of Student's t distribution beyond `t`, 0 or more, is."""
    x, rest = freedom / (freedom + t * t), t * t / (freedom + t * t)
    a, b = 0.5 * freedom, 0.5
    if rest == 0.0:
        return 0.5
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log(rest)
    )
    if x < (a + 1.0) / (a + b + 2.0):  # where the fraction converges fast
        return 0.5 * front * _beta_fraction(a, b, x) / a
    return 0.5 - 0.5 * front * _beta_fraction(b, a, rest) / b


def _beta_fraction(a: float, b: float, x: float) -> float:
    tiny = 1e-300
    c, d = 1.0, 1.0 / (1.0 - (a + b) * x / (a + 1.0) or tiny)
    value = d
    for m in range(1, 10_000):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for step in (even, odd):
            d = 1.0 / (1.0 + step * d or tiny)
            c = 1.0 + step / c or tiny
            value *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return value
