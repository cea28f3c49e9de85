"""The temperature correction of a moisture indication, for scales made on Douglas-fir. Pure.

Source: Garrahan 1988, as used with the resistance relation of Straube, Onysko and Schumacher 2002;
from memory, supported by calculation (tests/reference).
"""

import math

from longsoak.core.arrays import Numbers, checked, exp

COLDEST, WARMEST = -20.0, 50.0  # degC, beyond which nothing is converted
# %: resistance handed over by mistake lies far above, what the regression can turn 0 % into within.
LEAST, MOST = -10.0, 1000.0

# The regression's coefficients, in % indicated moisture content and degC.
_G0, _G1, _G2, G3, _G4 = 0.567, 0.0260, 0.000051, 0.881, 1.0056
LN_G4 = math.log(_G4)


def factor(temperature: Numbers) -> Numbers:
    """What a moisture content is multiplied by, to become an indication; degC."""
    return G3 * exp(LN_G4 * temperature)


def offset(temperature: Numbers) -> Numbers:
    """What is then taken off, % of indication; degC."""
    return _G0 - _G1 * temperature + _G2 * temperature * temperature


def offset_per_kelvin(temperature: float) -> float:
    """The derivative of `offset`, % per kelvin."""
    return 2 * _G2 * temperature - _G1


def corrected(indicated: Numbers, temperature: Numbers) -> Numbers:
    """Moisture content from an indication on a scale that is right at 22.7 degC.

    Parameters
    ----------
    indicated : float or array
        Indicated moisture content, %, -10 to 1000. Not ohms: the formula's "R" is a meter reading.
    temperature : float or array
        Temperature of the wood, degC, -20 to 50.

    Returns
    -------
    float or array
        Moisture content of Douglas-fir, %.

    Raises
    ------
    PhysicsError
        An argument is no number, or outside its range.
    """
    scale = checked("indicated", indicated, lowest=LEAST, highest=MOST, unit="%")
    celsius = checked("temperature", temperature, lowest=COLDEST, highest=WARMEST, unit="degC")
    return (scale + offset(celsius)) / factor(celsius)


def indicated(moisture_content: Numbers, temperature: Numbers) -> Numbers:
    """What a scale that is right at 22.7 degC would indicate: the inverse of `corrected`.

    Parameters
    ----------
    moisture_content : float or array
        Moisture content of Douglas-fir, %, -10 to 1000.
    temperature : float or array
        Temperature of the wood, degC, -20 to 50.

    Raises
    ------
    PhysicsError
        An argument is no number, or outside its range.
    """
    content = checked("moisture_content", moisture_content, lowest=LEAST, highest=MOST, unit="%")
    celsius = checked("temperature", temperature, lowest=COLDEST, highest=WARMEST, unit="degC")
    return content * factor(celsius) - offset(celsius)
