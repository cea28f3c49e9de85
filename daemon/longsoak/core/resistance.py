"""Resistance between two pins to the moisture content of the wood between them. Pure.

A curve is a published table at its own reference temperature, interpolated in the logarithm of
the resistance: any two-parameter fit of such a table loses 0.1 to 0.5 % MC (computed). Wood warmer
than the reference conducts better and reads too wet; the correction takes the wood's temperature.
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import hypot, log10

from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.rig import Curve

COLDEST, WARMEST = -10.0, 40.0  # degC, where corrections of this form have been tried
RESISTANCE_UNCERTAINTY = 0.01  # relative, standard: a meter's own, in range and dry leads
TEMPERATURE_UNCERTAINTY = 0.5  # K, standard: a digital thermometer beside the pins
# The correction is neutral at 22.7 degC, the handbook table at 26.7 degC; which of the two its
# author calibrated at is not known, and chaining them differs by up to 0.7 % MC (computed).
REFERENCE_UNCERTAINTY = 0.5  # % MC, standard


class Reach(Enum):
    """Where a resistance lies against the ends of its curve."""

    WITHIN = "within"
    DRIER = "drier than the curve reaches"
    WETTER = "wetter than the curve reaches"


@dataclass(frozen=True, slots=True)
class MoistureContent:
    """Oven-dry moisture content and its standard uncertainty, both in %."""

    value: float
    uncertainty: float
    reach: Reach


@dataclass(frozen=True, slots=True)
class PreparedCurve:
    """A `Curve` turned round for lookup: log10 of Ohm rising, moisture content falling."""

    log_resistance: tuple[float, ...]
    moisture: tuple[float, ...]
    reference_temperature: float
    uncertainty: float


def prepare(curve: Curve) -> PreparedCurve:
    """Turn a curve round for lookup."""
    rows = sorted((log10(ohm), content) for content, ohm in curve.points)
    return PreparedCurve(
        tuple(row[0] for row in rows),
        tuple(row[1] for row in rows),
        curve.reference_temperature,
        curve.uncertainty,
    )


def corrected(indicated: float, temperature: float) -> float:
    """Moisture content from an indication on a scale that is right at 22.7 degC.

    Parameters
    ----------
    indicated : float
        Indicated moisture content, %. Not ohms: the formula's "R" is a meter reading.
    temperature : float
        Temperature of the wood, degC.

    Returns
    -------
    float
        Moisture content, %.

    Notes
    -----
    Source: Garrahan 1988, as used with the resistance relation of Straube, Onysko and
    Schumacher 2002; from memory, supported by calculation (tests/reference).
    """
    return (indicated + 0.567 - 0.0260 * temperature + 0.000051 * temperature**2) / (
        0.881 * math.pow(1.0056, temperature)
    )


def indicated(moisture_content: float, temperature: float) -> float:
    """What a scale that is right at 22.7 degC would indicate: the inverse of `corrected`."""
    return (
        moisture_content * 0.881 * math.pow(1.0056, temperature)
        - 0.567
        + 0.0260 * temperature
        - 0.000051 * temperature**2
    )


def moisture_content(
    resistance: float, temperature: float, curve: PreparedCurve
) -> MoistureContent:
    """Moisture content of the wood between two pins.

    The curve's value at its own reference temperature is first put on the correction's scale,
    then corrected for the wood's temperature, so that at the reference temperature the curve
    itself comes back.

    Parameters
    ----------
    resistance : float
        Ohm, positive.
    temperature : float
        Temperature of the wood, degC.
    curve : PreparedCurve
        The species' curve.

    Returns
    -------
    MoistureContent
        Beyond the curve's ends the end itself, corrected, with `reach` saying so.

    Raises
    ------
    PhysicsError
        `resistance` is not positive, or `temperature` is outside -10 to 40 degC.
    """
    if not resistance > 0:
        raise PhysicsError("resistance", f"{resistance!r} Ohm", "more than 0")
    if not COLDEST <= temperature <= WARMEST:
        raise PhysicsError(
            "temperature", f"{temperature!r} degC", f"{COLDEST:g} to {WARMEST:g} degC"
        )
    log_r = log10(resistance)
    reach = Reach.WITHIN
    if log_r < curve.log_resistance[0]:
        log_r, reach = curve.log_resistance[0], Reach.WETTER
    elif log_r > curve.log_resistance[-1]:
        log_r, reach = curve.log_resistance[-1], Reach.DRIER
    at_reference, slope = _interpolate(log_r, curve.log_resistance, curve.moisture)
    scale = indicated(at_reference, curve.reference_temperature)
    value = corrected(scale, temperature)
    # First-order propagation; the two slopes are those of the functions above.
    stretch = math.pow(1.0056, curve.reference_temperature - temperature)
    per_decade = slope * stretch
    per_kelvin = corrected(scale, temperature + 0.5) - corrected(scale, temperature - 0.5)
    uncertainty = hypot(
        curve.uncertainty * stretch,
        REFERENCE_UNCERTAINTY,
        per_decade * RESISTANCE_UNCERTAINTY / 2.302585,
        per_kelvin * TEMPERATURE_UNCERTAINTY,
    )
    return MoistureContent(value, uncertainty, reach)


def _interpolate(x: float, xs: Sequence[float], ys: Sequence[float]) -> tuple[float, float]:
    """Value and slope of the straight line between the two points around `x`."""
    upper = min(max(bisect_left(xs, x), 1), len(xs) - 1)
    slope = (ys[upper] - ys[upper - 1]) / (xs[upper] - xs[upper - 1])
    return ys[upper - 1] + slope * (x - xs[upper - 1]), slope
