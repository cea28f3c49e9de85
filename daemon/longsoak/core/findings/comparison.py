"""Two bays, or two phases, compared: how far apart they are, and how well that is known. Pure.

Needs numpy. What is given is a difference with an interval, and never a bare probability. An
interval is of its replication unit only: two bays of one specimen, measured a thousand times, tell
of that specimen.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from longsoak.core.arrays import checked
from longsoak.core.findings.estimate import Estimate, checked_confidence
from longsoak.core.findings.serial import block_length, worth_of_mean
from longsoak.core.uptake import Undetermined
from longsoak.core.wording import with_noun
from longsoak.vocabulary.errors import PhysicsError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from longsoak.core.arrays import Array

FEWEST_PAIRS = 96  # three lengths of averaging, of 24 stretches or more each
FEWEST_EFFECTIVE = 3.0  # independent values; with fewer Student's t is wider than any answer
FEWEST_FOR_EFFECT = 8.0  # independent values, or the spread itself is too ill known
_AT_ONCE = 1_000_000  # blocks drawn at a time, which bounds the memory


@dataclass(frozen=True, slots=True)
class Comparison:
    """How far the first series lies above the second.

    `difference` is in the unit of the readings; `effect` is the same in standard deviations of the
    differences (`spread`), each with its interval of `confidence`; None from fewer than 8
    independent pairs, which don't tell the spread well enough. `pairs` were there at both,
    `left_out` at one only or at none. `block` is the length of the bootstrap's blocks in readings;
    `effective` how many independent pairs would tell as much. `unit` is what was replicated, and
    so what the interval speaks of.
    """

    difference: Estimate
    effect: Estimate | None
    spread: float
    confidence: float
    pairs: int
    left_out: int
    block: int
    effective: float
    unit: str

    @property
    def told_apart(self) -> bool:
        """Whether the interval of the difference leaves out 0."""
        return not self.difference.holds(0.0)

    @property
    def basis(self) -> str:
        """What it rests on, in a sentence."""
        return (
            f"{with_noun(self.pairs, 'pair')} that tell as much as {self.effective:.3g} "
            f"independent ones, in blocks of {self.block}; the interval is of {self.unit}"
        )


def compare(
    first: Sequence[float | None],
    *,
    second: Sequence[float | None],
    unit: str,
    seed: int,
    confidence: float = 0.95,
    resamples: int = 2000,
) -> Comparison | Undetermined:
    """How far one series lies above another, pair by pair.

    Parameters
    ----------
    first, second : sequence of float or None
        Readings in one unit, evenly spaced, at the same times of two bays, or at the same times
        since the beginning of two phases. None where one is missing; gaps are not filled.
    unit : str
        What was replicated, such as "this specimen only: its bays are no replicates". It is told
        with the interval.
    seed : int
        Of the bootstrap's random numbers, 0 or more. The same seed gives the same result.
    confidence : float
        Of the intervals, 0.5 to 0.999.
    resamples : int
        200 to 100,000.

    Returns
    -------
    Comparison or Undetermined
        Undetermined from fewer than 96 pairs; where the differences hang together for so long that
        they tell no more than 3 independent ones; and where all are the same.

    Raises
    ------
    PhysicsError
        A reading is not finite, the series are of different length, the unit is not told, or an
        argument is outside its range.

    Notes
    -----
    Differences of pairs are drawn again in blocks that wrap round (circular block bootstrap,
    Politis and Romano 1992, from memory), as long as `longsoak.core.findings.serial.block_length`
    has them. Blocks alone make intervals too narrow where a series is short to its memory: in
    simulated ones they held the truth 54 to 94 % of the time at 95 %. They are therefore stretched
    to what `longsoak.core.findings.serial.worth_of_mean` asks for, where that is more. Of 100 pairs
    with a memory of 20 three quarters are refused; those let through held the truth 87 % of the
    time, all with a shorter one or more pairs 90 to 99 % (tests/core/findings/test_comparison.py).

    The interval of the effect is that of the mean of its influence values
    ``(d - m)/s - (m/2s) (((d - m)/s)**2 - 1)``, found in the same way.

    Random numbers are raw draws of PCG64, whose stream numpy promises to keep, made into places by
    a product; so the result does not depend on the version of numpy but for the last digits of
    sums.
    """
    import numpy as np

    share = checked_confidence(confidence)
    _checked_whole("seed", seed, 0, 2**63)
    _checked_whole("resamples", resamples, 200, 100_000)
    if not unit.strip():
        raise PhysicsError("unit", "empty", "what was replicated, such as 'this specimen only'")
    if len(first) != len(second):
        raise PhysicsError("second", len(second), f"{len(first)} values, one for each of first")
    differences = np.array(
        [
            math.nan if a is None or b is None else _finite("first", a) - _finite("second", b)
            for a, b in zip(first, second, strict=True)
        ]
    )
    there = ~np.isnan(differences)
    pairs = int(there.sum())
    if pairs < FEWEST_PAIRS:
        return Undetermined(
            f"{with_noun(pairs, 'pair')} of readings, and at least {FEWEST_PAIRS} are needed to "
            "tell how long they hang together"
        )
    mean = float(np.nanmean(differences))
    seen = math.sqrt(float(np.nansum((differences - mean) ** 2)) / pairs)
    if seen <= 1e-12 * max(1.0, abs(mean)):
        return Undetermined("all differences are the same, which no two probes show")
    worth = worth_of_mean(differences, confidence=share)
    if worth.independent < FEWEST_EFFECTIVE:
        return Undetermined(
            f"the differences hang together for so long that {with_noun(pairs, 'pair')} tell no "
            f"more than {worth.independent:.2g} independent ones, and at least "
            f"{FEWEST_EFFECTIVE:g} are needed. Compare over a longer time"
        )
    # About their own mean they scatter less than they would about that of a longer time.
    spread = math.hypot(seen, worth.error)
    low, high = _ends(differences, share, seed, resamples)
    effect: Estimate | None = None
    if worth.independent >= FEWEST_FOR_EFFECT:
        ratio, scaled = mean / spread, (differences - mean) / spread
        influence = scaled - 0.5 * ratio * (scaled**2 - 1.0)
        least, most = _ends(influence, share, seed, resamples)
        effect = Estimate(ratio, ratio + least, ratio + most)
    return Comparison(
        difference=Estimate(mean, mean + low, mean + high),
        effect=effect,
        spread=spread,
        confidence=share,
        pairs=pairs,
        left_out=len(differences) - pairs,
        block=block_length(differences),
        effective=min(worth.effective, float(pairs)),
        unit=unit.strip(),
    )


def _ends(series: "Array", share: float, seed: int, resamples: int) -> tuple[float, float]:
    """How far from a series' mean the ends of its interval lie."""
    import numpy as np

    means = np.sort(_resampled(series, block_length(series), seed, resamples))
    place = round((0.5 - share / 2.0) * (resamples + 1))
    low, high = float(means[max(place - 1, 0)]), float(means[min(resamples - place, resamples - 1)])
    half = worth_of_mean(series, confidence=share).half_width
    stretch = max(1.0, 2.0 * half / (high - low)) if high > low else 1.0
    return stretch * low, stretch * high


