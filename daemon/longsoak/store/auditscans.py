"""Looking at every scan of a record: whether it is there, and whether it can be understood."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from typing import NamedTuple

from longsoak.store.daycounts import DayCount, DayCounts
from longsoak.store.known import Layout
from longsoak.store.packing import BYTES_PER_READING
from longsoak.store.sealed import ScanRow

SET_BY_MS = 1000  # a clock that went further from CLOCK_BOOTTIME began another stretch

Tell = Callable[[str, str], None]  # of what, and what is wrong with it


class StretchRow(NamedTuple):
    """One row of ``stretch``."""

    id: int
    run: int
    first_scan: int
    offset_ms: int
    shift_ms: int
    known: str


class ScanLook:
    """What every scan is held to; they are handed through in the order of their ids.

    Parameters
    ----------
    layouts : mapping of int to Layout
        All there are.
    stretches : sequence of StretchRow
        All there are, in the order of their ids.
    tell : callable
        Takes what is wrong.
    """

    def __init__(
        self, layouts: Mapping[int, Layout], stretches: Sequence[StretchRow], *, tell: Tell
    ) -> None:
        self._tell = tell
        self._lengths = {n: BYTES_PER_READING * len(lay.probes) for n, lay in layouts.items()}
        self._waiting = list(reversed(stretches))
        self._stretch: StretchRow | None = None
        self._before: ScanRow | None = None
        self._counts = DayCounts(layouts)
        self.scans = 0
        self.first_utc_ms: int | None = None
        self.last_utc_ms: int | None = None

    def watch(self, rows: Iterator[ScanRow]) -> Iterator[ScanRow]:
        """Hand scans on, each looked at."""
        for row in rows:
            self._look(row)
            yield row

    @property
    def days(self) -> dict[date, DayCount]:
        """How much was measured on each day so far."""
        return self._counts.days

    def _look(self, row: ScanRow) -> None:
        before, scan = self._before, row.id
        expected = 1 if before is None else before.id + 1
        if scan != expected:
            gone = f"scan {expected}" if scan == expected + 1 else f"scans {expected} to {scan - 1}"
            self._tell(gone, "not there, though later ones are")
        while self._waiting and self._waiting[-1].first_scan <= scan:
            self._stretch, before = self._waiting.pop(), None
        stretch = self._stretch
        if stretch is None:
            self._tell(f"scan {scan}", "belongs to no stretch of the clock")
        elif abs(row.utc_ms - row.boottime_ms - stretch.offset_ms) > SET_BY_MS:
            self._tell(f"scan {scan}", f"its times do not fit stretch {stretch.id} of the clock")
        if before is not None and row.boottime_ms <= before.boottime_ms:
            self._tell(f"scan {scan}", f"was not taken after scan {before.id}")
        self._before = row
        self._count(row, 0 if stretch is None else stretch.shift_ms)

    def _count(self, row: ScanRow, shift_ms: int) -> None:
        self.scans += 1
        self.last_utc_ms = row.utc_ms + shift_ms
        if self.first_utc_ms is None:
            self.first_utc_ms = self.last_utc_ms
        self._counts.add(row, shift_ms=shift_ms)
        length = self._lengths.get(row.layout)
        if length is None:
            self._tell(f"scan {row.id}", f"there is no layout {row.layout} that says what is in it")
        elif len(row.readings) != length:
            expected = f"{length} bytes as layout {row.layout} says"
            self._tell(f"scan {row.id}", f"it has {len(row.readings)} bytes instead of {expected}")
