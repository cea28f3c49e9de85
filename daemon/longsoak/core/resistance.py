"""Resistance between two pins to the moisture content of the wood between them, and back. Pure.

A curve holds at its own reference temperature. Wood warmer than that conducts better and would read
too wet, so the wood's temperature corrects it, in the way the curve names. Every value carries a
standard uncertainty, the parts of which `parts_of` tells apart.
"""

import math
from dataclasses import dataclass
from enum import Enum
from math import hypot, inf, isfinite
from typing import TYPE_CHECKING, NamedTuple

from longsoak.core.arrays import Numbers, checked, exp10
from longsoak.core.curveuncertainty import curve_uncertainty, widened
from longsoak.core.relations import LN10, Relation, relation_of
from longsoak.vocabulary.curve import Correction, Curve
from longsoak.vocabulary.errors import PhysicsError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from longsoak.core.arrays import Array

COLDEST, WARMEST = -20.0, 50.0  # degC, beyond which nothing is converted
# degC: a trial on one species went from -10 to 40 (Daouk et al. 2021, abstract), and frozen wood is
# no wood a pair of pins can measure (from memory).
TRIED = (0.0, 40.0)

# Garrahan's regression, in % indicated moisture content and degC.
_G0, _G1, _G2, _G3, _G4 = 0.567, 0.0260, 0.000051, 0.881, 1.0056
_LN_G4, _LOG_G4 = math.log(_G4), math.log10(_G4)


class Reach(Enum):
    """Where a resistance lies against the ends of its curve."""

    WITHIN = "within"
    DRIER = "drier than the curve reaches"
    WETTER = "wetter than the curve reaches"


class MoistureContent(NamedTuple):
    """Moisture content on the dry basis and its standard uncertainty, both in %.

    With `reach` beyond an end of the curve, `value` is that end: the truth is at most, or at
    least, that much.
    """

    value: float
    uncertainty: float
    reach: Reach


class MoistureContents(NamedTuple):
    """Moisture contents in %, and which of them are only bounds: at least, and at most, that.

    A bound is no number for a mean; whoever takes statistics leaves both masks out, or counts them.
    """

    values: "Array"
    wetter: "NDArray[np.bool_]"
    drier: "NDArray[np.bool_]"


@dataclass(frozen=True, slots=True)
class Budget:
    """Standard uncertainties that are not the curve's own (JCGM 100).

    Parameters
    ----------
    meter : float
        Relative, of the resistance: resolution and class of the meter.
    contact : float
        Relative, of the resistance: pins that sit a little looser or tighter, and the grain they
        meet. A ratio of 1.1 to 1.35 between directions is known (Daouk et al. 2021, abstract).
    temperature : float
        Of the wood's temperature, K.
    reference : float
        % MC. The indicated-moisture correction is neutral at 22.7 degC and the handbook's table
        holds at 26.7 degC; which of the two its author calibrated at is not known, and chaining
        them differs by up to 0.7 % MC (computed). Counts only where that correction is used.
    insulation : float
        Least resistance of the wet harness beside the pins, Ohm; `inf` leaves leakage out. The
        leak may be anything from none to this, always makes wood read too wet, and decides
        everything below 9 % MC.
    """

    meter: float = 0.01
    contact: float = 0.05
    temperature: float = 0.5
    reference: float = 0.5
    insulation: float = inf


PLAIN = Budget()


@dataclass(frozen=True, slots=True)
class PreparedCurve:
    """A curve made ready for lookup."""

    curve: Curve
    relation: Relation
    wet_end: float  # log10 of Ohm at `curve.highest`, reference temperature
    dry_end: float  # the same at `curve.lowest`


def prepare(curve: Curve) -> PreparedCurve:
    """Make a curve ready for lookup."""
    relation = relation_of(curve)
    return PreparedCurve(
        curve,
        relation,
        relation.log_resistance(float(curve.highest)),
        relation.log_resistance(float(curve.lowest)),
    )


def corrected(indicated: Numbers, temperature: Numbers) -> Numbers:
    """Moisture content from an indication on a scale that is right at 22.7 degC.

    Parameters
    ----------
    indicated : float or array
        Indicated moisture content, %. Not ohms: the formula's "R" is a meter reading.
    temperature : float or array
        Temperature of the wood, degC.

    Returns
    -------
    float or array
        Moisture content of Douglas-fir, %.

    Notes
    -----
    Source: Garrahan 1988, as used with the resistance relation of Straube, Onysko and
    Schumacher 2002; from memory, supported by calculation (tests/reference).
    """
    return (indicated + _G0 - _G1 * temperature + _G2 * temperature * temperature) / (
        _G3 * exp10(_LOG_G4 * temperature)
    )


