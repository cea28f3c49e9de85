"""Resistance between two pins to the moisture content of the wood between them, and back. Pure.

A curve holds at its own reference temperature. Wood warmer than that conducts better and would read
too wet, so the wood's temperature corrects it, in the way the curve names. Every value carries a
standard uncertainty, the parts of which `parts_of` tells apart.
"""

import math
from dataclasses import dataclass
from enum import Enum
from math import hypot, inf, isfinite, log10, sqrt
from typing import NamedTuple

from longsoak.core.arrays import Numbers, scalar
from longsoak.core.curveuncertainty import curve_uncertainty, widened
from longsoak.core.indication import (
    COLDEST,
    G3,
    LN_G4,
    WARMEST,
    factor,
    offset,
    offset_per_kelvin,
)
from longsoak.core.relations import LN10, Relation, relation_of
from longsoak.vocabulary.curve import Correction, Curve
from longsoak.vocabulary.errors import PhysicsError

# Decades of resistance per kelvin, standard, where a curve corrects nothing. In wood and
# hygroscopic materials it is 0.02 to 0.04 (common practice). Its sign is known and nothing was
# corrected, so all of it is doubt: twice this holds the largest.
UNCORRECTED = 0.03
_ROOT3 = math.sqrt(3.0)
SLACK = 1e-9  # % or decades: what rounding may move a value by that lies on a curve's end

# What a resistance and a temperature may be, in the words of an error.
OHM = "more than 0, and finite"
CELSIUS = f"{COLDEST:g} to {WARMEST:g} degC"


class Reach(Enum):
    """Where a resistance lies against the ends of its curve."""

    WITHIN = "within"
    DRIER = "drier than the curve reaches"
    WETTER = "wetter than the curve reaches"


# Looked up once: an enumeration takes longer to name a member than a few multiplications do.
_WITHIN, _DRIER, _WETTER = Reach.WITHIN, Reach.DRIER, Reach.WETTER
_INDICATED, _RESISTANCE = Correction.INDICATED, Correction.RESISTANCE
_MOISTURE = Correction.MOISTURE

# Value and reach as in `MoistureContent`, then the uncertainty's parts in the order of `parts_of`:
# each a slope times an uncertainty, % MC.
Parts = tuple[float, Reach, float, float, float, float, float, float]


class MoistureContent(NamedTuple):
    """Moisture content on the dry basis and its standard uncertainty, both in %.

    With `reach` beyond an end of the curve, `value` is that end: the truth is at most, or at
    least, that much. So it is where the temperature lifts a value beyond the end, for up there
    nobody looked; an end that the temperature moves inwards is the moved one.
    """

    value: float
    uncertainty: float
    reach: Reach


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

    def __post_init__(self) -> None:
        """Refuse what is no uncertainty.

        Raises
        ------
        PhysicsError
            One is no number, negative, or beyond all sense.
        """
        for name, most, unit in (
            ("meter", 10.0, ""),
            ("contact", 10.0, ""),
            ("temperature", 1000.0, " K"),
            ("reference", 100.0, " %"),
        ):
            allowed = f"0 to {most:g}{unit}"
            value = scalar(name, getattr(self, name), allowed)
            if not 0.0 <= value <= most:
                raise PhysicsError(name, value, allowed)
        insulation = scalar("insulation", self.insulation, "1 Ohm or more")
        if not insulation >= 1.0:
            raise PhysicsError("insulation", insulation, "1 Ohm or more")


PLAIN = Budget()


@dataclass(frozen=True, slots=True)
class PreparedCurve:
    """A curve made ready for lookup."""

    curve: Curve
    relation: Relation
    wet_end: float  # log10 of Ohm at `curve.highest`, reference temperature
    dry_end: float  # the same at `curve.lowest`
    scale: float  # `factor` and `offset` at the reference temperature
    zero: float
    least: float  # the driest and the wettest it tells as a number, %: of the species
    most: float
    steady: float | None  # its own standard uncertainty, % MC, where that is the same everywhere

    def dry_end_at(self, temperature: float) -> float:
        """log10 of the resistance, Ohm, at which wood of a temperature in degC is at `lowest`."""
        kind = self.curve
        if kind.correction is not Correction.RESISTANCE:
            return self.dry_end
        return self.dry_end - kind.per_kelvin * (temperature - kind.reference_temperature)


