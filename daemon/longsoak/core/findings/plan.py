"""How many specimens and probes a wanted difference takes, before the test is built. Pure.

Readings scatter from specimen to specimen, from place to place in one, and from reading to reading
at one place. Only the first is made smaller by more specimens alone, and it is the one that says
whether a finding holds for the next specimen.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from longsoak.core.arrays import checked
from longsoak.core.findings.estimate import noncentral_t_below
from longsoak.core.regression import student_quantile
from longsoak.vocabulary.errors import PhysicsError

MOST = 1000  # specimens of a kind, or probes in a zone, up to which is looked
_SURE = 50.0  # times what a test asks for; so large a difference is found, however it scatters
_FARTHEST = 1e3  # standard errors that the noncentral t distribution is worked out for


class Design(Enum):
    """What is compared with what, and so what a finding speaks of."""

    SEPARATE = "specimens of this make: each kind in its own"
    PAIRED = "specimens of this make: both kinds side by side in each"
    ONE_SPECIMEN = "this specimen only: places in it are what is replicated"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Standard deviations, in one unit, each 0 or more.

    `specimens` is between specimens of one kind, `differences` between specimens of how far their
    two sides differ (0 where that is taken for the same in all), `places` between places of a zone
    in one specimen, `reading` between readings at one place.
    """

    specimens: float
    differences: float
    places: float
    reading: float


@dataclass(frozen=True, slots=True)
class Need:
    """What a wanted difference takes: `specimens` of each kind, `probes` in each zone of each.

    `power` is how likely it is to be found with these; `unit` is what the finding will speak of.
    """

    specimens: int
    probes: int
    power: float
    unit: str


def power_of(
    difference: float,
    *,
    spread: Spread,
    design: Design,
    specimens: int,
    probes: int,
    readings: int = 1,
    level: float = 0.05,
) -> float:
    """How likely a difference is to be found with so many specimens and probes.

    Parameters
    ----------
    difference : float
        Between the two kinds, in the unit of the spread, above 0.
    spread : Spread
        From a baseline, or from an earlier test.
    design : Design
        What is compared.
    specimens : int
        Of each kind, or with both side by side, 2 to 1000; 1 for one specimen.
    probes : int
        In the zone of each kind, in each specimen, 1 to 1000; 2 or more in one specimen.
    readings : int
        Independent ones at each place that are averaged, 1 to 1e6. Readings an hour apart are not.
    level : float
        Two-sided: how often no difference may be taken for one, 0.001 to 0.5.

    Returns
    -------
    float
        0 to 1.

    Raises
    ------
    PhysicsError
        An argument is outside its range, or nothing is said to scatter.

    Notes
    -----
    A two-sided test by Student's t on means of specimens (of places in one specimen), whose
    statistic then follows the noncentral t distribution. Variance of a kind's mean: that between
    specimens over their number, between places over all places, of readings over all of them. Side
    by side, what specimens have in common cancels and what their differences scatter by stays.

    Source: common practice (variance components); checked against the power functions of another
    library and by simulation.
    """
    wanted = checked("difference", difference, lowest=1e-12, highest=1e12, unit="")
    alpha = checked("level", level, lowest=1e-3, highest=0.5, unit="as a share")
    alone = design is Design.ONE_SPECIMEN
    _whole("specimens", specimens, 1 if alone else 2, 1 if alone else MOST)
    _whole("probes", probes, 2 if alone else 1, MOST)
    _whole("readings", readings, 1, 1_000_000)
    within = _checked(spread, "places") ** 2 + _checked(spread, "reading") ** 2 / readings
    between = _checked(spread, "specimens") ** 2
    apart = _checked(spread, "differences") ** 2
    if design is Design.SEPARATE:
        variance = 2.0 * (between + within / probes) / specimens
        freedom = 2.0 * (specimens - 1)
    elif design is Design.PAIRED:
        variance = (apart + 2.0 * within / probes) / specimens
        freedom = specimens - 1.0
    else:
        variance = 2.0 * within / probes
        freedom = 2.0 * (probes - 1)
    if variance <= 0.0:
        raise PhysicsError("spread", "all 0", "something that scatters: nothing is read without")
    edge = student_quantile(1.0 - alpha / 2.0, freedom)
    shift = min(wanted / math.sqrt(variance), _FARTHEST)
    if shift > _SURE * edge:
        return 1.0
    above = 1.0 - noncentral_t_below(edge, freedom=freedom, shift=shift)
    return above + noncentral_t_below(-edge, freedom=freedom, shift=shift)


def plan(
    difference: float,
    *,
    spread: Spread,
    design: Design,
    probes: Sequence[int] = (1, 2, 3, 4, 6, 8),
    power: float = 0.8,
    readings: int = 1,
    level: float = 0.05,
) -> tuple[Need, ...]:
    """The fewest specimens for a wanted difference, for each number of probes in a zone.

    Parameters
    ----------
    difference, spread, design, readings, level
        As for `power_of`.
    probes : sequence of int
        Numbers of probes in a zone to look at. In one specimen the fewest that do are found
        instead, and these are not looked at.
    power : float
        How likely the difference has to be found, 0.5 to 0.999.

    Returns
    -------
    tuple of Need
        One for each number of probes that can do it with up to 1000 specimens; for one specimen a
        single one. Empty where none can.

    Raises
    ------
    PhysicsError
        As `power_of`, or the power is outside its range.
    """
    wanted = checked("power", power, lowest=0.5, highest=0.999, unit="as a share")

    def found(specimens: int, each: int) -> float:
        return power_of(
            difference,
            spread=spread,
            design=design,
            specimens=specimens,
            probes=each,
            readings=readings,
            level=level,
        )

    needs = []
    alone = design is Design.ONE_SPECIMEN
    for each in (1,) if alone else probes:
        low, high = 1, MOST
        if (found(1, high) if alone else found(high, each)) < wanted:
            continue
        while high - low > 1:
            middle = (low + high) // 2
            enough = (found(1, middle) if alone else found(middle, each)) >= wanted
            low, high = (low, middle) if enough else (middle, high)
        number, zone = (1, high) if alone else (high, each)
        needs.append(Need(number, zone, found(number, zone), design.value))
    return tuple(needs)


def _checked(spread: Spread, name: str) -> float:
    value: float = getattr(spread, name)
    return checked(f"spread between {name}", value, lowest=0.0, highest=1e12, unit="")


def _whole(argument: str, value: int, lowest: int, highest: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not lowest <= value <= highest:
        allowed = f"{lowest}" if lowest == highest else f"a whole number, {lowest} to {highest}"
        raise PhysicsError(argument, value, allowed)
