"""A level, or a conductivity, put right for its temperature. Pure.

Without the temperature a value is kept as it came: its uncertainty then holds what the correction
might have been.
"""

from math import hypot, isnan
from typing import NamedTuple

from longsoak.core.water.salts import PER_KELVIN, at_25
from longsoak.vocabulary.rig import Kind, Probe

REFERENCE = 20.0  # degC, at which a level's zero and span hold
THERMOMETER = 0.25  # K, standard; as `longsoak.core.convert` has it for a probe of its own
# K, standard, of a temperature that nobody measured. Own choice: a room between 10 and 30 degC, any
# of it alike (rectangular, so over root 3).
UNKNOWN = 10.0 / 3**0.5


class Warmed(NamedTuple):
    """A value and what its temperature adds to its standard uncertainty, in its own unit.

    `matters` tells that the temperature is missing and could have moved it by more than the rest
    of its uncertainty.
    """

    value: float
    uncertainty: float
    matters: bool


def is_warmed(probe: Probe) -> bool:
    """Whether a probe's value is put right for a temperature."""
    if probe.kind is Kind.LEVEL:
        return bool(probe.zero_per_kelvin or probe.span_per_kelvin)
    return probe.kind is Kind.CONDUCTIVITY and bool(probe.temperatures)


def warmed(probe: Probe, value: float, temperature: float, *, uncertainty: float) -> Warmed:
    """Put a value right.

    Parameters
    ----------
    probe : Probe
        Whose value it is: one that `is_warmed`.
    value : float
        As it came, in the unit of the probe's kind.
    temperature : float
        Of the sensor, or of the water, degC; NaN where it is missing.
    uncertainty : float
        Standard uncertainty of the value without its temperature.

    Notes
    -----
    A level that truly is ``h`` reads ``h (1 + span t) + zero t``, ``t`` being its temperature less
    20 degC. Common practice for pressure cells, whose sheets give both.
    """
    known = not isnan(temperature)
    if probe.kind is Kind.CONDUCTIVITY:
        slope = PER_KELVIN * value
        right = at_25(value, temperature) if known else value
    else:
        slope = probe.zero_per_kelvin + probe.span_per_kelvin * value
        over = temperature - REFERENCE if known else 0.0
        right = (value - probe.zero_per_kelvin * over) / (1.0 + probe.span_per_kelvin * over)
    more = abs(slope) * (THERMOMETER if known else UNKNOWN)
    return Warmed(right, hypot(uncertainty, more), not known and more > uncertainty)
