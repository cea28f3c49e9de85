"""The moisture content wood settles at in air, and the air it would be at rest in. Pure.

A mean sorption curve for wood as a whole. Wood that has been drying holds 2 to 3 % MC more in the
same air than wood that has been wetting (hysteresis; from memory), and the mean runs between. It
serves to ask whether pins and the humidity probe beside them can both be right; it does not hold
near saturation, nor for mineral or cement-bonded materials.
"""

import math
from typing import Generic

from longsoak.core.arrays import Numbers, checked
from longsoak.vocabulary.errors import PhysicsError

COLDEST, WARMEST = -1.1, 60.0  # degC
DRIEST, DAMPEST = 0.0, 95.0  # % RH; the handbook's table ends there

# The fit: its mean deviation from the older table's cells is below 0.13 % MC (abstract read),
# which for a normal spread is a standard deviation of 0.16.
FIT = 0.13 * math.sqrt(math.pi / 2.0)
# Hysteresis: a piece lies anywhere within 1.5 % MC of the mean (from memory), taken as equally
# likely everywhere in there.
HYSTERESIS = 1.5 / math.sqrt(3.0)
CURVE_UNCERTAINTY = math.hypot(FIT, HYSTERESIS)  # % MC

_HALVINGS = 60  # of 95 % RH: what is left is below rounding


# Constant, linear and square term in temperature, degC.
_WEIGHT = (349.0, 1.29, 0.0135)
_K = (0.805, 0.000736, -0.00000273)
_K1 = (6.27, -0.00938, -0.000303)
_K2 = (1.91, 0.0407, -0.000293)


def equilibrium_moisture(temperature: Numbers, *, relative_humidity: Numbers) -> Numbers:
    """Moisture content wood settles at.

    Parameters
    ----------
    temperature : float or array
        degC, from -1.1 to 60.
    relative_humidity : float or array
        %, from 0 to 95.

    Returns
    -------
    float or array
        % of dry mass. For one piece of wood its standard uncertainty is `CURVE_UNCERTAINTY`,
        0.88 % MC, most of it hysteresis, beside what the air's own uncertainty adds
        (`equilibrium_uncertainty`).

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.

    Notes
    -----
    The form of Hailwood and Horrobin for two hydrates::

        M = 1800/W (Kh/(1 - Kh) + (K1 Kh + 2 K1 K2 (Kh)^2)/(1 + K1 Kh + K1 K2 (Kh)^2))

    with h the relative humidity as a fraction and W, K, K1, K2 quadratic in temperature.

    Source: Wood Handbook (FPL), equation 4-5, Celsius form, coefficients as in Simpson 1998,
    FPL-RN-0268; second hand, from a transcription. The handbook's form in Fahrenheit is its twin
    to 0.013 % MC between 0 and 55 degC and 5 and 95 % RH (computed).
    """
    t, h = _checked_air(temperature, relative_humidity)
    return _Curve(t).moisture(h / 100.0)


def equilibrium_humidity(temperature: Numbers, *, moisture_content: Numbers) -> Numbers:
    """Relative humidity at which wood of a moisture content is at rest.

    Parameters
    ----------
    temperature : float or array
        degC, from -1.1 to 60.
    moisture_content : float or array
        % of dry mass, from 0 to what `equilibrium_moisture` gives at 95 % RH and this
        temperature: 24.3 % at 0 degC, 21.0 % at 60 degC.

    Returns
    -------
    float or array
        %; `equilibrium_moisture` of it is `moisture_content` again to 1e-9. Hysteresis makes
        this the weak direction: 1 % MC is 6 % RH at 50 % RH, and 2 % RH at 90 %.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.
    """
    t = checked("temperature", temperature, lowest=COLDEST, highest=WARMEST, unit="degC")
    wanted = checked("moisture_content", moisture_content, lowest=0.0, highest=math.inf, unit="%")
    curve = _Curve(t)
    _refuse_beyond(wanted, curve.moisture(0.0 * t + DAMPEST / 100.0), t)
    # Halving, as the curve bends both ways; without a branch, so that arrays go through too.
    h, width = 0.0 * wanted, DAMPEST / 100.0
    for _ in range(_HALVINGS):
        width = width / 2.0
        h = h + width * (curve.moisture(h + width) <= wanted)
    return 100.0 * h


