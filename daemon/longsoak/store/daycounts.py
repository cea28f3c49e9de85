"""How much was measured on each UTC day."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime

from longsoak.store.ledger import Ledger
from longsoak.store.packing import BYTES_PER_READING
from longsoak.store.scans import Kept, Layout, Scans
from longsoak.store.sealed import ScanRow
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.ledger import DayHead

_DAY_MS = 86_400_000
_SCANS = 1024  # looked at in one look at the record
_PASS = Flag.PASS.value


@dataclass(slots=True)
class DayCount:
    """How much was measured on one day; `good` are readings that passed."""

    scans: int = 0
    readings: int = 0
    good: int = 0


class DayCounts:
    """Counts scan by scan.

    Parameters
    ----------
    layouts : mapping of int to Layout
        What is in a scan. One that is as its layout does not say counts as a scan only.
    """

    def __init__(self, layouts: Mapping[int, Layout]) -> None:
        self._probes = {number: len(layout.probes) for number, layout in layouts.items()}
        self._days: defaultdict[int, DayCount] = defaultdict(DayCount)

    def add(self, row: ScanRow, *, shift_ms: int) -> None:
        """Count one scan, on the day on which it was taken `shift_ms` later than recorded."""
        count = self._days[(row.utc_ms + shift_ms) // _DAY_MS]
        count.scans += 1
        probes = self._probes.get(row.layout, 0)
        if len(row.readings) == BYTES_PER_READING * probes:
            count.readings += probes
            count.good += row.readings[16 * probes : 17 * probes].count(_PASS)

    @property
    def days(self) -> dict[date, DayCount]:
        """Each day that has scans, in order."""
        return {
            datetime.fromtimestamp(day * _DAY_MS / 1000, UTC).date(): count
            for day, count in sorted(self._days.items())
        }


class ClosedDays(Ledger):
    """What was measured on closed days of the record in `folder`."""

    def measured(self, head: DayHead) -> DayCount:
        """How much was measured on the day that `head` closed."""
        with self._open() as db:
            first, last = db.execute(
                "SELECT ifnull(min(first), 1), ifnull(max(last), 0) FROM ledger_entry"
                " WHERE kind = 'scans' AND id <= ?1"
                " AND id > (SELECT ifnull(max(entries), 0) FROM day_head WHERE entries < ?1)",
                (head.entries,),
            ).fetchone()
            shifts = db.execute("SELECT first_scan, shift_ms FROM stretch ORDER BY id").fetchall()
            kept = Kept()
            counts = DayCounts(Scans(db, kept).layouts)
        shift = 0
        at = first
        while at <= last:  # in short looks: one that is held long lets the log grow
            with self._open() as db:
                for row in Scans(db, kept).rows(at, min(at + _SCANS - 1, last)):
                    while shifts and shifts[0][0] <= row.id:
                        shift = shifts.pop(0)[1]
                    counts.add(row, shift_ms=shift)
            at += _SCANS
        return counts.days.get(head.day, DayCount())