def indicated(moisture_content: Numbers, temperature: Numbers) -> Numbers:
    """What a scale that is right at 22.7 degC would indicate: the inverse of `corrected`."""
    return (
        moisture_content * (_G3 * exp10(_LOG_G4 * temperature))
        - _G0
        + _G1 * temperature
        - _G2 * temperature * temperature
    )


def moisture_content(
    resistance: float, temperature: float, curve: PreparedCurve, budget: Budget = PLAIN
) -> MoistureContent:
    """Moisture content of the wood between two pins.

    The curve's value at its own reference temperature is put on the correction's scale first, so
    that at the reference temperature the curve itself comes back.

    Parameters
    ----------
    resistance : float
        Ohm, positive.
    temperature : float
        Temperature of the wood, degC, -20 to 50.
    curve : PreparedCurve
        The species' or material's curve.
    budget : Budget
        Uncertainties that are not the curve's own.

    Returns
    -------
    MoistureContent
        Beyond the curve's ends the end itself, corrected, with `reach` saying so.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.
    """
    x, reach = _clamped(resistance, temperature, curve)
    value, *parts = _value_and_parts(x, temperature, curve, budget)
    return MoistureContent(value, hypot(*parts), reach)


def parts_of(
    resistance: float, temperature: float, curve: PreparedCurve, budget: Budget = PLAIN
) -> dict[str, float]:
    """The standard uncertainty's parts, % MC, by name; they add in squares.

    "curve" holds what is uncertain of its shift per kelvin, "temperature" that of the wood.

    Raises
    ------
    PhysicsError
        As for `moisture_content`.
    """
    x, _ = _clamped(resistance, temperature, curve)
    _, *parts = _value_and_parts(x, temperature, curve, budget)
    names = ("curve", "reference temperature", "meter", "contact", "temperature", "leakage")
    return dict(zip(names, parts, strict=True))


def resistance(moisture_content: float, temperature: float, curve: PreparedCurve) -> float:
    """The resistance at which a moisture content reads, Ohm: the inverse of `moisture_content`.

    Raises
    ------
    PhysicsError
        An argument is not finite, or the moisture content lies beyond the curve's ends.
    """
    _check_temperature(temperature)
    if not isfinite(moisture_content):
        raise PhysicsError("moisture_content", f"{moisture_content!r} %", "a finite number")
    u = _at_reference(moisture_content, temperature, curve.curve)
    lowest, highest = curve.curve.lowest, curve.curve.highest
    slack = 1e-9 * highest  # so that the curve's own end, corrected and back, is taken
    if not lowest - slack <= u <= highest + slack:
        ends = sorted(_from_reference(end, temperature, curve.curve) for end in (lowest, highest))
        raise PhysicsError(
            "moisture_content", f"{moisture_content!r} %", f"{ends[0]:.4g} to {ends[1]:.4g} %"
        )
    x = curve.relation.log_resistance(float(u))
    if curve.curve.correction is Correction.RESISTANCE:
        x -= curve.curve.per_kelvin * (temperature - curve.curve.reference_temperature)
    return float(10.0**x)


def moisture_contents(
    resistances: "Array", temperatures: "Array", curve: PreparedCurve
) -> "MoistureContents":
    """`moisture_content` for arrays of equal shape, without the uncertainty; for analysis.

    Raises
    ------
    PhysicsError
        An element is not finite or outside its range.
    """
    import numpy as np

    ohm = checked("resistance", resistances, lowest=1e-300, highest=1e300, unit="Ohm")
    celsius = checked("temperature", temperatures, lowest=COLDEST, highest=WARMEST, unit="degC")
    x = np.log10(ohm)
    kind = curve.curve
    if kind.correction is Correction.RESISTANCE:
        x = x + kind.per_kelvin * (celsius - kind.reference_temperature)
    wetter, drier = x < curve.wet_end, x > curve.dry_end
    u, _ = curve.relation.moisture(np.clip(x, curve.wet_end, curve.dry_end))
    return MoistureContents(_from_reference(u, celsius, kind), wetter, drier)