def equilibrium_uncertainty(
    temperature: float,
    *,
    relative_humidity: float,
    u_temperature: float,
    u_relative_humidity: float,
) -> float:
    """Standard uncertainty of `equilibrium_moisture` for one piece of wood (JCGM 100).

    Parameters
    ----------
    temperature, relative_humidity : float
        As for `equilibrium_moisture`.
    u_temperature, u_relative_humidity : float
        Their standard uncertainties, K and % RH, taken as independent.

    Returns
    -------
    float
        % MC: the curve's own `CURVE_UNCERTAINTY` and, to first order, what the two add.

    Raises
    ------
    PhysicsError
        An argument is not finite or outside its range.
    """
    t, rh = _checked_air(temperature, relative_humidity)
    u_t = checked("u_temperature", u_temperature, lowest=0.0, highest=100.0, unit="K")
    u_rh = checked("u_relative_humidity", u_relative_humidity, lowest=0.0, highest=100.0, unit="%")
    by_temperature, by_humidity = _slopes(t, rh / 100.0)
    return math.hypot(CURVE_UNCERTAINTY, by_temperature * u_t, by_humidity / 100.0 * u_rh)


class _Curve(Generic[Numbers]):
    """The sorption curve at one temperature."""

    def __init__(self, temperature: Numbers) -> None:
        self.weight: Numbers = _polynomial(_WEIGHT, temperature)
        self.k: Numbers = _polynomial(_K, temperature)
        self.a: Numbers = _polynomial(_K1, temperature)
        self.b: Numbers = self.a * _polynomial(_K2, temperature)

    def moisture(self, h: Numbers) -> Numbers:
        """Moisture content, %, at a relative humidity given as a fraction."""
        y = self.k * h
        first, second = self.a * y, self.b * y * y
        bound: Numbers = (first + 2.0 * second) / (1.0 + first + second)
        return 1800.0 / self.weight * (y / (1.0 - y) + bound)


def _slopes(t: float, h: float) -> tuple[float, float]:
    """Slopes of moisture content, % per K and % per unit of relative humidity as a fraction."""
    curve = _Curve(t)
    k2 = _polynomial(_K2, t)
    y = curve.k * h
    first, second = curve.a * y, curve.b * y * y
    below = 1.0 + first + second
    by_y = 1.0 / (1.0 - y) ** 2 + (
        (curve.a + 4.0 * curve.b * y) * below
        - (first + 2.0 * second) * (curve.a + 2.0 * curve.b * y)
    ) / (below * below)
    by_a = y * (1.0 - second) / (below * below)
    by_b = y * y * (2.0 + first) / (below * below)
    d_a = _derivative(_K1, t)
    scale = 1800.0 / curve.weight
    by_temperature = (
        scale
        * (
            by_y * h * _derivative(_K, t)
            + by_a * d_a
            + by_b * (d_a * k2 + curve.a * _derivative(_K2, t))
        )
        - curve.moisture(h) * _derivative(_WEIGHT, t) / curve.weight
    )
    return by_temperature, scale * by_y * curve.k


def _polynomial(terms: tuple[float, float, float], t: Numbers) -> Numbers:
    return terms[0] + (terms[1] + terms[2] * t) * t


def _derivative(terms: tuple[float, float, float], t: float) -> float:
    return terms[1] + 2.0 * terms[2] * t


def _checked_air(temperature: Numbers, relative_humidity: Numbers) -> tuple[Numbers, Numbers]:
    return (
        checked("temperature", temperature, lowest=COLDEST, highest=WARMEST, unit="degC"),
        checked("relative_humidity", relative_humidity, lowest=DRIEST, highest=DAMPEST, unit="%"),
    )


def _refuse_beyond(wanted: Numbers, most: Numbers, temperature: Numbers) -> None:
    if isinstance(wanted, float) and isinstance(most, float):
        if wanted > most:
            raise PhysicsError("moisture_content", wanted, _allowed(most, temperature))
        return
    import numpy as np

    each, top, at = np.broadcast_arrays(wanted, most, temperature)
    beyond = each > top
    if beyond.any():
        raise PhysicsError(
            "moisture_content",
            float(each[beyond][0]),
            _allowed(float(top[beyond][0]), float(at[beyond][0])),
        )


def _allowed(most: float, temperature: float) -> str:
    return f"0 to {most:.4g} % at {temperature:g} degC"
