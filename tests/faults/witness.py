"""Looks whether a record holds what it must: every known scan that was acknowledged, as it was."""

import sqlite3
import struct
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import closing
from math import nan
from pathlib import Path

from faults.known import KEY, Row, change_of, end_of_batch, row_of, scan_of
from longsoak.store.audit import audit
from longsoak.store.files import RECORD
from longsoak.store.reader import Record
from longsoak.store.recordfile import as_of_today
from longsoak.store.scans import scan_rows
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.reading import Reading

HOUR_MS = 3_600_000


def rows(db: sqlite3.Connection, first: int, last: int) -> Iterator[tuple[int, Row]]:
    """The scans of a record by id, bit for bit."""
    layouts = {
        number: (bus, probes, units)
        for number, bus, probes, units in db.execute("SELECT id, bus, probes, units FROM layout")
    }
    for scan, layout, utc_ms, boottime_ms, synchronised, readings in scan_rows(db, first, last):
        yield scan, Row(*layouts[layout], utc_ms, boottime_ms, bool(synchronised), readings)


_LOOKED_AT = ("pins 1", "switch")  # probes whose whole series is read


class Witness:
    """Knows what a record must hold.

    Parameters
    ----------
    seed : int
        Of its scans.
    folder : Path
        The record's. What it holds when the witness is called in, from an earlier release say,
        belongs to what it must hold for ever.
    """

    def __init__(self, seed: int, folder: Path) -> None:
        self.seed = seed
        self.folder = folder
        self.file = RECORD
        self.after_another = False  # a new record, into which alarms of one set aside were carried
        self._rows: dict[int, Row] = {}
        self._earlier: dict[str, list[bytes]] = {}  # raw values that are there already
        self.base = 0
        if (folder / RECORD).exists():
            with closing(sqlite3.connect(folder / RECORD)) as db:
                as_of_today(db)
                self._rows = dict(rows(db, 0, 1 << 62))
            self.base = max(self._rows, default=0)
            self._earlier = {
                probe: _raw_bits(_all_of(Record(folder), probe)) for probe in _LOOKED_AT
            }

    def of(self, folder: Path, file: str = RECORD) -> "Witness":
        """One that knows the same of another file, a copy, or the same one set aside."""
        other = Witness(self.seed, folder.parent / "nothing")
        other.folder, other.file = folder, file
        other.base, other._rows, other._earlier = self.base, self._rows, self._earlier
        other.after_another = self.after_another
        return other

    def complaints(self, acknowledged: int, *, thorough: bool = False) -> list[str]:
        """What is wrong with the record, given the last scan whose commit was acknowledged.

        Parameters
        ----------
        acknowledged : int
            0 if none was.
        thorough : bool
            Whether SQLite looks at its indexes too, the reader is asked for every reading, and the
            ledger is gone through.
        """
        acknowledged = max(acknowledged, self.base)
        try:
            wrong = self._of_the_file(acknowledged, thorough=thorough)
            if not wrong and thorough and acknowledged and self.file == RECORD:
                wrong = self._of_the_reader()
                wrong += [f"audit: {w.what}: {w.says}" for w in audit(self.folder).wrong]
        except Exception as error:  # whatever it is, it is a finding
            return [f"the record can't be read: {error!r}"]
        return wrong

    def _of_the_file(self, acknowledged: int, *, thorough: bool) -> list[str]:
        with closing(sqlite3.connect(self.folder / self.file, isolation_level=None)) as db:
            db.execute("BEGIN")
            check = "integrity_check" if thorough else "quick_check"
            wrong = [
                f"{check}: {says}" for (says,) in db.execute(f"PRAGMA {check}") if says != "ok"
            ]
            if not db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'layout'").fetchone():
                return [*wrong, "no tables"] if acknowledged else wrong
            as_of_today(db)
            wrong += self._of_the_scans(db, acknowledged)
            return wrong[:10]

    def _of_the_scans(self, db: sqlite3.Connection, acknowledged: int) -> list[str]:
        wrong = []
        number = 0
        for number, (scan, row) in enumerate(rows(db, 0, 1 << 62), 1):
            if scan != number:
                return [f"scan {scan} stands where {number} belongs"]
            if not row.is_as(self._row(number)):
                wrong.append(f"scan {number} is altered: {row} instead of {self._row(number)}")
        if number < acknowledged:
            wrong.append(f"scan {number} is the last, though {acknowledged} was acknowledged")
        elif number not in (acknowledged, end_of_batch(self.seed, acknowledged + 1)):
            wrong.append(f"scan {number} is the last, in the midst of a batch")
        if self.after_another:
            return wrong
        wrong += self._of_the_changes(db, number)
        cursor = db.execute("SELECT position FROM cursor WHERE name = ?", (KEY,)).fetchone()
        if number > self.base and cursor != (number,):
            wrong.append(f"the cursor stands at {cursor}, the last scan is {number}")
        return wrong

    def _of_the_changes(self, db: sqlite3.Connection, last: int) -> list[str]:
        found = [
            AlarmChange(key, utc_ms, boottime_ms, AlarmState(old), AlarmState(new), *rest)
            for key, utc_ms, boottime_ms, old, new, *rest in db.execute(
                "SELECT key, utc_ms, boottime_ms, old, new, value, says, by FROM alarm_change"
                " WHERE key LIKE ? ORDER BY id",
                (f"{KEY}%",),
            )
        ]
        numbers = range(self.base + 1, last + 1)
        expected = [c for n in numbers if (c := change_of(self.seed, n)) is not None]
        return [] if found == expected else [f"{len(found)} alarm changes, not {len(expected)}"]

    def _of_the_reader(self) -> list[str]:
        record, position, wrong = Record(self.folder), self.base, []
        while page := record.scans_after(position, limit=1000):
            for scan in page:
                position += 1
                expected = scan_of(self.seed, position)
                there = tuple(
                    (
                        r.probe,
                        r.raw_unit,
                        _bits(r.raw),
                        _bits(r.value),
                        _bits(r.uncertainty),
                        r.flag,
                        r.reason,
                    )
                    for r in scan.readings
                )
                right = tuple(
                    zip(
                        expected.probes,
                        expected.units,
                        map(_bits, expected.raw),
                        map(_bits, expected.values),
                        map(_bits, expected.uncertainties),
                        expected.flags,
                        expected.reasons,
                        strict=True,
                    )
                )
                if (scan.id, scan.bus, there) != (position, expected.bus, right):
                    wrong.append(f"the reader gives scan {position} otherwise")
        top, _ = record.version()
        if top != position:
            wrong.append(f"the reader ends at scan {position}, its version is {top}")
        for probe in _LOOKED_AT:
            wrong += self._of_a_series(record, probe, top)
        return wrong

    def _of_a_series(self, record: Record, probe: str, top: int) -> list[str]:
        scans = (scan_of(self.seed, number) for number in range(self.base + 1, top + 1))
        new = [_bits(s.raw[s.probes.index(probe)]) for s in scans if probe in s.probes]
        right = sorted([*new, *self._earlier.get(probe, ())])
        found = _all_of(record, probe)
        there = _raw_bits(found)
        if there != right:
            return [f"{len(there)} readings of {probe}, not {len(right)}, or other ones"]
        return _of_the_hours(record, probe, found) if found else []

    def _row(self, number: int) -> Row:
        if number not in self._rows:
            self._rows[number] = row_of(self.seed, number)
        return self._rows[number]


