"""A straight line through points, and how straight they are. Pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

LEAST_CORRELATION = 0.98  # ASTM C1585
# The standards leave straightness to the eye. Here: a parabola through the same points bows away
# from the line by no more than this share of what was taken up between them.
LARGEST_BOW = 0.03


@dataclass(frozen=True, slots=True)
class Line:
    """The line of least squares; `squares` and `bow` say how far the points lie off it."""

    slope: float
    intercept: float
    correlation: float
    u_slope: float
    squares: float  # sum of squared residuals
    bow: float  # of a parabola through the same points, as a share of the line's rise

    @property
    def straight(self) -> bool:
        """Whether the points lie on it well enough to be called straight."""
        return self.correlation >= LEAST_CORRELATION and self.bow <= LARGEST_BOW


def line_through(xs: Sequence[float], ys: Sequence[float]) -> Line:
    """Least squares, about the means so that nothing is lost in large sums."""
    n = len(xs)
    mean_x, mean_y = math.fsum(xs) / n, math.fsum(ys) / n
    dx, dy = [x - mean_x for x in xs], [y - mean_y for y in ys]
    xx, yy = math.fsum(d * d for d in dx), math.fsum(d * d for d in dy)
    if xx == 0.0:  # one point
        return Line(0.0, mean_y, 0.0, 0.0, 0.0, 0.0)
    xy = math.fsum(a * b for a, b in zip(dx, dy, strict=True))
    slope = xy / xx
    residuals = [b - slope * a for a, b in zip(dx, dy, strict=True)]
    squares = math.fsum(r * r for r in residuals)
    return Line(
        slope,
        mean_y - slope * mean_x,
        xy / math.sqrt(xx * yy) if yy > 0.0 else 0.0,
        math.sqrt(squares / (n - 2) / xx) if n > 2 else 0.0,
        squares,
        _bow(dx, residuals, rise=abs(slope) * (max(dx) - min(dx))),
    )


def _bow(dx: Sequence[float], residuals: Sequence[float], *, rise: float) -> float:
    """How far a parabola through the points leaves the line, as a share of the line's rise.

    The parabola less the line is c p(x), with p the square cleared of its own line, so c comes
    from the residuals alone.
    """
    n = len(dx)
    if n < 3 or rise == 0.0:
        return 0.0
    xx = math.fsum(d * d for d in dx)
    skew = math.fsum(d**3 for d in dx) / xx
    p = [d * d - xx / n - skew * d for d in dx]
    c = math.fsum(a * r for a, r in zip(p, residuals, strict=True)) / math.fsum(a * a for a in p)
    return max(abs(c * a) for a in p) / rise
