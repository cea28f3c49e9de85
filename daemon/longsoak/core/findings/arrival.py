"""When water reached a probe: from when on it stays wetter than it was. Pure; needs numpy."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from longsoak.core.arrays import as_array, checked
from longsoak.core.uptake import Undetermined
from longsoak.core.wording import with_noun
from longsoak.vocabulary.errors import PhysicsError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from longsoak.core.arrays import Array

FEWEST_BEFORE = 24  # means that tell what a probe read before, and how that scatters
STAYS = 24  # means in a row that have to lie above
_FARTHEST = 3  # times as many, that an onset may lie before
_KNOWN = 0.5  # of these, the share that has to be known
_TIMES = 4.0  # standard deviations of the means before, above their mean
# Of a normal scatter one mean in 30,000 lies so far up, and a day of them in a row none.


@dataclass(frozen=True, slots=True)
class Arrival:
    """From when on readings stay above what they were before.

    `at` counts means from 0: it is the first of those, and `before` the last known one before it,
    -1 where there is none. `onset` is where the line through the first day of the rise leaves the
    mean before, in means from the beginning: water comes before it is told from scatter.
    """

    at: int
    before: int
    onset: float


def arrival_of(before: object, after: object, *, rise: float) -> Arrival | Undetermined | None:
    """Find when readings rose for good.

    Parameters
    ----------
    before : array
        Means over equal times before the face met the water, NaN where not known.
    after : array
        Means since, in the same unit.
    rise : float
        The least that counts as a rise, in that unit, above 0: what heat or the meter alone do.

    Returns
    -------
    Arrival or Undetermined or None
        None where they have not risen; undetermined from fewer than 24 means before.

    Raises
    ------
    PhysicsError
        The arrays have more dimensions than one, or `rise` is not above 0.

    Notes
    -----
    The level is the mean before and the larger of `rise` and four of its standard deviations. From
    the arrival on every known mean of a day lies above it, and half of them at least are known. A
    line through the known means of that day is followed back to the mean before, but not further
    than three days. Of simulated fronts the pace came out within 1 % of the truth
    (tests/report/test_analysis.py).
    Source: own choice; a change above a baseline's scatter is common practice.
    """
    import numpy as np

    least = checked("rise", rise, lowest=1e-9, highest=1e9, unit="")
    old, new = as_array("before", before, "numbers"), as_array("after", after, "numbers")
    if old.ndim != 1 or new.ndim != 1:
        raise PhysicsError("after", f"{new.ndim} dimensions", "one")
    told = old[np.isfinite(old)]
    if len(told) < FEWEST_BEFORE:
        return Undetermined(
            f"{with_noun(len(told), 'hour')} known before the water, and at least {FEWEST_BEFORE} "
            "are needed to tell a rise from what it did before"
        )
    base = float(told.mean())
    level = base + max(least, _TIMES * float(told.std(ddof=1)))
    known = np.isfinite(new)
    above = known & (np.where(known, new, -np.inf) > level)
    for at in np.flatnonzero(above):
        day = slice(int(at), int(at) + STAYS)
        there = known[day]
        if len(there) < STAYS or there.sum() < _KNOWN * STAYS:
            continue
        if above[day].sum() == there.sum():
            earlier = np.flatnonzero(known[:at])
            last = int(earlier[-1]) if len(earlier) else -1
            return Arrival(int(at), last, _onset(new[day], there, base) + int(at))
    return None


def _onset(day: "Array", known: "NDArray[np.bool_]", base: float) -> float:
    """Where the line through a day's known means leaves `base`, in means before the day begins."""
    import numpy as np

    place = np.flatnonzero(known).astype(float)
    values = day[known]
    slope = float(np.cov(place, values)[0, 1] / place.var(ddof=1))
    if slope <= 0.0:
        return 0.0
    at = float(place.mean()) - (float(values.mean()) - base) / slope
    return min(0.0, max(-float(_FARTHEST * STAYS), at))