def _all_of(record: Record, probe: str) -> Sequence[Reading]:
    return record.series(probe, since_ms=-(10**15), until_ms=10**15)


def _raw_bits(readings: Sequence[Reading]) -> list[bytes]:
    return sorted(_bits(reading.raw) for reading in readings)


def _of_the_hours(record: Record, probe: str, readings: Sequence[Reading]) -> list[str]:
    """Whether what is added up beforehand, hour by hour, is what the readings say."""
    by_hour: dict[int, list[Reading]] = defaultdict(list)
    for reading in readings:
        by_hour[reading.utc_ms // HOUR_MS].append(reading)
    first, last = min(by_hour), max(by_hour)
    right = {}
    for hour, some in by_hour.items():
        values = [r.value for r in some if r.value is not None and r.flag is not Flag.FAIL]
        right[hour * HOUR_MS] = len(some), min(values, default=None), max(values, default=None)
    buckets = record.reduced(
        (probe,),
        since_ms=first * HOUR_MS,
        until_ms=(last + 1) * HOUR_MS,
        buckets=last + 1 - first,
    )[probe]
    there = {bucket.utc_ms: (bucket.readings, bucket.low, bucket.high) for bucket in buckets}
    return [
        f"the hour {hour} of {probe} is {there.get(hour)}, not {right.get(hour)}"
        for hour in sorted(right.keys() | there.keys())
        if there.get(hour) != right.get(hour)
    ]


def _bits(value: float | None) -> bytes:
    return struct.pack("<d", nan if value is None else value)
