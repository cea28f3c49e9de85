"""The Douglas-fir dowels that hold the pins: moisture from the pores, resistance from moisture.

Both relations are the demo's own and know nothing of the daemon's curves. They only have to be
of a real dowel's size: the resistance is a parabola in log-log through the size of figures that
trade tables print for this species, and conductivity doubles with every 10 K.
"""

from math import log10

from longsoak_demo.materials import activity

_TABLE_TEMPERATURE = 26.7  # degC, where the parabola holds
_DECADES_PER_KELVIN = 0.0301  # log10(2) / 10


def moisture_content(saturation: float) -> float:
    """Moisture content of a dowel, % of dry mass, in pores of this `saturation`.

    It follows the air in the pores, so it ends near 21 % where the drip keeps the render wet:
    the rail is set so mildly that no pin leaves the range its curve covers.
    """
    humidity = activity(saturation)
    return float(3.0 + 11.0 * humidity + 14.0 * humidity**6)


def resistance(moisture: float, temperature: float) -> float:
    """Resistance between two pins, Ohm, at `moisture` in % and `temperature` in degC."""
    x = log10(moisture / 14.0)
    decades = 7.515 - 8.231 * x + 3.566 * x * x
    return float(10 ** (decades - _DECADES_PER_KELVIN * (temperature - _TABLE_TEMPERATURE)))
