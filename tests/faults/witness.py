"""Scans that are known by their number, so that what a record holds is told from what it should.

Everything about scan n of a seed follows from the two, so nobody needs to have kept it. Its number
is its id in the record. What is compared is never taken from the code that wrote it: the bytes of a
row are put together here from what DEVELOPERS.md and `longsoak.store.packing` say of them.
"""

import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from math import nan
from pathlib import Path
from random import Random

from faults.chance import drawn_from
from longsoak.store.audit import audit
from longsoak.store.crowding import LEEWAY_MS
from longsoak.store.files import RECORD
from longsoak.store.reader import Record
from longsoak.store.recordfile import as_of_today
from longsoak.store.scans import scan_rows
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan

T0 = 1_900_000_000_000
EVERY_MS = 60_000  # from scan to scan, so that days end often
STEP_EVERY = 700  # scans after which the wall clock may have been set
PROBES = {
    "meter": tuple(f"pins {i}" for i in range(1, 9)),
    "air": ("warmth", "dampness", "warmth beside"),
    "tray": ("depth", "switch"),
}
UNITS = {"meter": "Ohm", "air": "Cel", "tray": "mV"}
_BUSES = tuple(PROBES)
_FLAGS, _REASONS = tuple(Flag), tuple(Reason)
_STATES = tuple(AlarmState)
CHANGE_EVERY = 17  # scans to one change of an alarm
_KEY = "witness"


