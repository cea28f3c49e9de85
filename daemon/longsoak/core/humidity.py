"""Moist air: saturation, dew and frost point, absolute humidity, condensation. Pure.

Temperatures are in degC, relative humidities in %, pressures in Pa. A float or a numpy array of
any shape goes in and the same shape comes out. Relative humidity is over liquid water at every
temperature, as humidity sensors give it, unless a `Phase` says otherwise: below 0 degC the same
air has a lower figure over water than over ice.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import cast

from longsoak.core.arrays import Numbers, checked

COLDEST, WARMEST = -100.0, 60.0  # degC
TRIPLE_POINT = 0.01  # degC; ice, water and vapour
ZERO = 273.15  # K at 0 degC
STANDARD_PRESSURE = 101325.0

# Murphy and Koop 2005, equations 7 (ice) and 10 (water). Not read in the original: many public
# transcriptions agree on every digit, and the paper's own check values come back (tests).
_ICE = (9.550426, -5723.265, 3.53068, -0.00728332)
_WATER = (54.842763, -6763.22, -4.210, 0.000367)
_BEND, _BEND_AT = 0.0415, 218.8
_BENT = (53.878, -1331.22, -9.44523, 0.014025)

_WATER_PER_GAS = 18.01528 / 8.314462618  # g K/J: molar mass over the molar gas constant
_WATER_PER_AIR = 0.621945  # ratio of molar masses


class Phase(Enum):
    """What saturated vapour lies over."""

    WATER = "water"
    ICE = "ice"


@dataclass(frozen=True, slots=True)
class Margin:
    """How far a surface is from being wetted by the air, K; below 0 it is being wetted.

    `deposit` says what would form: water, or rime where the vapour's own saturation lies below
    the triple point.
    """

    value: float
    uncertainty: float
    deposit: Phase


def checked_temperature(temperature: Numbers) -> Numbers:
    """A temperature within -100 to 60 degC."""
    return checked("temperature", temperature, lowest=COLDEST, highest=WARMEST, unit="degC")


def checked_humidity(relative_humidity: Numbers) -> Numbers:
    """A relative humidity within 0 to 100 %."""
    return checked("relative_humidity", relative_humidity, lowest=0.0, highest=100.0, unit="%")


def saturation_over_water(temperature: Numbers) -> Numbers:
    """Saturation vapour pressure over liquid water, supercooled below 0 degC.

    Parameters
    ----------
    temperature : float or array
        degC, from -100 to 60.

    Returns
    -------
    float or array
        Pa; the pure phase, without the enhancement of about 0.5 % for moist air. Above 0 degC
        within 0.05 % of ASHRAE (Handbook - Fundamentals 2017) and of the IAPWS equations as
        CoolProp has them.

    Raises
    ------
    PhysicsError
        `temperature` is not finite or outside its range.

    Notes
    -----
    Source: Murphy and Koop 2005, Q. J. R. Meteorol. Soc. 131, 1539, equation 10, made for 123 to
    332 K; second hand. It is the one form here that is meant for supercooled water too: that of
    ASHRAE, drawn on below 0 degC, is 0.25 % off it at -30 degC and 1.2 % at -45 degC (computed).
    """
    return _exp(_log_water(checked_temperature(temperature) + ZERO)[0])


def saturation_over_ice(temperature: Numbers) -> Numbers:
    """Saturation vapour pressure over ice.

    Parameters
    ----------
    temperature : float or array
        degC, from -100 to 0.01.

    Returns
    -------
    float or array
        Pa. Within 0.05 % of ASHRAE and CoolProp above -60 degC, 0.11 % at -100 degC.

    Raises
    ------
    PhysicsError
        `temperature` is not finite or outside its range.

    Notes
    -----
    Source: Murphy and Koop 2005, equation 7; second hand.
    """
    kelvin = ZERO + checked(
        "temperature", temperature, lowest=COLDEST, highest=TRIPLE_POINT, unit="degC over ice"
    )
    return _exp(_log_ice(kelvin)[0])


def vapour_pressure(
    temperature: Numbers, *, relative_humidity: Numbers, phase: Phase = Phase.WATER
) -> Numbers:
    """Pressure of the vapour in air of a relative humidity.

    Parameters
    ----------
    temperature : float or array
        degC, from -100 to 60; to 0.01 with `phase` ice.
    relative_humidity : float or array
        %, from 0 to 100.
    phase : Phase
        What the relative humidity is counted over. Sensors count over water; psychrolib and
        CoolProp count over ice below 0.01 degC.

    Returns
    -------
    float or array
        Pa.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.
    """
    share = checked_humidity(relative_humidity) / 100.0
    if phase is Phase.ICE:
        return saturation_over_ice(temperature) * share
    return saturation_over_water(temperature) * share


def dew_point(vapour_pressure: Numbers) -> Numbers:
    """Temperature at which vapour is saturated over liquid water, supercooled below 0 degC.

    Parameters
    ----------
    vapour_pressure : float or array
        Pa, from saturation at -100 degC to saturation at 60 degC. Perfectly dry air has none.

    Returns
    -------
    float or array
        degC; `saturation_over_water` of it is `vapour_pressure` again to 1e-11 of value. Below
        0 degC it lies below the `frost_point`, by about a tenth of itself. The Magnus formula
        gives this one, psychrolib and CoolProp give the frost point.

    Raises
    ------
    PhysicsError
        `vapour_pressure` is not finite or outside its range.
    """
    return _saturated_at(vapour_pressure, _log_water, ends=_WATER_ENDS, over="water")


def frost_point(vapour_pressure: Numbers) -> Numbers:
    """Temperature at which vapour is saturated over ice.

    Parameters
    ----------
    vapour_pressure : float or array
        Pa, from saturation at -100 degC to the triple point's 611.66 Pa. Above that vapour meets
        water first: it has a dew point only.

    Returns
    -------
    float or array
        degC; `saturation_over_ice` of it is `vapour_pressure` again to 1e-11 of value.

    Raises
    ------
    PhysicsError
        `vapour_pressure` is not finite or outside its range.
    """
    return _saturated_at(vapour_pressure, _log_ice, ends=_ICE_ENDS, over="ice")


def absolute_humidity(temperature: Numbers, *, vapour_pressure: Numbers) -> Numbers:
    """Mass of water vapour in a volume of air.

    Parameters
    ----------
    temperature : float or array
        degC, from -100 to 60.
    vapour_pressure : float or array
        Pa, from 0 to 101325.

    Returns
    -------
    float or array
        g/m3, the vapour taken as an ideal gas.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.
    """
    kelvin = checked_temperature(temperature) + ZERO
    return _WATER_PER_GAS * _checked_pressure(vapour_pressure) / kelvin


def vapour_pressure_deficit(temperature: Numbers, *, vapour_pressure: Numbers) -> Numbers:
    """What air lacks to saturation over liquid water.

    Parameters
    ----------
    temperature : float or array
        degC, from -100 to 60.
    vapour_pressure : float or array
        Pa, from 0 to 101325.

    Returns
    -------
    float or array
        Pa; below 0 in supersaturated air.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.
    """
    return saturation_over_water(temperature) - _checked_pressure(vapour_pressure)


def humidity_ratio(vapour_pressure: float, *, pressure: float = STANDARD_PRESSURE) -> float:
    """Mass of vapour per mass of dry air.

    Parameters
    ----------
    vapour_pressure : float
        Pa, from 0 to half of `pressure`.
    pressure : float
        Of the air as a whole, Pa, from 50000 to 110000.

    Returns
    -------
    float
        kg/kg, both taken as ideal gases. CoolProp, with real gases, is 0.4 to 0.7 % above it.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.

    Notes
    -----
    Source: ASHRAE Handbook - Fundamentals 2017, chapter 1, equation 20; second hand.
    """
    whole = checked("pressure", pressure, lowest=50000.0, highest=110000.0, unit="Pa")
    vapour = checked("vapour_pressure", vapour_pressure, lowest=0.0, highest=whole / 2, unit="Pa")
    return _WATER_PER_AIR * vapour / (whole - vapour)


def dew_point_uncertainty(
    temperature: float,
    *,
    relative_humidity: float,
    u_temperature: float,
    u_relative_humidity: float,
    over: Phase = Phase.WATER,
) -> float:
    """Standard uncertainty of a dew or frost point, to first order (JCGM 100).

    Parameters
    ----------
    temperature, relative_humidity : float
        Of the air, degC and % over water; the relative humidity above 0.
    u_temperature, u_relative_humidity : float
        Their standard uncertainties, K and % RH, taken as independent.
    over : Phase
        Ice for the frost point.

    Returns
    -------
    float
        K.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range, or the air is too dry, or too moist for
        frost.
    """
    vapour = vapour_pressure(temperature, relative_humidity=relative_humidity)
    point = dew_point(vapour) if over is Phase.WATER else frost_point(vapour)
    return math.hypot(
        *_shares(
            temperature,
            relative_humidity,
            point,
            over,
            _checked_uncertainty("u_temperature", u_temperature),
            _checked_uncertainty("u_relative_humidity", u_relative_humidity),
        )
    )


def condensation_margin(
    surface: float,
    *,
    temperature: float,
    relative_humidity: float,
    u_surface: float,
    u_temperature: float,
    u_relative_humidity: float,
) -> Margin:
    """How far a surface is from being wetted, or rimed, by the air before it.

    Parameters
    ----------
    surface : float
        Temperature of the surface, degC, from -100 to 60.
    temperature, relative_humidity : float
        Of the air, degC and % over water; the relative humidity above 0.
    u_surface, u_temperature, u_relative_humidity : float
        Standard uncertainties, K, K and % RH, taken as independent: three sensors. Where one
        sensor gives both temperatures the true uncertainty is smaller.

    Returns
    -------
    Margin
        Surface less dew point, or less frost point where that lies below the triple point: it is
        the higher of the two and so is met first.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range, or the air is too dry to have a dew point.
    """
    cold = checked("surface", surface, lowest=COLDEST, highest=WARMEST, unit="degC")
    vapour = vapour_pressure(temperature, relative_humidity=relative_humidity)
    point, deposit = dew_point(vapour), Phase.WATER
    if point < TRIPLE_POINT:
        point, deposit = frost_point(vapour), Phase.ICE
    parts = _shares(
        temperature,
        relative_humidity,
        point,
        deposit,
        _checked_uncertainty("u_temperature", u_temperature),
        _checked_uncertainty("u_relative_humidity", u_relative_humidity),
    )
    own = _checked_uncertainty("u_surface", u_surface)
    return Margin(cold - point, math.hypot(own, *parts), deposit)


def _shares(
    temperature: float,
    relative_humidity: float,
    point: float,
    over: Phase,
    u_temperature: float,
    u_relative_humidity: float,
) -> tuple[float, float]:
    """What the uncertainties of temperature and relative humidity do to the point, K each.

    The point moves with ln e by the inverse of its own saturation slope, and ln e is the sum of
    ln RH and the logarithm of the saturation pressure at the air's temperature.
    """
    slope = (_log_water if over is Phase.WATER else _log_ice)(point + ZERO)[1]
    return (
        _log_water(temperature + ZERO)[1] / slope * u_temperature,
        u_relative_humidity / (relative_humidity * slope),
    )


def _log_water(kelvin: Numbers) -> tuple[Numbers, Numbers]:
    """Logarithm of the saturation pressure over water in Pa, and its slope per K."""
    a, b, c, d = _WATER
    f, g, h, i = _BENT
    log = _log(kelvin)
    turn = _tanh(_BEND * (kelvin - _BEND_AT))
    bent = f + g / kelvin + h * log + i * kelvin
    slope = (
        (c - b / kelvin) / kelvin
        + d
        + _BEND * (1.0 - turn * turn) * bent
        + turn * ((h - g / kelvin) / kelvin + i)
    )
    return a + b / kelvin + c * log + d * kelvin + turn * bent, slope


def _log_ice(kelvin: Numbers) -> tuple[Numbers, Numbers]:
    """Logarithm of the saturation pressure over ice in Pa, and its slope per K."""
    a, b, c, d = _ICE
    return a + b / kelvin + c * _log(kelvin) + d * kelvin, (c - b / kelvin) / kelvin + d


def _saturated_at(
    vapour_pressure: Numbers,
    log_saturation: Callable[[Numbers], tuple[Numbers, Numbers]],
    *,
    ends: tuple[float, float],
    over: str,
) -> Numbers:
    """Temperature, degC, at which `log_saturation` meets the vapour pressure.

    Newton's steps in ln e over T, from the Magnus formula: it is never off by more than a few K
    here and each step squares the error, so four leave rounding only and a fifth is to spare.
    """
    # Wider by a hair: numpy's exp and math's may differ in the last place at the very end.
    least, most = ends[0] * (1.0 - 1e-9), ends[1] * (1.0 + 1e-9)
    log = _log(
        checked(
            "vapour_pressure", vapour_pressure, lowest=least, highest=most, unit=f"Pa over {over}"
        )
    )
    ratio = log - math.log(611.2)
    kelvin = 243.12 * ratio / (17.62 - ratio) + ZERO
    for _ in range(5):
        found, slope = log_saturation(kelvin)
        kelvin = kelvin - (found - log) / slope
    return kelvin - ZERO


def _checked_pressure(vapour_pressure: Numbers) -> Numbers:
    return checked(
        "vapour_pressure", vapour_pressure, lowest=0.0, highest=STANDARD_PRESSURE, unit="Pa"
    )


def _checked_uncertainty(argument: str, value: float) -> float:
    return checked(argument, value, lowest=0.0, highest=100.0, unit="(a standard uncertainty)")


def _exp(x: Numbers) -> Numbers:
    if isinstance(x, float):
        return math.exp(x)
    import numpy as np

    return cast("Numbers", np.exp(x))


def _log(x: Numbers) -> Numbers:
    if isinstance(x, float):
        return math.log(x)
    import numpy as np

    return cast("Numbers", np.log(x))


def _tanh(x: Numbers) -> Numbers:
    if isinstance(x, float):
        return math.tanh(x)
    import numpy as np

    return cast("Numbers", np.tanh(x))


_WATER_ENDS = saturation_over_water(COLDEST), saturation_over_water(WARMEST)
_ICE_ENDS = saturation_over_ice(COLDEST), saturation_over_ice(TRIPLE_POINT)
