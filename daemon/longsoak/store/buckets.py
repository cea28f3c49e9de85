"""Months of readings reduced to as many intervals as a drawing has pixels.

Columns of readings are reduced with what runs over them at its own speed. Reading by reading takes
several times as long (tests/bench/reading.py).
"""

import math
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from longsoak.store.packing import Full
from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag, Reason

BY_BADNESS = (Flag.PASS, Flag.NOT_EVALUATED, Flag.MISSING, Flag.SUSPECT, Flag.FAIL)
_PASS, _FAIL, _NONE = int(Flag.PASS), int(Flag.FAIL), int(Reason.NONE)
_BADNESS = {int(flag): i for i, flag in enumerate(BY_BADNESS)}


class Bucket(NamedTuple):
    """One probe's readings within one interval of time, reduced.

    `low`, `high`, `mean` and `uncertainty` (the largest) are over converted values not flagged
    fail, None if there are none. `wetter` and `drier` count those that lie beyond their curve: with
    any of them `high` means "at least", or `low` "at most", and there is no mean, for a bound is
    no number to average. `readings` counts all of them; `worst` is their worst flag, and a missing
    reading among good ones is no worse than a suspect one.
    """

    utc_ms: int
    low: float | None
    high: float | None
    mean: float | None
    uncertainty: float | None
    readings: int
    worst: Flag
    wetter: int = 0
    drier: int = 0


@dataclass(slots=True)
class Sums:
    """What has been added up of one probe and one interval.

    `worst` is a place in `BY_BADNESS`; `uncertainty` is -1 while there is none.
    """

    low: float = math.inf
    high: float = -math.inf
    uncertainty: float = -1.0
    totals: list[float] = field(default_factory=list)
    values: int = 0
    count: int = 0
    wetter: int = 0
    drier: int = 0
    worst: int = 0

    def add(self, column: Full) -> None:
        """Take in some readings; their raw values are not looked at."""
        flags = column.flags
        self.count += len(flags)
        failed = False
        if flags.count(_PASS) < len(flags):
            self.worst = max(self.worst, *(_BADNESS[flag] for flag in set(flags)))
            failed = _FAIL in flags
        total = _total(column.values)
        if failed or math.isnan(total):
            column = _believed(column)
            total = _total(column.values)
        values: Sequence[float] = column.values
        if not values:
            return
        self.low = min(self.low, min(values))
        self.high = max(self.high, max(values))
        self.totals.append(total)
        self.values += len(values)
        spreads: Sequence[float] = column.uncertainties
        if math.isnan(_total(spreads)):
            spreads = [u for u in spreads if not math.isnan(u)]
        self.uncertainty = max(self.uncertainty, max(spreads, default=-1.0))
        if column.reasons.count(_NONE) < len(values):
            for reason in set(column.reasons):
                if reason in AT_LEAST:
                    self.wetter += column.reasons.count(reason)
                elif reason in AT_MOST:
                    self.drier += column.reasons.count(reason)

    def merge(self, other: "Sums") -> None:
        """Take in what was added up elsewhere of the same interval."""
        self.low = min(self.low, other.low)
        self.high = max(self.high, other.high)
        self.uncertainty = max(self.uncertainty, other.uncertainty)
        self.totals += other.totals
        self.values += other.values
        self.count += other.count
        self.wetter += other.wetter
        self.drier += other.drier
        self.worst = max(self.worst, other.worst)

    @property
    def total(self) -> float:
        """The sum of all values."""
        return _total(self.totals)

    def bucket(self, utc_ms: int) -> Bucket:
        """What it comes to, of the interval that begins at `utc_ms`."""
        bounded = not self.values or self.wetter or self.drier
        return Bucket(
            utc_ms=utc_ms,
            low=self.low if self.values else None,
            high=self.high if self.values else None,
            mean=None if bounded else self.total / self.values,
            uncertainty=None if self.uncertainty < 0 else self.uncertainty,
            readings=self.count,
            worst=BY_BADNESS[self.worst],
            wetter=self.wetter,
            drier=self.drier,
        )


class Reduction:
    """What has been taken in so far, by probe and interval.

    Parameters
    ----------
    since_ms, width_ms : int
        Interval i is from ``since_ms + i * width_ms`` to below the next, UTC.
    """

    def __init__(self, *, since_ms: int, width_ms: int) -> None:
        self._since_ms = since_ms
        self._width_ms = width_ms
        self.sums: dict[str, dict[int, Sums]] = defaultdict(lambda: defaultdict(Sums))

    def take(self, probe: str, utc_ms: Sequence[int], column: Full, *, shift_ms: int = 0) -> None:
        """Take in readings of one probe whose times rise; `shift_ms` is added to each."""
        sums, start = self.sums[probe], 0
        base = self._since_ms - shift_ms
        while start < len(utc_ms):
            interval = (utc_ms[start] - base) // self._width_ms
            end = bisect_left(utc_ms, base + (interval + 1) * self._width_ms, lo=start + 1)
            sums[interval].add(
                Full(
                    (),
                    column.values[start:end],
                    column.uncertainties[start:end],
                    column.flags[start:end],
                    column.reasons[start:end],
                )
            )
            start = end

    def buckets(self, probe: str) -> list[Bucket]:
        """One probe's buckets in the order of time; intervals without a reading are left out."""
        sums = self.sums.get(probe, {})
        return [sums[i].bucket(self._since_ms + i * self._width_ms) for i in sorted(sums)]


def _believed(column: Full) -> Full:
    """Those of a column that have a value and are not flagged fail."""
    rows = [
        row
        for row in zip(
            column.values, column.uncertainties, column.flags, column.reasons, strict=True
        )
        if row[2] != Flag.FAIL and not math.isnan(row[0])
    ]
    return Full((), *zip(*rows, strict=True)) if rows else Full((), (), (), (), ())


def _total(values: Sequence[float]) -> float:
    """The sum; NaN if one of them is, or if they hold both infinities."""
    try:
        return math.fsum(values)
    except ValueError:
        return math.nan
