"""A value with its confidence interval, and the distributions that such intervals rest on. Pure."""

import math
from dataclasses import dataclass
from functools import lru_cache

from longsoak.core.arrays import checked

_STEP = 0.35  # of the narrower of the two widths that are summed over
_FINE = 0.15  # below 5 degrees of freedom, where the wider one leans
_SMALL = 30.0  # what is less likely than exp(-30) is left out
_STEPS, _NEAR = 100, 1e-10  # of a search for a quantile, and how near in probability


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and the ends of its confidence interval, all in the value's unit."""

    value: float
    low: float
    high: float

    def holds(self, truth: float) -> bool:
        """Whether `truth` lies in the interval, its ends included."""
        return self.low <= truth <= self.high


def checked_confidence(confidence: float) -> float:
    """A confidence as a share.

    Raises
    ------
    PhysicsError
        It is not between 0.5 and 0.999.
    """
    return checked("confidence", confidence, lowest=0.5, highest=0.999, unit="as a share")


def normal_below(z: float) -> float:
    """How likely a standard normal value is to lie below `z`."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def noncentral_t_below(t: float, *, freedom: float, shift: float) -> float:
    """How likely a value of the noncentral t distribution is to lie below `t`.

    Parameters
    ----------
    t : float
        The value, finite.
    freedom : float
        Degrees of freedom, 1 to 1e6.
    shift : float
        Noncentrality, -1000 to 1000.

    Returns
    -------
    float
        0 to 1.

    Raises
    ------
    PhysicsError
        An argument is outside its range.

    Notes
    -----
    The mean over the scatter w (a chi with its degrees of freedom over their root) of the normal
    probability below ``t w - shift``, by Simpson's rule.

    Source: definition, from memory; within 1e-8 of a reference library.
    """
    checked("t", t, lowest=-1e9, highest=1e9, unit="")
    nu = checked("freedom", freedom, lowest=1.0, highest=1e6, unit="")
    checked("shift", shift, lowest=-1e3, highest=1e3, unit="")
    return _below(t, nu, shift)


@lru_cache(maxsize=64)  # places and pairs come in few numbers
def noncentral_t_quantile(probability: float, *, freedom: float, shift: float) -> float:
    """Quantile of the noncentral t distribution.

    Parameters
    ----------
    probability : float
        0.0001 to 0.9999.
    freedom, shift
        As for `noncentral_t_below`.

    Raises
    ------
    PhysicsError
        An argument is outside its range.

    Notes
    -----
    False position on `noncentral_t_below`, by the Illinois rule; from memory.
    """
    checked("probability", probability, lowest=1e-4, highest=1.0 - 1e-4, unit="")
    nu = checked("freedom", freedom, lowest=1.0, highest=1e6, unit="")
    checked("shift", shift, lowest=-1e3, highest=1e3, unit="")
    low, high = shift - 1.0, shift + 1.0
    while (under := _below(low, nu, shift) - probability) > 0.0:
        low -= 2.0 * (shift + 1.0 - low)
    while (over := _below(high, nu, shift) - probability) < 0.0:
        high += 2.0 * (high - shift + 1.0)
    for _ in range(_STEPS):
        at = high - over * (high - low) / (over - under)
        found = _below(at, nu, shift) - probability
        if abs(found) < _NEAR or not low < at < high:
            return at
        # Illinois: the end that stays counts half, or it would stay for ever.
        if found < 0.0:
            low, under, over = at, found, over / 2.0
        else:
            high, over, under = at, found, under / 2.0
    return (low + high) / 2.0


def _below(t: float, nu: float, shift: float) -> float:
    places, weights = _scatter(nu, abs(shift))
    return min(
        1.0,
        math.fsum(
            weight * normal_below(t * w - shift) for w, weight in zip(places, weights, strict=True)
        ),
    )


@lru_cache(maxsize=32)  # a quantile is searched over one and the same scatter
def _scatter(nu: float, shift: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Places of a chi over the root of its degrees of freedom, and their weights, sum 1.

    Evenly spaced in the logarithm, where the density falls off at both ends by itself: the plain
    sum then converges faster than any power of the step.
    """
    step = (_STEP if nu >= 5.0 else _FINE) * min(1.0 / math.sqrt(2.0 * nu), 1.0 / max(1.0, shift))
    left = _SMALL / nu + 0.5 if nu < 100.0 else 2.0 * math.sqrt(_SMALL / nu)
    right = math.sqrt(_SMALL / nu)
    logs = [step * i for i in range(-math.ceil(left / step), math.ceil(right / step) + 1)]
    raw = [math.exp(nu * (x - 0.5 * math.expm1(2.0 * x))) for x in logs]
    total = math.fsum(raw)
    return tuple(map(math.exp, logs)), tuple(r / total for r in raw)
