"""What is dissolved in the water, by its conductivity, and what to do about it. Pure.

Water evaporates and its salts stay; a specimen that takes water up takes them with it. Salty water
makes a pair of pins read wet, whatever the wood holds.
"""

from typing import NamedTuple

from longsoak.vocabulary.errors import PhysicsError

# 1/K, about 25 degC: what conductivity rises by. Linear compensation with 2 % a kelvin is common
# practice (from memory); ISO 7888 gives a non-linear one for natural waters, whose text was not
# read, so it is not built in. Between 15 and 30 degC the two differ by less than water rounds do.
PER_KELVIN = 0.02
REFERENCE = 25.0  # degC
TWICE = 2.0  # times the first: what is told. As the test's terms ask.
_COLDEST, _WARMEST = -20.0, 80.0  # degC: at -25 degC linear compensation divides by nothing


def at_25(conductivity: float, temperature: float) -> float:
    """A conductivity as it would be at 25 degC.

    Parameters
    ----------
    conductivity : float
        At `temperature`, uS/cm.
    temperature : float
        Of the water, degC, -20 to 80.

    Raises
    ------
    PhysicsError
        The temperature is outside its range.
    """
    if not _COLDEST <= temperature <= _WARMEST:
        raise PhysicsError("temperature", temperature, "-20 to 80 degC")
    return conductivity / (1.0 + PER_KELVIN * (temperature - REFERENCE))


class Salts(NamedTuple):
    """How far the water has become saltier since the first look at it; `says` is one sentence."""

    factor: float
    told: bool
    says: str


def concentration(first: float, now: float) -> Salts:
    """Compare two conductivities at 25 degC, uS/cm, the first above 0."""
    if not first > 0:
        raise PhysicsError("conductivity", first, "more than 0 uS/cm, to compare with")
    factor = now / first
    if factor < TWICE:
        return Salts(factor, False, f"The water conducts {factor:.2f} times what it did first.")
    share = to_change(first, now)
    says = (
        f"The water conducts {factor:.1f} times what it did first ({now:.0f} µS/cm, at first "
        f"{first:.0f}): salts gather as it evaporates, and make pins read wet. Top up what "
        f"evaporates with demineralised water; to be back at the first, change {share:.0%} of it."
    )
    return Salts(factor, True, says)


def to_change(first: float, now: float, *, fresh: float = 0.0) -> float:
    """Which share of the water to change for `fresh` (uS/cm) to bring it back to the first.

    0 where it is not saltier, 1 where the fresh water is as salty as the first.
    """
    if now <= first:
        return 0.0
    return min(1.0, (now - first) / (now - fresh)) if now > fresh else 1.0