def _resampled(series: "Array", block: int, seed: int, resamples: int) -> "Array":
    """Means of a series drawn again in blocks that wrap round, less its own mean."""
    import numpy as np

    n = len(series)
    there = ~np.isnan(series)
    centred = np.where(there, series - np.nanmean(series), 0.0)
    whole = bool(there.all())
    count = math.ceil(n / block)
    last = n - (count - 1) * block  # as many readings as there were
    sums = _block_sums(centred, block), _block_sums(centred, last)
    filled = _block_sums(there, block), _block_sums(there, last)
    source = np.random.PCG64(seed)
    means = np.empty(resamples)
    step = max(1, _AT_ONCE // count)
    for begin in range(0, resamples, step):
        rows = min(step, resamples - begin)
        raw = np.asarray(source.random_raw(rows * count), dtype=np.uint64)
        shares = (raw >> np.uint64(11)).astype(np.float64) * 2.0**-53
        starts = (shares * n).astype(np.int64).reshape(rows, count)
        total = n if whole else np.maximum(_drawn(filled, starts), 1)
        means[begin : begin + rows] = _drawn(sums, starts) / total
    return means


def _block_sums(series: "Array", length: int) -> "Array":
    """What the blocks of one length that begin at each place come to; they wrap round."""
    import numpy as np

    upto = np.concatenate([[0.0], np.cumsum(np.concatenate([series, series[:length]]))])
    found: Array = upto[length : length + len(series)] - upto[: len(series)]
    return found


def _drawn(sums: "tuple[Array, Array]", starts: "NDArray[np.int64]") -> "Array":
    """What each row of blocks comes to, the last of them of its own length."""
    found: Array = sums[0][starts[:, :-1]].sum(axis=1) + sums[1][starts[:, -1]]
    return found


def _finite(argument: str, value: float) -> float:
    return checked(argument, value, lowest=-1e12, highest=1e12, unit="")


def _checked_whole(argument: str, value: int, lowest: int, highest: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not lowest <= value <= highest:
        raise PhysicsError(argument, value, f"a whole number, {lowest} to {highest}")