def scan_of(seed: int, number: int) -> Scan:
    """Scan `number`: three buses, passes left off early, and any bits a driver could give."""
    chance = drawn_from("scan", seed, number)
    bus = _BUSES[number % 3]
    probes = PROBES[bus]
    if chance.random() < 0.1:
        probes = probes[: chance.randint(1, len(probes))]
    n = len(probes)
    raw = tuple(_raw(chance, number) for _ in range(n))
    values = tuple(_single(chance, number) for _ in range(n))
    boottime_ms = 5000 + number * EVERY_MS + chance.randrange(EVERY_MS // 2)
    setting = drawn_from("clock", seed, number // STEP_EVERY)
    offset = setting.choice((0, 0, 61_000, -3_600_000)) if number >= STEP_EVERY else 0
    return Scan(
        bus,
        T0 + boottime_ms + offset,
        boottime_ms,
        setting.random() < 0.7,
        probes,
        (UNITS[bus],) * n,
        raw,
        values,
        tuple(_single(chance, number) for _ in range(n)),
        tuple(chance.choice(_FLAGS) for _ in range(n)),
        tuple(chance.choice(_REASONS) for _ in range(n)),
    )


def _raw(chance: Random, number: int) -> float:
    kind = chance.random()
    if kind < 0.05:
        return nan
    if kind < 0.15:  # any double but a NaN: subnormal, infinite, minus nought
        (found,) = struct.unpack("<d", struct.pack("<Q", chance.getrandbits(64)))
        return nan if found != found else float(found)
    return 1e6 + number % 5000 + chance.randrange(16) / 16  # what a meter gives: it moves slowly


def _single(chance: Random, number: int) -> float:
    if chance.random() < 0.05:
        return nan
    (found,) = struct.unpack("<f", struct.pack("<f", 12.0 + number % 500 / 7 + chance.random()))
    return float(found)


def change_of(seed: int, number: int) -> AlarmChange | None:
    """The change of an alarm that came with scan `number`, if one did."""
    if number % CHANGE_EVERY:
        return None
    chance = drawn_from("change", seed, number)
    old, new = chance.sample(_STATES, 2)
    return AlarmChange(
        f"{_KEY} {number % 5}",
        T0 + number,
        number,
        old,
        new,
        chance.random(),
        f"scan {number}",
        None,
    )


def batch_of(seed: int, first: int) -> Batch:
    """What is committed together from scan `first` on, and a cursor that says how far it went."""
    last = end_of_batch(seed, first)
    batch = Batch()
    for number in range(first, last + 1):
        batch.scans.append(scan_of(seed, number))
        change = change_of(seed, number)
        if change is not None:
            batch.changes.append(change)
    batch.cursors[_KEY] = (last, T0 + last)
    return batch


def end_of_batch(seed: int, first: int) -> int:
    """The last scan of the batch that begins with `first`."""
    return first + drawn_from("batch", seed, first).choice((1, 1, 1, 2, 3, 20)) - 1


@dataclass(frozen=True, slots=True)
class Row:
    """A scan as it lies in the record."""

    bus: str
    probes: str
    units: str
    utc_ms: int
    boottime_ms: int
    synchronised: bool
    readings: bytes

    def is_as(self, right: "Row") -> bool:
        """Whether it is another, but that its UTC may have been moved on by some ms.

        The record does so to keep apart what a clock that was set would lay on one another.
        """
        there, belongs = replace(self, utc_ms=0), replace(right, utc_ms=0)
        return there == belongs and 0 <= self.utc_ms - right.utc_ms < LEEWAY_MS


def row_of(seed: int, number: int) -> Row:
    """What scan `number` must lie there as."""
    scan = scan_of(seed, number)
    return Row(
        scan.bus,
        "[" + ", ".join(f'"{probe}"' for probe in scan.probes) + "]",
        "[" + ", ".join(f'"{unit}"' for unit in scan.units) + "]",
        scan.utc_ms,
        scan.boottime_ms,
        scan.synchronised,
        b"".join(
            (
                *(struct.pack("<d", raw) for raw in scan.raw),
                *(struct.pack("<f", value) for value in scan.values),
                *(struct.pack("<f", value) for value in scan.uncertainties),
                bytes(scan.flags),
                bytes(scan.reasons),
            )
        ),
    )


def rows(db: sqlite3.Connection, first: int, last: int) -> Iterator[tuple[int, Row]]:
    """The scans of a record by id, bit for bit."""
    layouts = {
        number: (bus, probes, units)
        for number, bus, probes, units in db.execute("SELECT id, bus, probes, units FROM layout")
    }
    for scan, layout, utc_ms, boottime_ms, synchronised, readings in scan_rows(db, first, last):
        yield scan, Row(*layouts[layout], utc_ms, boottime_ms, bool(synchronised), readings)


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
        self.base = 0
        if (folder / RECORD).exists():
            with closing(sqlite3.connect(folder / RECORD)) as db:
                as_of_today(db)
                self._rows = dict(rows(db, 0, 1 << 62))
            self.base = max(self._rows, default=0)

    def of(self, folder: Path, file: str = RECORD) -> "Witness":
        """One that knows the same of another file, a copy, or the same one set aside."""
        other = Witness(self.seed, folder.parent / "nothing")
        other.folder, other.file = folder, file
        other.base, other._rows = self.base, self._rows
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
        cursor = db.execute("SELECT position FROM cursor WHERE name = ?", (_KEY,)).fetchone()
        if number > self.base and cursor != (number,):
            wrong.append(f"the cursor stands at {cursor}, the last scan is {number}")
        return wrong

    def _of_the_changes(self, db: sqlite3.Connection, last: int) -> list[str]:
        found = [
            AlarmChange(key, utc_ms, boottime_ms, AlarmState(old), AlarmState(new), *rest)
            for key, utc_ms, boottime_ms, old, new, *rest in db.execute(
                "SELECT key, utc_ms, boottime_ms, old, new, value, says, by FROM alarm_change"
                " WHERE key LIKE ? ORDER BY id",
                (f"{_KEY}%",),
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
        for probe in ("pins 1", "switch"):
            wrong += self._of_a_series(record, probe, top)
        return wrong

    def _of_a_series(self, record: Record, probe: str, top: int) -> list[str]:
        scans = (scan_of(self.seed, number) for number in range(self.base + 1, top + 1))
        right = sorted(_bits(s.raw[s.probes.index(probe)]) for s in scans if probe in s.probes)
        found = record.series(probe, since_ms=-(10**15), until_ms=10**15)
        there = sorted(_bits(reading.raw) for reading in found)
        same = there == right
        return (
            [] if same else [f"{len(there)} readings of {probe}, not {len(right)}, or other ones"]
        )

    def _row(self, number: int) -> Row:
        if number not in self._rows:
            self._rows[number] = row_of(self.seed, number)
        return self._rows[number]


def _bits(value: float | None) -> bytes:
    return struct.pack("<d", nan if value is None else value)
