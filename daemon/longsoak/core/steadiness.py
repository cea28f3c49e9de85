"""Whether a probe has come to rest, from the means of its last days. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from statistics import median

from longsoak.core.quality.trend import scatter_about, theil_sen
from longsoak.vocabulary.rig import Kind

DAYS = 7
LEAST_DAYS = 6  # of them, with a mean
# What a probe may change by in `DAYS` and count as steady, in the unit of its kind. Our own choice.
MOST: Mapping[Kind, float] = {Kind.PINS: 0.5, Kind.HUMIDITY: 2.0}
# Of the mass, in a day. ISO 12570: mass is constant where it changes by less than 0.1 % between
# weighings a day apart. From memory.
MASS_SHARE = 0.001
_TOO_NOISY = 3.0  # times what may be changed by: with such noise no trend can be told


class Rest(StrEnum):
    """Whether something is steady; the values are the words people see."""

    STEADY = "steady"
    CHANGES = "changes"
    UNKNOWN = "not known"


@dataclass(frozen=True, slots=True)
class DayMean:
    """One day of a probe: the mean of its good readings, None where there are too few.

    `drier` says that the readings lie below what its curve reaches, so that there is no mean.
    """

    mean: float | None
    drier: bool = False


@dataclass(frozen=True, slots=True)
class Steadiness:
    """Whether a probe is steady, what it changed by in `DAYS` (None: not known), and why."""

    rest: Rest
    change: float | None
    says: str


def steadiness(days: Sequence[DayMean], *, most: float, unit: str) -> Steadiness:
    """Judge the last days of a probe.

    Parameters
    ----------
    days : sequence of DayMean
        Of `DAYS` days on end, the oldest first.
    most : float
        What it may change by in that time, in its unit.
    unit : str
        As a person reads it.

    Returns
    -------
    Steadiness
        Steady where the change is at most `most`, or the trend can't be told from the noise of the
        days; not known with fewer than `LEAST_DAYS` means, or where that noise hides any trend.

    Notes
    -----
    The slope is the median of the slopes between all pairs of days, with its 95 % interval (Sen
    1968, `longsoak.core.quality.trend`): one odd day does not make a trend, and none hides one.
    """
    known = [(float(at), day.mean) for at, day in enumerate(days) if day.mean is not None]
    if sum(day.drier for day in days) >= LEAST_DAYS:
        return Steadiness(Rest.STEADY, None, "drier than its curve reaches on every day")
    if len(known) < LEAST_DAYS:
        return Steadiness(
            Rest.UNKNOWN, None, f"good readings on {len(known)} of the last {DAYS} days"
        )
    xs, ys = [at for at, _ in known], [mean for _, mean in known]
    found = theil_sen(xs, ys)
    rest = [y - found.slope * x for x, y in known]
    noise = scatter_about(median(rest), rest)
    change = found.slope * DAYS
    says = f"{round(change, 2) + 0.0:+.2f} {unit} in {DAYS} days"
    if noise > _TOO_NOISY * most:
        return Steadiness(Rest.UNKNOWN, change, f"{says}, with {noise:.2g} from day to day")
    steady = abs(change) <= most or found.low <= 0.0 <= found.high
    return Steadiness(Rest.STEADY if steady else Rest.CHANGES, change, says)


def mass_steadiness(days: Sequence[DayMean]) -> Steadiness:
    """Judge the last days of a scale: three means on end with less than `MASS_SHARE` between them.

    Source: ISO 12570, constant mass; from memory.
    """
    last = [day.mean for day in days[-3:]]
    known = [mean for mean in last if mean is not None and mean > 0.0]
    if len(known) < 3:
        return Steadiness(Rest.UNKNOWN, None, "no mass on each of the last 3 days")
    steps = [(b - a) / a for a, b in pairwise(known)]
    largest = max(steps, key=abs)
    rest = Rest.STEADY if abs(largest) < MASS_SHARE else Rest.CHANGES
    return Steadiness(
        rest, known[-1] - known[0], f"{round(100 * largest, 2) + 0.0:+.2f} % of the mass in a day"
    )
