"""The temperature of the wood between two pins, from probes at other depths. Pure."""

from collections.abc import Sequence
from math import hypot
from typing import NamedTuple

from longsoak.core.arrays import scalar
from longsoak.vocabulary.errors import PhysicsError

SENSOR = 0.5  # K, standard: a digital thermometer in a hole of its own
# K per mm of depth, standard, between a pair of pins and the one thermometer that serves it. A wet
# face may sit near the wet-bulb temperature, 6.2 K under the air at 20 degC and 50 % RH (computed
# with psychrolib 2.5.0), and half a wall of 100 mm lies between; rectangular, so over root 3.
GRADIENT = 6.2 / 100 / 3**0.5
AIR = 3.0  # K, standard, where a thermometer's depth is not known: about half a wall away
# Between two thermometers the wood need not follow a straight line: halfway, a tenth of their
# difference, and towards either as a parabola would, for there it is measured.
CURVATURE = 0.1
SAME_PLACE = 1.0  # mm: two holes are no closer known, so their difference is no gradient
WIDEST = 70.0  # K, standard: wood is measured from -20 to 50 degC, and no doubt can be wider

_DEEPEST = 1e6  # mm
_COLDEST, _HOTTEST = -100.0, 200.0  # degC


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
        Of the pins, mm, 0 to 1e6.
    depths : sequence of float or None
        Of the one or two thermometers, mm; None if it has none.
    temperatures : sequence of float
        What they read, degC, -100 to 200.

    Returns
    -------
    Warmth
        Beyond two thermometers the nearer one's value: whether the gradient between them goes on
        is not known, so what it would come to is uncertainty.

    Raises
    ------
    PhysicsError
        An argument is no number or outside its range, or there are not one or two thermometers.
    """
    if len(temperatures) not in (1, 2):
        raise PhysicsError("temperatures", f"of length {len(temperatures)}", "one or two")
    if len(depths) != len(temperatures):
        raise PhysicsError(
            "depths", f"of length {len(depths)}", f"{len(temperatures)}, as the temperatures have"
        )
    at = _place("depth", depth)
    places = [_place("depths", place) for place in depths]
    read = [_within("temperatures", t, _COLDEST, _HOTTEST, "degC") for t in temperatures]
    if len(read) == 1:
        return _told(read[0], SENSOR, _away(at, places[0]))
    (near, far), (one, other) = places, read
    mean, half = (one + other) / 2, (one - other) / 2
    if at is None or near is None or far is None:
        return _told(mean, SENSOR, AIR, half)
    if abs(far - near) < SAME_PLACE:
        return _told(mean, SENSOR, _away(at, (near + far) / 2), half)
    share = (at - near) / (far - near)
    if 0.0 <= share <= 1.0:
        bent = CURVATURE * (other - one) * 4 * share * (1 - share)
        return _told(one + share * (other - one), SENSOR * hypot(1 - share, share), bent)
    place, value = (near, one) if share < 0.0 else (far, other)
    going_on = (other - one) / (far - near) * (at - place)
    return _told(value, SENSOR, _away(at, place), going_on)


def _away(depth: float | None, place: float | None) -> float:
    """What the depth between pins and a thermometer leaves uncertain, K."""
    return AIR if depth is None or place is None else GRADIENT * abs(depth - place)


def _told(temperature: float, *doubts: float) -> Warmth:
    return Warmth(temperature, min(WIDEST, hypot(*doubts)))


def _place(argument: str, value: float | None) -> float | None:
    return None if value is None else _within(argument, value, 0.0, _DEEPEST, "mm")


def _within(argument: str, value: float, low: float, high: float, unit: str) -> float:
    if value.__class__ is float and low <= value <= high:
        return value
    allowed = f"{low:g} to {high:g} {unit}"
    found = scalar(argument, value, allowed)
    if not low <= found <= high:
        raise PhysicsError(argument, found, allowed)
    return found
