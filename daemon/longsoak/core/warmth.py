"""The temperature of the wood between two pins, from probes at other depths. Pure."""

from collections.abc import Sequence
from math import hypot
from typing import NamedTuple

SENSOR = 0.5  # K, standard: a digital thermometer in a hole of its own
# K per mm of depth, standard, between a pair of pins and the one thermometer that serves it. A wet
# face may sit near the wet-bulb temperature, 6.2 K under the air at 20 degC and 50 % RH (computed
# with psychrolib 2.5.0), and half a wall of 100 mm lies between; rectangular, so over root 3.
GRADIENT = 6.2 / 100 / 3**0.5
AIR = 3.0  # K, standard, where a thermometer's depth is not known: about half a wall away
# Between two thermometers the wood need not follow a straight line; a tenth of their difference.
CURVATURE = 0.1


class Warmth(NamedTuple):
    """A temperature, degC, its standard uncertainty, K, and whether it is only a stand-in."""

    temperature: float
    uncertainty: float
    stand_in: bool = False


def by_depth(
    depth: float | None, depths: Sequence[float | None], temperatures: Sequence[float]
) -> Warmth:
    """The temperature at a depth from one thermometer, or straight between two.

    Parameters
    ----------
    depth : float or None
        Of the pins, mm.
    depths : sequence of float or None
        Of the one or two thermometers, mm; None if it has none.
    temperatures : sequence of float
        What they read, degC.

    Returns
    -------
    Warmth
        Beyond two thermometers the nearer one's value, with the gradient's uncertainty.
    """
    if len(temperatures) == 1:
        return _alone(depth, depths[0], temperatures[0])
    (near, far), (cold, warm) = depths, temperatures
    if depth is None or near is None or far is None or near == far:
        mean = (cold + warm) / 2
        return Warmth(mean, hypot(SENSOR, AIR, (cold - warm) / 2))
    share = (depth - near) / (far - near)
    if not 0.0 <= share <= 1.0:
        return _alone(depth, near, cold) if share < 0 else _alone(depth, far, warm)
    value = cold + share * (warm - cold)
    sensors = SENSOR * hypot(1 - share, share)
    return Warmth(value, hypot(sensors, CURVATURE * (warm - cold)))


def _alone(depth: float | None, at: float | None, temperature: float) -> Warmth:
    away = AIR if depth is None or at is None else GRADIENT * abs(depth - at)
    return Warmth(temperature, hypot(SENSOR, away))