def prepare(curve: Curve) -> PreparedCurve:
    """Make a curve ready for lookup.

    Raises
    ------
    PhysicsError
        The species' coefficient a, by which an indication is divided, is not more than 0.
    """
    relation = relation_of(curve)
    least, most = float(curve.lowest), float(curve.highest)
    wet_end, dry_end = relation.log_resistance(most), relation.log_resistance(least)
    if curve.correction is Correction.INDICATED:
        a, b = curve.species
        if not a > 0.0:
            raise PhysicsError("species", a, "a first coefficient of more than 0")
        least, most = (least - b) / a, (most - b) / a
    at = float(curve.reference_temperature)
    steady = None
    if curve.covariance is None and curve.correction in (Correction.INDICATED, Correction.NONE):
        steady = curve_uncertainty(least, dry_end, per_decade=0.0, away=0.0, curve=curve)
    scale, zero = factor(at), offset(at)
    return PreparedCurve(curve, relation, wet_end, dry_end, scale, zero, least, most, steady)


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
        Beyond the curve's ends the end itself, with `reach` saying so.

    Raises
    ------
    PhysicsError
        An argument is no number, or outside its range.
    """
    ohm, wood = _checked(resistance, temperature, curve, budget)
    return MoistureContent(*wood.moisture(ohm))


def parts_of(
    resistance: float, temperature: float, curve: PreparedCurve, budget: Budget = PLAIN
) -> dict[str, float]:
    """The standard uncertainty's parts, % MC, by name; they add in squares.

    "curve" holds what is uncertain of its shift per kelvin, "temperature" that of the wood and,
    with a curve that corrects nothing, what the kelvins away from its own temperature may do.

    Raises
    ------
    PhysicsError
        As for `moisture_content`.
    """
    ohm, wood = _checked(resistance, temperature, curve, budget)
    parts = wood.parts(ohm)[2:]
    names = ("curve", "reference temperature", "meter", "contact", "temperature", "leakage")
    return dict(zip(names, map(abs, parts), strict=True))


def resistance(moisture_content: float, temperature: float, curve: PreparedCurve) -> float:
    """The resistance at which a moisture content reads, Ohm: the inverse of `moisture_content`.

    Parameters
    ----------
    moisture_content : float
        %, one that `moisture_content` tells as a number at that temperature, not as a bound.
    temperature : float
        Temperature of the wood, degC, -20 to 50.
    curve : PreparedCurve
        The species' or material's curve.

    Raises
    ------
    PhysicsError
        An argument is no number, or outside its range.
    """
    at = scalar("temperature", temperature, CELSIUS)
    if not COLDEST <= at <= WARMEST:
        raise _no_temperature(at)
    kind = curve.curve
    low = max(curve.least, from_reference(float(kind.lowest), at, curve))
    high = min(curve.most, from_reference(float(kind.highest), at, curve))
    allowed = (
        f"{low:.4g} to {high:.4g} %"
        if low < high
        else f"nothing: at {at:g} degC this curve gives only bounds"
    )
    content = scalar("moisture_content", moisture_content, allowed)
    if not (low < high and isfinite(content) and low - SLACK <= content <= high + SLACK):
        raise PhysicsError("moisture_content", f"{content!r} %", allowed)
    u = min(max(_at_reference(content, at, curve), kind.lowest), kind.highest)
    x = curve.relation.log_resistance(float(u))
    if kind.correction is Correction.RESISTANCE:
        x -= kind.per_kelvin * (at - kind.reference_temperature)
    return float(10.0**x)


def no_resistance(ohm: float) -> PhysicsError:
    """The error for a resistance in Ohm that is none."""
    return PhysicsError("resistance", f"{ohm!r} Ohm", OHM)


def _checked(
    ohm: float, temperature: float, curve: PreparedCurve, budget: Budget
) -> tuple[float, "Wood"]:
    if ohm.__class__ is not float or temperature.__class__ is not float:
        ohm = scalar("resistance", ohm, OHM)
        temperature = scalar("temperature", temperature, CELSIUS)
    if not 0.0 < ohm < inf:
        raise no_resistance(ohm)
    return ohm, Wood(temperature, curve, budget)


def _no_temperature(celsius: float) -> PhysicsError:
    return PhysicsError("temperature", f"{celsius!r} degC", CELSIUS)


class Wood:
    """Wood of one temperature, as a curve and a budget see it: ready for any resistance.

    The service converts every reading, so that what does not hang on the resistance is done once
    here. Whatever a curve corrects, what is left is straight: the decades of the resistance are
    moved by `shift`, the curve's value u becomes ``stretch * u + zero``, and the temperature's part
    of the uncertainty is ``tilt * u + steep * (% per decade) + level``.

    Parameters
    ----------
    temperature : float
        Temperature of the wood, degC, -20 to 50.
    curve : PreparedCurve
        The species' or material's curve.
    budget : Budget
        Uncertainties that are not the curve's own.
    doubt : float or None
        Standard uncertainty of the temperature, K; None for the budget's.

    Raises
    ------
    PhysicsError
        The temperature is no number, or outside its range.
    """

    __slots__ = (
        "_away",
        "_budget",
        "_curve",
        "_fixed",
        "_level",
        "_reference",
        "_relative",
        "_shift",
        "_steep",
        "_stretch",
        "_tilt",
        "_zero",
    )

    def __init__(
        self,
        temperature: float,
        curve: PreparedCurve,
        budget: Budget,
        *,
        doubt: float | None = None,
    ) -> None:
        if temperature.__class__ is not float:
            temperature = scalar("temperature", temperature, CELSIUS)
        if not COLDEST <= temperature <= WARMEST:
            raise _no_temperature(temperature)
        kind, kelvin = curve.curve, budget.temperature if doubt is None else doubt
        correction = kind.correction
        away = temperature - kind.reference_temperature
        self._curve, self._budget, self._away = curve, budget, away
        shift = zero = tilt = steep = level = reference = 0.0
        stretch = 1.0
        if correction is _INDICATED:
            a, b = kind.species
            denominator = G3 * math.exp(LN_G4 * temperature)
            stretch = curve.scale / denominator / a
            plain = (offset(temperature) - curve.zero) / denominator  # of a u of 0, on its scale
            zero = (plain - b) / a
            tilt = -stretch * LN_G4 * kelvin
            level = (offset_per_kelvin(temperature) / denominator - plain * LN_G4) / a * kelvin
            reference = budget.reference
        elif correction is _RESISTANCE:
            shift, steep = kind.per_kelvin * away, kind.per_kelvin * kelvin
        elif correction is _MOISTURE:
            zero, level = kind.per_kelvin * away, kind.per_kelvin * kelvin
        else:
            steep = UNCORRECTED * hypot(away, kelvin)
        self._shift, self._stretch, self._zero = shift, stretch, zero
        self._tilt, self._steep, self._level = tilt, steep, level
        self._reference = reference
        # % MC for each % per decade: a relative change of the resistance is 1 / ln 10 decades.
        self._relative = stretch / LN10
        # The square of what is the same for every resistance, if what else there is is straight.
        self._fixed: float | None = None
        if curve.steady is not None and kind.freedom is None and budget.insulation == inf:
            self._fixed = (curve.steady * stretch) ** 2 + reference * reference

    def moisture(self, ohm: float) -> tuple[float, float, Reach]:
        """Convert a resistance, Ohm, which its caller knows to be positive and finite.

        As `moisture_content`, without an object of its own for what is found.
        """
        fixed = self._fixed
        if fixed is None:
            value, reach, *parts = self.parts(ohm)
            return value, hypot(*parts), reach
        _, u, per_decade, value, reach = self._read(ohm)
        meter, contact, warmth = self._doubts(u, per_decade)
        return value, sqrt(fixed + meter * meter + contact * contact + warmth * warmth), reach

    def parts(self, ohm: float) -> Parts:
        """The same with each part of the uncertainty."""
        curve, budget, stretch = self._curve, self._budget, self._stretch
        x, u, per_decade, value, reach = self._read(ohm)
        own = curve.steady
        if own is None:
            own = curve_uncertainty(u, x, per_decade=per_decade, away=self._away, curve=curve.curve)
        own *= stretch
        meter, contact, warmth = self._doubts(u, per_decade)
        leakage = 0.0
        if budget.insulation < inf:
            leakage = stretch * _leakage(x, u, ohm / budget.insulation, curve)
        if curve.curve.freedom is not None:
            others = hypot(self._reference, meter, contact, warmth, leakage)
            own = widened(own, others=others, freedom=curve.curve.freedom)
        return value, reach, own, self._reference, meter, contact, warmth, leakage

    def _doubts(self, u: float, per_decade: float) -> tuple[float, float, float]:
        """What the meter, the contact and the temperature leave uncertain, % MC."""
        budget, relative = self._budget, self._relative * per_decade
        warmth = self._tilt * u + self._steep * per_decade + self._level
        return relative * budget.meter, relative * budget.contact, warmth

    def _read(self, ohm: float) -> tuple[float, float, float, float, Reach]:
        """The curve's x, u and % per decade, then the value at the wood's temperature."""
        curve = self._curve
        x, reach = log10(ohm) + self._shift, _WITHIN
        if x < curve.wet_end:
            if x < curve.wet_end - SLACK:
                reach = _WETTER
            x = curve.wet_end
        elif x > curve.dry_end:
            if x > curve.dry_end + SLACK:
                reach = _DRIER
            x = curve.dry_end
        u, per_decade = curve.relation.moisture(x)
        value = u * self._stretch + self._zero
        if value > curve.most + SLACK and reach is not _DRIER:
            value, reach = curve.most, _WETTER
        elif value < curve.least - SLACK and reach is not _WETTER:
            value, reach = curve.least, _DRIER
        return x, u, per_decade, value, reach


def _leakage(x: float, u: float, leaking: float, curve: PreparedCurve) -> float:
    """Standard uncertainty from a leak of anything between none and the worst, % MC.

    `leaking` is the share of the conductance that the worst may have. The wood then conducts less
    than was measured, so it is drier by an amount between 0 and that at the worst leak; a
    rectangular spread that is not corrected for counts as its width over the square root of 3.
    """
    drier = curve.dry_end
    if leaking < 1.0:
        drier = min(drier, x - log10(1.0 - leaking))
    return (u - curve.relation.moisture(drier)[0]) / _ROOT3


def from_reference(u: Numbers, temperature: Numbers, curve: PreparedCurve) -> Numbers:
    """Correct a moisture content at the reference temperature for the wood's own."""
    kind = curve.curve
    if kind.correction is Correction.INDICATED:
        a, b = kind.species
        scale = u * curve.scale - curve.zero
        return ((scale + offset(temperature)) / factor(temperature) - b) / a
    if kind.correction is Correction.MOISTURE:
        return u + kind.per_kelvin * (temperature - kind.reference_temperature)
    return u


def _at_reference(u: float, temperature: float, curve: PreparedCurve) -> float:
    """The inverse of `from_reference`."""
    kind = curve.curve
    if kind.correction is Correction.INDICATED:
        a, b = kind.species
        scale = (a * u + b) * factor(temperature) - offset(temperature)
        return (scale + curve.zero) / curve.scale
    if kind.correction is Correction.MOISTURE:
        return u - kind.per_kelvin * (temperature - kind.reference_temperature)
    return u
