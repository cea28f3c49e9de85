"""Readings of one probe averaged over windows, with how much of each is covered. Pure."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from longsoak.core.arrays import as_array
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from longsoak.core.arrays import Array

LEAST_COVERED = 0.5  # of a window, for it to have a mean


@dataclass(frozen=True, slots=True)
class Windows:
    """One probe's windows, arrays of one length.

    `means` and their standard `uncertainties` are NaN where too little of a window is covered by
    good readings; `covered` is that share, 0 to 1. Where a reading is only a bound its mean is one:
    `at_least`, `at_most`, or both, and then it says nothing.
    """

    means: "Array"
    uncertainties: "Array"
    covered: "Array"
    at_least: "NDArray[np.bool_]"
    at_most: "NDArray[np.bool_]"


def windows_of(
    times: object,
    *,
    values: object,
    uncertainties: object,
    flags: object,
    reasons: object,
    edges: object,
    every: float,
    least: float = LEAST_COVERED,
) -> Windows:
    """Average one probe's readings.

    Parameters
    ----------
    times : array
        When each was taken, ms, rising.
    values, uncertainties : array
        In the unit of the probe's kind; the uncertainty is standard.
    flags, reasons : array
        Numbers of `Flag` and `Reason`, with what lies over the readings laid over them.
    edges : array
        Where windows begin and end, ms, rising, one more than there are windows.
    every : float
        How far apart readings are meant to be, ms, above 0.
    least : float
        The share of a window that good readings have to cover, 0 to 1.

    Returns
    -------
    Windows
        Of readings that passed all checks. The uncertainty of a mean is the mean of its readings':
        what they share, as the curve and the meter, does not average out.

    Raises
    ------
    PhysicsError
        Arrays differ in length, do not rise, or a number is not as described.
    """
    import numpy as np

    t, v, u, at = (
        as_array(name, given, "numbers")
        for name, given in (
            ("times", times),
            ("values", values),
            ("uncertainties", uncertainties),
            ("edges", edges),
        )
    )
    told, why = np.asarray(flags), np.asarray(reasons)
    if len({len(each) for each in (t, v, u, told, why)}) != 1:
        raise PhysicsError("times", f"{len(t)} of them", "as many as values, flags and reasons")
    if len(at) < 2 or (np.diff(at) <= 0).any():
        raise PhysicsError("edges", "some that do not rise", "two or more that rise")
    if (np.diff(t) < 0).any():
        raise PhysicsError("times", "some that do not rise", "times that rise")
    if not every > 0:
        raise PhysicsError("every", every, "more than 0 ms")
    if not 0 <= least <= 1:
        raise PhysicsError("least", least, "0 to 1")

    count = len(at) - 1
    cuts = np.searchsorted(t, at)
    inside = slice(int(cuts[0]), int(cuts[-1]))
    place = np.repeat(np.arange(count), np.diff(cuts))
    v, u, told, why = v[inside], u[inside], told[inside], why[inside]
    good = (told == Flag.PASS) & np.isfinite(v)
    if not good.all():
        place, v, u, why = place[good], v[good], u[good], why[good]
    number = np.bincount(place, minlength=count)
    covered = np.minimum(1.0, number * every / np.diff(at))
    known = (number > 0) & (covered >= least)
    divisor = np.maximum(1, number)
    means = np.bincount(place, weights=v, minlength=count) / divisor
    spread = np.bincount(place, weights=np.nan_to_num(u), minlength=count) / divisor
    bounds = [
        np.bincount(place[np.isin(why, list(of))], minlength=count) > 0
        if why.any()
        else np.zeros(count, dtype=bool)
        for of in (AT_LEAST, AT_MOST)
    ]
    return Windows(
        np.where(known, means, np.nan), np.where(known, spread, np.nan), covered, *bounds
    )


def coarser(windows: Windows, first: int, last: int, *, by: int) -> Windows:
    """Windows of one length from place `first` to below `last`, `by` of them made one.

    What is left over at the end is left out. One is known where half of its own are, at least.

    Parameters
    ----------
    windows : Windows
        Of one length, one behind the other.
    first, last : int
        Places, from 0.
    by : int
        1 or more.
    """
    import numpy as np

    count = max(0, last - first) // by
    cut = slice(first, first + count * by)

    def rows(column: "Array") -> "Array":
        return column[cut].reshape(count, by)

    means = rows(windows.means)
    known = np.isfinite(means)
    number = known.sum(axis=1)
    there = number >= max(1, LEAST_COVERED * by)
    divisor = np.maximum(1, number)

    def mean(column: "Array") -> "Array":
        total = np.where(known, rows(column), 0.0).sum(axis=1)
        return np.where(there, total / divisor, np.nan)

    return Windows(
        mean(windows.means),
        mean(windows.uncertainties),
        rows(windows.covered).mean(axis=1) if count else np.empty(0),
        np.logical_or.reduce(windows.at_least[cut].reshape(count, by), axis=1),
        np.logical_or.reduce(windows.at_most[cut].reshape(count, by), axis=1),
    )
