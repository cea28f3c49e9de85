"""Bands that what was read so far would fit into: to be proposed, never to be applied. Pure."""

from collections.abc import Callable, Sequence
from math import ceil, floor, log10
from statistics import median

from longsoak.core.quality.limits import LIMITS
from longsoak.vocabulary.rig import Band, Kind, Probe

FEWEST = 7  # days that a band can be proposed from
_BEYOND = 0.5  # of what was seen, that a band is wider on either side
_LESS = 0.25  # of the usual movement within a day
_AT_LEAST = 0.002  # of its value, by which a reference resistor may always move

# The least and the greatest value of a day.
Range = tuple[float, float]


def propose(probe: Probe, days: Sequence[Range]) -> Band | None:
    """The band that days of one probe would fit into; None where they are too few.

    Parameters
    ----------
    probe : Probe
        Whose they are.
    days : sequence of tuple
        The least and the greatest value of each.

    Notes
    -----
    From the least to the greatest of all, and half of that beyond on either side, but no less than
    what a change apart from its neighbours has to come to; a quarter of the usual movement within
    a day. This project's own choice.
    """
    if len(days) < FEWEST:
        return None
    low, high = min(day[0] for day in days), max(day[1] for day in days)
    least = LIMITS[probe.kind].apart if probe.kind in LIMITS else _AT_LEAST * abs(high)
    beyond = max(least, _BEYOND * (high - low))
    moved = median(day[1] - day[0] for day in days)
    moves = _down(_LESS * moved) if probe.kind is not Kind.REFERENCE and moved > 0 else 0.0
    low, high = _even(low - beyond, beyond, floor), _even(high + beyond, beyond, ceil)
    if probe.kind is not Kind.TEMPERATURE:
        low = max(0.0, low)
    return Band(probe.name, low=low, high=high, moves=moves)


def _even(value: float, scale: float, to: Callable[[float], int]) -> float:
    """Rounded by `to`, to a tenth of what matters."""
    step = 10.0 ** (floor(log10(scale)) - 1)
    return float(f"{to(value / step) * step:.12g}")


def _down(value: float) -> float:
    """Rounded to one digit that counts, downwards."""
    step = 10.0 ** floor(log10(value))
    return float(f"{floor(value / step) * step:.12g}")
