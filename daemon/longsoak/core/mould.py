"""Mould growth index of a surface, carried on from one spell of air to the next. Pure.

A risk index from 0 (none) to 6 (all covered), not a forecast: it was made in laboratories, first on
pine and spruce, then put into classes of materials, and it is known not to hold for some (on a
bamboo board its parameters could not be told apart: Berger et al., arXiv 1804.02992, abstract).

Within a spell the air stands still, and there the published growth equation has a closed solution;
that is what `step` uses, so how a spell is cut up makes no difference. Other programs march in
whole hours; a year of such steps ends within 0.004 of this (tests).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from longsoak.core.arrays import checked
from longsoak.core.humidity import checked_humidity, checked_temperature

GROWTH_CAUTION = (
    "Wet specimens may grow mould: keep them apart and the room aired, disturb no growth, use "
    "gloves, eye protection and a respirator as local guidance says, and keep vulnerable people "
    "away. Where mould is found or suspected, follow local rules and ask someone qualified."
)
CAUTION = f"The mould index is a risk figure, not a finding. {GROWTH_CAUTION}"
HIGHEST_INDEX = 6.0

_COOL = 20.0  # degC; the polynomial was made for up to here
_FROZEN, _TOO_HOT = 0.0, 50.0  # degC; growth lies between
_STEEPNESS = 2.3  # of growth falling off towards the highest index
_HOURS_PER_WEEK = 168.0
_SOON, _LATE = 6.0, 24.0  # h after the end of growth where the decline changes
_SOON_LOSS, _LATE_LOSS = 0.032 / 24.0, 0.016 / 24.0  # per h


class _Class(NamedTuple):
    """Growth factors below and from index 1, highest index A + Bx - Cx2, lowest humidity in %."""

    early: float
    late: float
    a: float
    b: float
    c: float
    lowest: float


class Sensitivity(Enum):
    """How readily a material grows mould.

    Source: Ojanen et al. 2010, classes; the figures second hand, from two public transcriptions.
    """

    VERY_SENSITIVE = _Class(1.0, 2.0, 1.0, 7.0, 2.0, 80.0)
    SENSITIVE = _Class(0.578, 0.386, 0.3, 6.0, 1.0, 80.0)
    MEDIUM_RESISTANT = _Class(0.072, 0.097, 0.0, 5.0, 1.5, 85.0)
    RESISTANT = _Class(0.033, 0.014, 0.0, 3.0, 1.0, 85.0)


@dataclass(frozen=True, slots=True)
class Softwood:
    """Pine or spruce sapwood, by the original model instead of a class.

    `original_surface` is a kiln-dried surface as it left the kiln, which grows sooner than one
    sawn afterwards.

    Source: Hukka and Viitanen 1999; second hand, from a public transcription. That its highest
    index and lowest humidity are those of the very sensitive class is from memory.
    """

    spruce: bool = False
    original_surface: bool = False


_SAWN_PINE = Softwood()


class Decline(Enum):
    """How fast the index falls in dry or cold air, as a share of what was found on wood.

    Source: Ojanen et al. 2010; the shares second hand, the words for them from memory.
    """

    SIGNIFICANT = 1.0
    RELATIVELY_SIGNIFICANT = 0.5
    RELATIVELY_LOW = 0.25
    ALMOST_NONE = 0.1


class Threshold(Enum):
    """Which humidity growth needs. Public transcriptions of the model differ.

    `HIGHER_OF_BOTH`: at every temperature the polynomial or the material's lowest humidity,
    whichever is higher. `POLYNOMIAL_TO_20`: the polynomial alone up to 20 degC, the lowest
    humidity alone above. The second lets the resistant classes grow in air of 80 to 85 % between
    7 and 20 degC; above 20 degC they differ by 0.2 % RH at most.
    """

    HIGHER_OF_BOTH = "higher of both"
    POLYNOMIAL_TO_20 = "polynomial to 20 degC"


@dataclass(frozen=True, slots=True)
class MouldState:
    """What has to be kept to carry on: the index, and hours since growth conditions ended."""

    index: float = 0.0
    hours_since_growth: float = 0.0


def critical_humidity(
    temperature: float, *, lowest: float, threshold: Threshold = Threshold.HIGHER_OF_BOTH
) -> float:
    """Relative humidity from which mould grows.

    Parameters
    ----------
    temperature : float
        degC, from -100 to 60.
    lowest : float
        % the material's lowest humidity, from 0 to 100.
    threshold : Threshold
        Which reading of the model.

    Returns
    -------
    float
        %. From 100 upwards at 0 degC and below: nothing grows.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.

    Notes
    -----
    Source: Hukka and Viitanen 1999; second hand. One public transcription has the linear term
    with the wrong sign, which gives 119 % at 5 degC.
    """
    t = checked_temperature(temperature)
    least = checked("lowest", lowest, lowest=0.0, highest=100.0, unit="%")
    return _critical(t, least, threshold)


def weeks_to_first_growth(
    temperature: float, *, relative_humidity: float, wood: Softwood | None = None
) -> float:
    """Time to index 1 in steady air, as fitted on softwood; the classes scale it.

    Parameters
    ----------
    temperature : float
        degC, above 0 and below 50.
    relative_humidity : float
        %, from 50 to 100.
    wood : Softwood or None
        None leaves out species and surface, as the classes do: sawn pine.

    Returns
    -------
    float
        Weeks.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.

    Notes
    -----
    Source: Hukka and Viitanen 1999; second hand, three transcriptions agree.
    """
    return _weeks_first(*_checked_growing(temperature, relative_humidity), wood)


def weeks_to_visible_growth(
    temperature: float, *, relative_humidity: float, wood: Softwood | None = None
) -> float:
    """Time to index 3, growth the eye sees, in steady air on softwood.

    Parameters, range and errors are those of `weeks_to_first_growth`; the kind of surface plays
    no part.

    Notes
    -----
    Source: Hukka and Viitanen 1999; second hand, from one transcription.
    """
    return _weeks_visible(*_checked_growing(temperature, relative_humidity), wood)


def highest_index(
    temperature: float,
    *,
    relative_humidity: float,
    material: Sensitivity | Softwood,
    threshold: Threshold = Threshold.HIGHER_OF_BOTH,
) -> float:
    """Index that growth in steady air tends to.

    Parameters
    ----------
    temperature, relative_humidity : float
        degC, -100 to 60, and %, 0 to 100.
    material : Sensitivity or Softwood
        A class, or wood by the original model.
    threshold : Threshold
        See `Threshold`.

    Returns
    -------
    float
        From 0 to 6; 0 where nothing grows.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.
    """
    of = _class_of(material)
    critical = critical_humidity(temperature, lowest=of.lowest, threshold=threshold)
    rh = checked_humidity(relative_humidity)
    return _highest(rh, critical, of) if _grows(temperature, rh, critical) else 0.0


def step(
    state: MouldState,
    *,
    temperature: float,
    relative_humidity: float,
    hours: float,
    material: Sensitivity | Softwood,
    decline: Decline = Decline.SIGNIFICANT,
    threshold: Threshold = Threshold.HIGHER_OF_BOTH,
) -> MouldState:
    """Carry the index over a spell of steady air at the surface.

    Parameters
    ----------
    state : MouldState
        Where the last step ended; index 0 to 6.
    temperature, relative_humidity : float
        At the surface, degC, -100 to 60, and % over water, 0 to 100.
    hours : float
        Length of the spell, 0 or more. A gap in the readings is the caller's to judge: not
        stepping over it leaves the index where it was.
    material : Sensitivity or Softwood
        A class, or wood by the original model.
    decline : Decline
        How fast the index falls in dry or cold air; the default is that of wood, the fastest.
    threshold : Threshold
        See `Threshold`.

    Returns
    -------
    MouldState
        Where this spell ends. However a spell is cut up, the end is the same to 1e-9.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.

    Notes
    -----
    Growth, per day: ``k1 k2 / (7 tm)``, tm from `weeks_to_first_growth`, k2 = 1 - exp(2.3 (M -
    Mmax)) and not below 0. Air that suits growth never lets the index fall, even where it stands
    above that air's highest index. k1 changes at index 1; in the original model it is then
    ``2/(tv/tm - 1)``, tv from `weeks_to_visible_growth` (one public transcription has the
    brackets wrong).

    Decline: 0.032 per day for the first 6 h after growth conditions ended, nothing until 24 h,
    0.016 per day from then on, times the share of `decline`. The hour count is continuous, so
    there is no question on which side the sixth hour falls.

    Source: Hukka and Viitanen 1999, Ojanen et al. 2010; second hand.
    """
    since = state.hours_since_growth
    index = checked("index", state.index, lowest=0.0, highest=HIGHEST_INDEX, unit="(mould index)")
    since = checked("hours_since_growth", since, lowest=0.0, highest=1e9, unit="h")
    lasting = checked("hours", hours, lowest=0.0, highest=1e6, unit="h")
    air = checked_temperature(temperature), checked_humidity(relative_humidity)
    if lasting == 0.0:  # no time has passed, so growth conditions were not met either
        return state
    return MouldState(*_carried(index, since, air, lasting, material, decline, threshold))


def along(
    airs: Iterable[tuple[float, float] | None],
    *,
    hours: float,
    material: Sensitivity | Softwood,
    decline: Decline = Decline.SIGNIFICANT,
    threshold: Threshold = Threshold.HIGHER_OF_BOTH,
) -> list[float]:
    """Carry the index from 0 along spells of one length; quicker than as many calls of `step`.

    Parameters
    ----------
    airs : iterable of (float, float) or None
        Temperature and relative humidity of each spell, as for `step`; None leaves the index where
        it was.
    hours : float
        Length of a spell, more than 0.
    material, decline, threshold
        As for `step`.

    Returns
    -------
    list of float
        The index at the beginning and at the end of each spell: one more than there are spells.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.
    """
    lasting = checked("hours", hours, lowest=math.ulp(0.0), highest=1e6, unit="h")
    index, since, found = 0.0, 0.0, [0.0]
    for air in airs:
        if air is not None:
            checked_air = checked_temperature(air[0]), checked_humidity(air[1])
            index, since = _carried(
                index, since, checked_air, lasting, material, decline, threshold
            )
        found.append(index)
    return found


def _carried(
    index: float,
    since: float,
    air: tuple[float, float],
    lasting: float,
    material: Sensitivity | Softwood,
    decline: Decline,
    threshold: Threshold,
) -> tuple[float, float]:
    """Index and hours since growth at the end of a spell, of arguments that were checked."""
    temperature, rh = air
    of = _class_of(material)
    critical = _critical(temperature, of.lowest, threshold)
    if not _grows(temperature, rh, critical):
        lost = decline.value * (_loss(since + lasting) - _loss(since))
        return max(index - lost, 0.0), since + lasting
    top = _highest(rh, critical, of)
    wood = material if isinstance(material, Softwood) else None
    weeks = _weeks_first(temperature, rh, wood)
    late = of.late
    if wood is not None:
        late = 2.0 / (_weeks_visible(temperature, rh, wood) / weeks - 1.0)
    per_hour = 1.0 / (weeks * _HOURS_PER_WEEK)
    if index < 1.0:
        until = _time_to(1.0, index, of.early * per_hour, top)
        if lasting <= until:
            return _grown(index, of.early * per_hour, lasting, top), 0.0
        index, lasting = 1.0, lasting - until
    return _grown(index, late * per_hour, lasting, top), 0.0


def _critical(t: float, least: float, threshold: Threshold) -> float:
    polynomial = ((-0.00267 * t + 0.160) * t - 3.13) * t + 100.0
    if threshold is Threshold.HIGHER_OF_BOTH:
        return max(polynomial, least)
    return polynomial if t <= _COOL else least


def _highest(rh: float, critical: float, of: _Class) -> float:
    x = (critical - rh) / (critical - 100.0)
    return min(max(of.a + of.b * x - of.c * x * x, 0.0), HIGHEST_INDEX)


def _weeks_first(t: float, rh: float, wood: Softwood | None) -> float:
    of = wood or _SAWN_PINE
    return math.exp(
        -0.68 * math.log(t)
        - 13.9 * math.log(rh)
        + 0.14 * of.spruce
        - 0.33 * of.original_surface
        + 66.02
    )


def _weeks_visible(t: float, rh: float, wood: Softwood | None) -> float:
    of = wood or _SAWN_PINE
    return math.exp(-0.74 * math.log(t) - 12.72 * math.log(rh) + 0.06 * of.spruce + 61.50)


def _grows(temperature: float, relative_humidity: float, critical: float) -> bool:
    suits = _FROZEN < temperature < _TOO_HOT and relative_humidity >= critical
    return suits and critical < 100.0  # a hair above 0 degC the polynomial rounds to 100


def _class_of(material: Sensitivity | Softwood) -> _Class:
    if isinstance(material, Softwood):
        return Sensitivity.VERY_SENSITIVE.value
    return material.value


def _grown(index: float, rate: float, hours: float, top: float) -> float:
    """Index after `hours` of growth: dM/dt = rate (1 - exp(2.3 (M - top))), solved."""
    if index >= top:
        return index
    room = math.expm1(_STEEPNESS * (top - index)) * math.exp(-_STEEPNESS * rate * hours)
    return max(index, top - math.log1p(room) / _STEEPNESS)


def _time_to(goal: float, index: float, rate: float, top: float) -> float:
    """Hours of growth from `index` to `goal`; endless where the air leads no further."""
    if top <= goal:
        return math.inf
    ratio = math.expm1(_STEEPNESS * (top - index)) / math.expm1(_STEEPNESS * (top - goal))
    return math.log(ratio) / (_STEEPNESS * rate)


def _loss(hours: float) -> float:
    """What wood loses from its index in the first `hours` without growth."""
    return _SOON_LOSS * min(hours, _SOON) + _LATE_LOSS * max(hours - _LATE, 0.0)


def _checked_growing(temperature: float, relative_humidity: float) -> tuple[float, float]:
    return (
        checked(
            "temperature",
            temperature,
            lowest=math.nextafter(_FROZEN, 1.0),
            highest=math.nextafter(_TOO_HOT, 0.0),
            unit="degC",
        ),
        checked("relative_humidity", relative_humidity, lowest=50.0, highest=100.0, unit="%"),
    )
