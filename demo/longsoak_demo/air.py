"""The air of the shop the rig hangs in, and how water leaves into it.

Everything is a function of the simulated time alone, so any two runs see the same weather.
"""

from dataclasses import dataclass
from math import exp, pi, sin

DAY = 86_400.0
YEAR = 365.0 * DAY


def saturation_pressure(temperature: float) -> float:
    """Vapour pressure over a water surface, Pa, at `temperature` in degC.

    Magnus form with the coefficients of WMO-No. 8 (second hand); within 0.4 % from 5 to 50 degC.
    """
    return 611.2 * exp(17.62 * temperature / (243.12 + temperature))


@dataclass(frozen=True, slots=True)
class Air:
    """Air at one moment: `temperature` in degC, relative `humidity` as a fraction."""

    temperature: float
    humidity: float

    @property
    def vapour_pressure(self) -> float:
        """Partial pressure of the water vapour, Pa."""
        return self.humidity * saturation_pressure(self.temperature)


def shop_air(time: float) -> Air:
    """Air in the middle of the shop, `time` seconds after the start, which is a May midnight.

    A yearly and a daily wave and a slower one, as if weather came and went. The humidity never
    leaves 0.40 to 0.65, so the driest dowel stays on the scale of its curve.
    """
    season = sin(2 * pi * time / YEAR)
    day = sin(2 * pi * (time / DAY - 0.375))  # warmest at three in the afternoon
    spell = sin(2 * pi * time / (6.3 * DAY))
    return Air(19.5 + 2.5 * season + 1.8 * day + 0.6 * spell, 0.525 + 0.045 * spell - 0.05 * day)


def wet_face_air(time: float, *, wetted: bool) -> Air:
    """Air a hand's breadth off the wet face: damper and a little cooler while it is wetted."""
    shop = shop_air(time)
    if not wetted:
        return shop
    return Air(shop.temperature - 0.8, min(0.95, shop.humidity + 0.16))


def dry_face_air(time: float) -> Air:
    """Air behind the panel, out of the drip."""
    shop = shop_air(time)
    return Air(shop.temperature + 0.2, shop.humidity)


def over_water_air(around: Air, *, water: float) -> Air:
    """Air between the tray and the specimen: half from around it, half from the water's surface.

    `water` is the temperature of the water, degC.
    """
    temperature = (around.temperature + water) / 2
    pressure = (around.vapour_pressure + saturation_pressure(water)) / 2
    return Air(temperature, min(0.98, pressure / saturation_pressure(temperature)))


def lag(state: float, towards: float, *, seconds: float, time_constant: float) -> float:
    """Where `state` has got to after `seconds` of following `towards`; exact for any step."""
    return towards + (state - towards) * exp(-seconds / time_constant)
