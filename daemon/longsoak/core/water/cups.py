"""Cup catches: how much water a bay's face gets, whether it clogs, and whether it is even. Pure."""

from collections.abc import Mapping, Sequence
from statistics import fmean
from typing import NamedTuple

from longsoak.vocabulary.errors import PhysicsError

# Own choice, as no source for such rails was found: a rail that gives a fifth less than at first
# clogs; bays are wetted unevenly where one gets a quarter less than their mean.
CLOGS, UNEVEN = 0.8, 0.75


class Catch(NamedTuple):
    """What was caught at a time, UTC ms: `rate` in L/(m2 h)."""

    at_ms: int
    bay: str
    rate: float


def rate(litres: float, minutes: float, area: float) -> float:
    """What a face gets.

    Parameters
    ----------
    litres : float
        That were caught, 0 or more.
    minutes : float
        In which they were.
    area : float
        Of the face below the rail that the cup stands for, m2.

    Returns
    -------
    float
        L/(m2 h).

    Raises
    ------
    PhysicsError
        The time or the area is not above 0, or the litres are below.
    """
    for name, value in (("minutes", minutes), ("area", area)):
        if not value > 0:
            raise PhysicsError(name, value, "more than 0")
    if not litres >= 0:
        raise PhysicsError("litres", litres, "0 or more")
    return litres / area / (minutes / 60.0)


def remarks(catches: Sequence[Catch]) -> list[str]:
    """What catches tell, a sentence each; they are in the order made."""
    said = []
    by_bay: dict[str, list[Catch]] = {}
    for catch in catches:
        by_bay.setdefault(catch.bay, []).append(catch)
    for bay, made in by_bay.items():
        first, last = made[0].rate, made[-1].rate
        if len(made) > 1 and last < CLOGS * first:
            said.append(
                f"{bay}: {last:.2f} L/(m²h), at first {first:.2f}. Its rail may clog: clean it."
            )
    newest: Mapping[str, float] = {bay: made[-1].rate for bay, made in by_bay.items()}
    if len(newest) > 1:
        mean = fmean(newest.values())
        said += [
            f"{bay}: {found:.2f} L/(m²h), {mean:.2f} in the mean of the bays. Wetting is uneven."
            for bay, found in newest.items()
            if found < UNEVEN * mean
        ]
    return said
