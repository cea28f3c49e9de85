"""Readings reduced to equal intervals of time, for any number of probes in one walk over scans.

Rows are put aside undecoded until their interval is over, and then turned by 90 degrees at once: a
column per probe and kind, which `min`, `max` and `fsum` run over at their own speed. Decoding
reading by reading takes several times as long (tests/bench/reading.py).
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from longsoak.store.packing import Column, Seats, columns
from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag

_BY_BADNESS = (Flag.PASS, Flag.NOT_EVALUATED, Flag.MISSING, Flag.SUSPECT, Flag.FAIL)
_BADNESS = {int(flag): i for i, flag in enumerate(_BY_BADNESS)}


@dataclass(frozen=True, slots=True)
class Bucket:
    """One probe's readings within one interval of time, reduced.

    `low`, `high`, `mean` and `uncertainty` (the largest) are over converted values not flagged
    fail, None if there are none. `wetter` and `drier` count those that lie beyond their curve: with
    any of them `high` means "at least", or `low` "at most", and there is no mean, for a bound is
    no number to average. `count` counts all readings; `worst` is their worst flag, and a missing
    reading among good ones is no worse than a suspect one.
    """

    utc_ms: int
    low: float | None
    high: float | None
    mean: float | None
    uncertainty: float | None
    count: int
    worst: Flag
    wetter: int = 0
    drier: int = 0


class Reduction:
    """What has been walked over so far, by probe and interval.

    Parameters
    ----------
    layouts : mapping of int to Seats
        By the number of each layout that holds a wanted probe.
    """

    def __init__(self, layouts: Mapping[int, Seats]) -> None:
        self._layouts = layouts
        self._sums: dict[str, dict[int, _Sum]] = defaultdict(lambda: defaultdict(_Sum))

    def walk(self, rows: Iterable[tuple[int, int, bytes]]) -> None:
        """Take in rows of (interval, layout, readings), those of an interval behind each other.

        Raises
        ------
        ValueError
            A row is not as long as its layout says.
        """
        kept: dict[int, list[bytes]] = defaultdict(list)
        interval = -1
        for number, layout, readings in rows:
            if number != interval:
                self._add(interval, kept)
                kept.clear()
                interval = number
            kept[layout].append(readings)
        self._add(interval, kept)

    def buckets(self, probe: str, *, since_ms: int, width_ms: int) -> list[Bucket]:
        """One probe's buckets in the order of time; intervals without a reading are left out."""
        sums = self._sums.get(probe, {})
        return [sums[i].bucket(since_ms + i * width_ms) for i in sorted(sums)]

    def _add(self, interval: int, kept: Mapping[int, Sequence[bytes]]) -> None:
        for layout, rows in kept.items():
            at = self._layouts[layout]
            for probe, column in zip(at.probes, columns(rows, at), strict=True):
                self._sums[probe][interval].add(column)


@dataclass(slots=True)
class _Sum:
    low: float = math.inf
    high: float = -math.inf
    total: list[float] = field(default_factory=list)
    values: int = 0
    uncertainty: float | None = None
    count: int = 0
    worst: int = 0
    wetter: int = 0
    drier: int = 0

    def add(self, column: Column) -> None:
        flags = set(column.flags)
        self.count += len(column.flags)
        self.worst = max(self.worst, *(_BADNESS[flag] for flag in flags))
        if Flag.FAIL in flags or math.isnan(_total(column.values)):
            column = _believed(column)
        if not column.values:
            return
        self.low = min(self.low, min(column.values))
        self.high = max(self.high, max(column.values))
        self.total.append(_total(column.values))
        self.values += len(column.values)
        spreads: Sequence[float] = column.uncertainties
        if math.isnan(_total(spreads)):
            spreads = [u for u in spreads if not math.isnan(u)]
        if spreads:
            most = max(spreads)
            self.uncertainty = max(most, most if self.uncertainty is None else self.uncertainty)
        for reason in set(column.reasons):
            if reason in AT_LEAST:
                self.wetter += column.reasons.count(reason)
            elif reason in AT_MOST:
                self.drier += column.reasons.count(reason)

    def bucket(self, utc_ms: int) -> Bucket:
        bounded = not self.values or self.wetter or self.drier
        return Bucket(
            utc_ms=utc_ms,
            low=self.low if self.values else None,
            high=self.high if self.values else None,
            mean=None if bounded else _total(self.total) / self.values,
            uncertainty=self.uncertainty,
            count=self.count,
            worst=_BY_BADNESS[self.worst],
            wetter=self.wetter,
            drier=self.drier,
        )


def _believed(column: Column) -> Column:
    """Those of a column that have a value and are not flagged fail."""
    rows = [
        row
        for row in zip(
            column.values, column.uncertainties, column.flags, column.reasons, strict=True
        )
        if row[2] != Flag.FAIL and not math.isnan(row[0])
    ]
    return Column(*zip(*rows, strict=True)) if rows else Column((), (), (), ())


def _total(values: Sequence[float]) -> float:
    """The sum; NaN if one of them is, or if they hold both infinities."""
    try:
        return math.fsum(values)
    except ValueError:
        return math.nan
