"""How much was measured on each UTC day."""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime

from longsoak.store.known import Kept, Layout
from longsoak.store.ledger import Ledger
from longsoak.store.packing import BYTES_PER_READING
from longsoak.store.scans import Scans
from longsoak.store.sealed import ScanRow
from longsoak.store.timeline import spans
from longsoak.vocabulary.flags import Flag

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
    """What was measured on a day of the record in `folder`."""

    def measured(self, day: date) -> DayCount:
        """How much was measured on a UTC day.

        Raises
        ------
        StoreError
            The record can't be read.
        ValueError
            A scan is not as long as its layout says.
        """
        since_ms = _DAY_MS * (day.toordinal() - date(1970, 1, 1).toordinal())
        count = DayCount()
        with self._open() as db:
            scans = Scans(db, Kept())
            probes = {probe for layout in scans.layouts.values() for probe in layout.probes}
            for first, last, _, _ in spans(db, scans, since_ms, since_ms + _DAY_MS):
                count.scans += last - first + 1
                for start, end in _parts(first, last, scans.sealed_to):
                    for piece in scans.pieces(probes, start, end, raw=False):
                        count.readings += len(piece.scans)
                        count.good += piece.column.flags.count(_PASS)
        return count


def _parts(first: int, last: int, sealed_to: int) -> Iterator[tuple[int, int]]:
    """What is sealed, and then a few scans at a time, for those are read as they lie."""
    if first <= sealed_to:
        yield first, min(last, sealed_to)
    for at in range(max(first, sealed_to + 1), last + 1, _SCANS):
        yield at, min(at + _SCANS - 1, last)