def _clamped(resistance: float, temperature: float, curve: PreparedCurve) -> tuple[float, Reach]:
    """log10 of the resistance at the curve's reference temperature, kept within the curve."""
    if not 0.0 < resistance < inf:
        raise PhysicsError("resistance", f"{resistance!r} Ohm", "more than 0, and finite")
    _check_temperature(temperature)
    x = math.log10(resistance)
    kind = curve.curve
    if kind.correction is Correction.RESISTANCE:
        x += kind.per_kelvin * (temperature - kind.reference_temperature)
    if x < curve.wet_end:
        return curve.wet_end, Reach.WETTER
    if x > curve.dry_end:
        return curve.dry_end, Reach.DRIER
    return x, Reach.WITHIN


def _check_temperature(temperature: float) -> None:
    if not COLDEST <= temperature <= WARMEST:
        raise PhysicsError(
            "temperature", f"{temperature!r} degC", f"{COLDEST:g} to {WARMEST:g} degC"
        )


def _value_and_parts(
    x: float, temperature: float, curve: PreparedCurve, budget: Budget
) -> tuple[float, float, float, float, float, float, float]:
    """Value, then the parts in the order of `parts_of`: each a slope times an uncertainty."""
    kind = curve.curve
    u, per_decade = curve.relation.moisture(x)
    own = curve_uncertainty(
        u,
        x,
        per_decade=per_decade,
        away=temperature - kind.reference_temperature,
        curve=kind,
    )
    reference = 0.0
    if kind.correction is Correction.INDICATED:
        a, b = kind.species
        scale = indicated(u, kind.reference_temperature)
        denominator = _G3 * math.exp(_LN_G4 * temperature)
        plain = (scale + _G0 - _G1 * temperature + _G2 * temperature * temperature) / denominator
        value = (plain - b) / a
        stretch = _G3 * math.exp(_LN_G4 * kind.reference_temperature) / denominator / a
        per_kelvin = ((2 * _G2 * temperature - _G1) / denominator - plain * _LN_G4) / a
        reference = budget.reference
    elif kind.correction is Correction.RESISTANCE:
        value, stretch, per_kelvin = u, 1.0, per_decade * kind.per_kelvin
    elif kind.correction is Correction.MOISTURE:
        value = u + kind.per_kelvin * (temperature - kind.reference_temperature)
        stretch, per_kelvin = 1.0, kind.per_kelvin
    else:
        value, stretch, per_kelvin = u, 1.0, 0.0
    per_relative = per_decade * stretch / LN10  # % MC per relative change of resistance
    leakage = 0.0
    if budget.insulation < inf:
        leakage = stretch * _leakage(x, u, curve, budget.insulation)
    others = (
        reference,
        per_relative * budget.meter,
        per_relative * budget.contact,
        per_kelvin * budget.temperature,
        leakage,
    )
    return (
        value,
        widened(own * stretch, others=hypot(*others), freedom=kind.freedom),
        *others,
    )


def _leakage(x: float, u: float, curve: PreparedCurve, insulation: float) -> float:
    """Standard uncertainty from a leak of anything between none and `insulation`, % MC.

    The wood then conducts less than was measured, so it is drier by an amount between 0 and that
    at the worst leak; a rectangular spread that is not corrected for counts as its width over the
    square root of 3.
    """
    leaking = 10.0**x / insulation
    all_leak = leaking >= 1.0
    drier = curve.dry_end if all_leak else min(curve.dry_end, x - math.log10(1.0 - leaking))
    return (u - curve.relation.moisture(drier)[0]) / math.sqrt(3.0)


def _from_reference(u: Numbers, temperature: Numbers, kind: Curve) -> Numbers:
    """Correct a moisture content at the reference temperature for the wood's own."""
    if kind.correction is Correction.INDICATED:
        a, b = kind.species
        reference = 0.0 * temperature + kind.reference_temperature  # of the temperature's shape
        return (corrected(indicated(u, reference), temperature) - b) / a
    if kind.correction is Correction.MOISTURE:
        return u + kind.per_kelvin * (temperature - kind.reference_temperature)
    return u


def _at_reference(u: float, temperature: float, kind: Curve) -> float:
    """The inverse of `_from_reference`."""
    if kind.correction is Correction.INDICATED:
        a, b = kind.species
        return corrected(indicated(a * u + b, temperature), kind.reference_temperature)
    if kind.correction is Correction.MOISTURE:
        return u - kind.per_kelvin * (temperature - kind.reference_temperature)
    return u
