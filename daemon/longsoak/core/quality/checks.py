"""Checks of one probe's readings, piece by piece, flagged as the IOOS QARTOD manuals do. Pure.

Each check takes the readings that came since the last piece and what it remembered then, and
returns a flag for each together with what it has to remember now: a few numbers, or as many
readings as its window holds. However a series is cut into pieces, it comes to the same flags.

The flags are those of the package `ioos_qc` on the same arrays (tests/reference/test_qartod.py),
except that nothing passes that could not be looked at: what that package passes before it has
enough readings, or right after a missing one, is "not evaluated" here. A gap ends a window here,
where that package counts readings and can't see one; and what is missing leaves the rest of its
window to be judged.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isnan, nan
from operator import sub
from typing import NamedTuple

from longsoak.vocabulary.flags import Flag

PASS, NOT_EVALUATED, SUSPECT = int(Flag.PASS), int(Flag.NOT_EVALUATED), int(Flag.SUSPECT)
FAIL, MISSING = int(Flag.FAIL), int(Flag.MISSING)
GAP = 3.5  # periods without a reading, from which on what came before is too long ago

Flags = list[int]


class Piece(NamedTuple):
    """Some readings of one probe, in the order of time.

    `times` are seconds that rise; NaN in `values` is a reading without a value. The rest is known
    of all probes of a bus alike, or needed by several checks: the least and the greatest step of
    time within the piece, and the lowest and highest value, NaN if one is missing.
    """

    times: Sequence[float]
    values: Sequence[float]
    least_step: float
    greatest_step: float
    low: float
    high: float


def steps_of(times: Sequence[float]) -> tuple[float, float]:
    """The least and the greatest step between two times, s; infinite and 0 where there is none."""
    steps = list(map(sub, times[1:], times))
    return min(steps, default=inf), max(steps, default=0.0)


def piece_of(
    times: Sequence[float], values: Sequence[float], steps: tuple[float, float] | None = None
) -> Piece:
    """A piece, with what is known of it at a glance.

    Parameters
    ----------
    times, values
        As in `Piece`.
    steps : tuple of float, optional
        What `steps_of` says of `times`, where that is known already.
    """
    least, greatest = steps or steps_of(times)
    if isnan(sum(values)):
        return Piece(times, values, least, greatest, nan, nan)
    return Piece(times, values, least, greatest, min(values, default=nan), max(values, default=nan))


class Before(NamedTuple):
    """The last reading of the piece before."""

    time: float = nan
    value: float = nan


@dataclass(frozen=True, slots=True)
class Rate:
    """Rate of change: faster than `suspect` or `fail`, in units a second.

    The first reading, and one after a missing one, has no rate and is not evaluated.
    """

    suspect: float
    fail: float = inf

    def step(self, piece: Piece, before: Before) -> tuple[Flags, Before]:
        """The flag of each reading, and the last of them."""
        times, values = piece.times, piece.values
        if not times:
            return [], before
        after = Before(times[-1], values[-1])
        known = not isnan(before.value)
        least = min(piece.least_step, times[0] - before.time) if known else piece.least_step
        span = max(piece.high, before.value) - min(piece.low, before.value) if known else nan
        if span <= self.suspect * least:  # so is every step, then
            return [PASS] * len(values), after
        flags = []
        last_time, last = before
        for time, value in zip(times, values, strict=True):
            rate = abs(value - last) / (time - last_time)
            if rate <= self.suspect:
                flags.append(PASS)
            elif isnan(rate):
                flags.append(MISSING if isnan(value) else NOT_EVALUATED)
            else:
                flags.append(FAIL if rate > self.fail else SUSPECT)
            last_time, last = time, value
        return flags, after


class Pending(NamedTuple):
    """The reading that is not judged yet, for what follows it is not known, and the one before."""

    value: float | None = None
    last: float = nan


@dataclass(frozen=True, slots=True)
class Spike:
    """Spike: a reading off both of its neighbours, in the same direction.

    It is off by the smaller of the two differences, so that a step is no spike. The first of all
    has but one neighbour, as has one beside a missing one: they are not evaluated. What it says of
    a reading comes with the next one.
    """

    suspect: float
    fail: float = inf

    def step(self, piece: Piece, pending: Pending) -> tuple[Flags, Pending]:
        """The flags of the reading that waited and of all but the last, and what waits now."""
        values = piece.values
        if not values:
            return [], pending
        if pending.value is None:
            row: list[float] = [nan, *values]
        else:
            row = [pending.last, pending.value, *values]
        after = Pending(row[-1], row[-2])
        n = len(row) - 2
        ends = pending.last, values[0] if pending.value is None else pending.value
        if not isnan(sum(ends)) and max(piece.high, *ends) - min(piece.low, *ends) <= self.suspect:
            return [PASS] * n, after
        flags = []
        for last, value, following in zip(row, row[1:], row[2:], strict=False):
            up, down = value - last, following - value
            off = min(abs(up), abs(down)) if up * down < 0 else up * down * 0
            if off <= self.suspect:
                flags.append(PASS)
            elif isnan(off):
                flags.append(MISSING if isnan(value) else NOT_EVALUATED)
            else:
                flags.append(FAIL if off > self.fail else SUSPECT)
        return flags, after


@dataclass(frozen=True, slots=True)
class Expected:
    """Expected band by season of the test: what the manuals call climatology.

    What is beyond `low` or `high` is suspect, and never more: it may be so.
    """

    low: float
    high: float

    def flags(self, values: Sequence[float]) -> Flags:
        """The flag of each reading of the season; NaN is missing."""
        low, high = self.low, self.high
        return [PASS if low <= v <= high else MISSING if isnan(v) else SUSPECT for v in values]


class Run(NamedTuple):
    """How long the readings have stayed close together, up to the last one.

    `seen` are all since the last gap, `size` the longest run up to the last with less than the
    tolerance between its highest and its lowest; `at` is when the last was taken. `highs` and
    `lows` are what these can be once older ones have left: places among all seen, and values.
    """

    seen: int = 0
    size: int = 0
    at: float = nan
    highs: tuple[tuple[int, float], ...] = ()
    lows: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Close:
    """Flat line and attenuated signal: so many readings on end that are too close together.

    A flat line is `suspect` and later `fail` within one tolerance, an attenuated signal one check
    for each tolerance. A missing reading is left out of the count, and ends a run only as a gap.

    Parameters
    ----------
    within : float
        The highest less the lowest is less than that; 0 never flags.
    every : float
        Time between two readings, s.
    suspect, fail : int or None
        From how many readings on end; None is never.
    """

    within: float
    every: float
    suspect: int | None = None
    fail: int | None = None

    def step(self, piece: Piece, run: Run) -> tuple[Flags, Run]:
        """The flag of each reading, and the run they end in."""
        times, values, most = piece.times, piece.values, GAP * self.every
        least = min(n for n in (self.suspect, self.fail) if n is not None)
        if isnan(piece.low) or piece.greatest_step > most or times[0] - run.at > most:
            return self._each(times, values, run)
        flags: Flags = []
        half = max(1, least // 2)
        for start in range(0, len(values), half):
            some, part = times[start : start + half], values[start : start + half]
            if run.size + len(part) >= least:
                found, run = self._each(some, part, run)
                flags += found
            else:  # nothing can be flagged in it
                early = min(max(0, least - 1 - run.seen), len(part))
                flags += [NOT_EVALUATED] * early + [PASS] * (len(part) - early)
                run = self._behind(some, part, run)
        return flags, run

    def _behind(self, times: Sequence[float], values: Sequence[float], run: Run) -> Run:
        """The run that readings on end come to, found from their end."""
        high = low = values[-1]
        for first in range(len(values), 0, -1):
            high, low = max(high, values[first - 1]), min(low, values[first - 1])
            if high - low >= self.within:
                if first == len(values) - 1:  # nearly always, with a tolerance near nothing
                    alone = ((run.seen + first, values[-1]),)
                    return Run(run.seen + len(values), 1, times[-1], alone, alone)
                fresh = Run(run.seen + first, 0, times[first - 1])
                return self._each(times[first:], values[first:], fresh)[1]
        return self._each(times, values, run)[1]

    def _each(self, times: Sequence[float], values: Sequence[float], run: Run) -> tuple[Flags, Run]:
        suspect, fail = self.suspect or inf, self.fail or inf
        least, within, most = min(suspect, fail), self.within, GAP * self.every
        seen, size, at = run.seen, run.size, run.at
        highs, lows = deque(run.highs), deque(run.lows)
        flags: Flags = []
        for time, value in zip(times, values, strict=True):
            if isnan(value):
                flags.append(MISSING)
                continue
            if time - at > most:
                seen = size = 0
                highs.clear()
                lows.clear()
            at = time
            while highs and highs[-1][1] <= value:
                highs.pop()
            highs.append((seen, value))
            while lows and lows[-1][1] >= value:
                lows.pop()
            lows.append((seen, value))
            size += 1
            seen += 1
            while size and highs[0][1] - lows[0][1] >= within:
                # The run begins behind whichever of the two came first.
                early = highs if highs[0][0] < lows[0][0] else lows
                size = seen - early.popleft()[0] - 1
            if size >= fail:
                flags.append(FAIL)
            elif size >= suspect:
                flags.append(SUSPECT)
            else:
                flags.append(PASS if seen >= least else NOT_EVALUATED)
        return flags, Run(seen, size, at, tuple(highs), tuple(lows))
