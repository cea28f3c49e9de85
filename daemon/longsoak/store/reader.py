"""Read-only access to the record, for pages, commands and forwarders."""

import json
import sqlite3
from bisect import bisect_left
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from longsoak.store.buckets import Bucket, Reduction
from longsoak.store.files import RECORD
from longsoak.store.newest import Newest, last_valued
from longsoak.store.packing import Seats, seats, unpack, unpack_one
from longsoak.store.proofrequests import as_content
from longsoak.store.recordfile import RecordFile
from longsoak.vocabulary.alarm import AlarmState, StoredChange
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import Event, RunGap
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from longsoak.vocabulary.reading import Reading

_CHUNK = 4096  # scans fetched at a time on a walk back


@dataclass(frozen=True, slots=True)
class RigVersion:
    """One accepted version of the rig file."""

    number: int
    accepted_utc_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class StoredScan:
    """One row of the record, decoded."""

    id: int
    bus: str
    utc_ms: int
    readings: tuple[Reading, ...]


class Record(RecordFile):
    """Readings, alarms, events and proofs of the record in `folder`."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._newest = Newest()

    def rig_version(self) -> RigVersion | None:
        """The version of the rig file last recorded under, if any."""
        with self._open() as db:
            row = (
                db.execute(
                    "SELECT id, accepted_utc_ms, text FROM rig_version WHERE id ="
                    " (SELECT rig_version FROM layout WHERE id ="
                    " (SELECT layout FROM scan ORDER BY id DESC LIMIT 1))"
                ).fetchone()
                or db.execute(
                    "SELECT id, accepted_utc_ms, text FROM rig_version ORDER BY id DESC LIMIT 1"
                ).fetchone()
            )
        return RigVersion(*row) if row else None

    def first_utc_ms(self) -> int | None:
        """When the first scan was taken."""
        with self._open() as db:
            row = db.execute("SELECT utc_ms FROM scan ORDER BY id LIMIT 1").fetchone()
        return None if row is None else int(row[0])

    def last_utc_ms(self) -> int | None:
        """When the last scan was taken."""
        with self._open() as db:
            row = db.execute("SELECT utc_ms FROM scan ORDER BY id DESC LIMIT 1").fetchone()
        return None if row is None else int(row[0])

    def version(self) -> tuple[int, int]:
        """A pair that grows whenever a scan or an alarm change is committed."""
        with self._open() as db:
            (scan,) = db.execute("SELECT ifnull(max(id), 0) FROM scan").fetchone()
            (change,) = db.execute("SELECT ifnull(max(id), 0) FROM alarm_change").fetchone()
        return int(scan), int(change)

    def latest(self, probes: tuple[str, ...]) -> dict[str, Reading]:
        """The latest reading of each probe; a probe without one is left out.

        However long ago: the first look may walk over the whole record, about a second for three
        million scans; what it found is remembered, so that a later one walks only what is new.
        """
        found: dict[str, Reading] = {}
        with self._open() as db, self._newest as newest:
            (top,) = db.execute("SELECT ifnull(max(id), 0) FROM scan").fetchone()
            layouts = _layouts(db)  # after `top`, so that no scan up to it has an unknown one
            names = {number: probes for number, (_, probes, _) in layouts.items()}
            scans = newest.scans(db, probes, names, top=top, of=self._identity(db))
            rows = {
                scan: db.execute(
                    "SELECT layout, utc_ms, readings FROM scan WHERE id = ?", (scan,)
                ).fetchone()
                for scan in set(scans.values())
            }
        for probe, scan in scans.items():
            layout, utc_ms, readings = rows[scan]
            _, beside, units = layouts[layout]
            place = beside.index(probe)
            found[probe] = unpack_one(
                readings, place, probe=probe, utc_ms=utc_ms, unit=units[place]
            )
        return found

    def series(self, probe: str, *, since_ms: int, until_ms: int) -> list[Reading]:
        """One probe's readings with ``since_ms <= utc_ms < until_ms``, in the order taken."""
        with self._open() as db:
            return list(_series(db, probe, since_ms, until_ms))

    def reduced(
        self, probes: Sequence[str], *, since_ms: int, until_ms: int, buckets: int
    ) -> dict[str, list[Bucket]]:
        """The readings of a time range, reduced to at most `buckets` equal intervals a probe.

        One walk over the record serves all `probes`. Intervals without a reading are left out, so
        that nothing is drawn across them; a probe without readings has an empty list.
        """
        width = max(1, -(-(until_ms - since_ms) // buckets))
        with self._open() as db:
            holding = _holding(_layouts(db), probes)
            reduction = Reduction(holding)
            for first, last in _spans(db, since_ms, until_ms):
                rows = db.execute(
                    "SELECT (utc_ms - ?) / ?, layout, readings FROM scan WHERE id BETWEEN ? AND ?"
                    f" AND layout IN ({_numbers(holding)}) ORDER BY id",
                    (since_ms, width, first, last),
                )
                with _told(self.folder / RECORD):
                    reduction.walk(rows)
        return {
            probe: reduction.buckets(probe, since_ms=since_ms, width_ms=width) for probe in probes
        }

    def last_values(self, probes: Sequence[str], *, since_ms: int, until_ms: int) -> dict[str, int]:
        """When, within ``since_ms <= utc_ms < until_ms``, each probe gave its last value, UTC ms.

        One walk back serves all `probes`; one without a value in that time is left out.
        """
        found: dict[str, int] = {}
        with self._open() as db:
            layouts = _layouts(db)
            for first, last in reversed(list(_spans(db, since_ms, until_ms))):
                below = last + 1
                while below > first and (holding := _holding(layouts, set(probes) - found.keys())):
                    rows = db.execute(
                        "SELECT id, utc_ms, layout, readings FROM scan WHERE id BETWEEN ? AND ?"
                        f" AND layout IN ({_numbers(holding)}) ORDER BY id DESC LIMIT ?",
                        (first, below - 1, _CHUNK),
                    ).fetchall()
                    below = rows[-1][0] if len(rows) == _CHUNK else first
                    with _told(self.folder / RECORD):
                        found |= last_valued(rows, holding)
        return found

    def scans_after(self, position: int, *, limit: int) -> list[StoredScan]:
        """Scans with an id above `position`, oldest first: what a forwarder's cursor walks over."""
        with self._open() as db:
            rows = db.execute(
                "SELECT id, layout, utc_ms, readings FROM scan WHERE id > ? ORDER BY id LIMIT ?",
                (position, limit),
            ).fetchall()
            layouts = _layouts(db)  # after the scans, or one committed meanwhile could bring a new
        scans = []
        for scan_id, layout, utc_ms, readings in rows:
            bus, probes, units = layouts[layout]
            decoded = unpack(readings, probes=probes, units=units, utc_ms=utc_ms)
            scans.append(StoredScan(scan_id, bus, utc_ms, decoded))
        return scans

    def scan_before(self, position: int, *, seconds: float) -> int:
        """The id to rewind a cursor to so that the last `seconds` before it are sent again.

        Counted on CLOCK_BOOTTIME back from scan `position`; a reboot ends the walk.
        """
        with self._open() as db:
            row = db.execute("SELECT boottime_ms FROM scan WHERE id = ?", (position,)).fetchone()
            if row is None:
                return max(0, position)
            row = db.execute(
                "SELECT id FROM scan WHERE id < ? AND (boottime_ms < ? OR boottime_ms > ?)"
                " ORDER BY id DESC LIMIT 1",
                (position, row[0] - round(seconds * 1000), row[0]),
            ).fetchone()
        return 0 if row is None else int(row[0])

    def cursor(self, name: str) -> int:
        """Where the cursor `name` was saved last; 0 if never."""
        with self._open() as db:
            row = db.execute("SELECT position FROM cursor WHERE name = ?", (name,)).fetchone()
        return 0 if row is None else int(row[0])

    def has_cursor(self, name: str) -> bool:
        """Whether the cursor `name` was ever saved, be it at 0."""
        with self._open() as db:
            row = db.execute("SELECT 1 FROM cursor WHERE name = ?", (name,)).fetchone()
        return row is not None

    def alarms(self) -> dict[str, StoredChange]:
        """The last change of each alarm that ever changed, by key."""
        with self._open() as db:
            rows = db.execute(
                f"{_CHANGES} WHERE id IN (SELECT max(id) FROM alarm_change GROUP BY key)"
            ).fetchall()
        return {change.key: change for change in map(_change, rows)}

    def alarm_changes_after(self, position: int, *, limit: int) -> list[StoredChange]:
        """Alarm changes with an id above `position`, oldest first."""
        with self._open() as db:
            rows = db.execute(
                f"{_CHANGES} WHERE id > ? ORDER BY id LIMIT ?", (position, limit)
            ).fetchall()
        return [_change(row) for row in rows]

    def alarm_changes_since(self, utc_ms: int) -> list[StoredChange]:
        """Alarm changes from `utc_ms` on, oldest first."""
        with self._open() as db:
            rows = db.execute(f"{_CHANGES} WHERE utc_ms >= ? ORDER BY id", (utc_ms,)).fetchall()
        return [_change(row) for row in rows]

    def events(self, *, limit: int) -> list[Event]:
        """The latest events, newest first."""
        with self._open() as db:
            rows = db.execute(
                "SELECT utc_ms, kind, subject, says FROM event ORDER BY id DESC LIMIT ?", (limit,)
            ).fetchall()
        return [Event(*row) for row in rows]

    def gaps(self) -> list[RunGap]:
        """Times without readings between runs, oldest first."""
        with self._open() as db:
            rows = db.execute(
                "SELECT from_utc_ms, to_utc_ms, clean, length_ms FROM gap ORDER BY id"
            ).fetchall()
        return [RunGap(start, end, bool(clean), length) for start, end, clean, length in rows]

    def outcome(self, request_uuid: str) -> str | None:
        """What became of a request; None while it is not handled."""
        with self._open() as db:
            row = db.execute(
                "SELECT outcome FROM request WHERE uuid = ?", (request_uuid,)
            ).fetchone()
        return None if row is None else str(row[0])

    def proof_entries(self) -> list[ProofEntry]:
        """Every step of every proof, in the order they were kept."""
        with self._open() as db:
            rows = db.execute(
                "SELECT id, utc_ms, proof, step, subject, outcome, by, says, content"
                " FROM proof_entry ORDER BY id"
            ).fetchall()
        return [
            ProofEntry(
                number,
                utc_ms,
                proof,
                Step(step),
                subject,
                Outcome(outcome),
                by,
                says,
                as_content(content),
            )
            for number, utc_ms, proof, step, subject, outcome, by, says, content in rows
        ]

    def _identity(self, db: sqlite3.Connection) -> object:
        """What tells this record from another one put in its place."""
        stat = (self.folder / RECORD).stat()
        first_run = db.execute("SELECT boot, started_utc_ms FROM run WHERE id = 1").fetchone()
        return stat.st_dev, stat.st_ino, first_run


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Tell of a row that is not as its layout says."""
    try:
        yield
    except ValueError as error:
        raise StoreError(
            f"the record {path} is damaged: readings are not as long as their layout says"
            f" ({error}). Leave it as it is, and go on with a copy made before."
        ) from error


_CHANGES = "SELECT id, key, utc_ms, boottime_ms, old, new, value, says, by FROM alarm_change"

Layouts = dict[int, tuple[str, tuple[str, ...], tuple[str, ...]]]


def _change(
    row: tuple[int, str, int, int, str, str, float | None, str, str | None],
) -> StoredChange:
    number, key, utc_ms, boottime_ms, old, new, value, says, by = row
    return StoredChange(
        key, utc_ms, boottime_ms, AlarmState(old), AlarmState(new), value, says, by, number
    )


def _layouts(db: sqlite3.Connection) -> Layouts:
    rows = db.execute("SELECT id, bus, probes, units FROM layout").fetchall()
    return {
        number: (bus, tuple(json.loads(probes)), tuple(json.loads(units)))
        for number, bus, probes, units in rows
    }


def _holding(layouts: Layouts, probes: Collection[str]) -> dict[int, Seats]:
    """The layouts that hold any of `probes`, by number."""
    return {
        number: found
        for number, (_, names, _) in layouts.items()
        if (found := seats(probes, names)).probes
    }


def _numbers(layouts: Collection[int]) -> str:
    return ",".join(map(str, layouts))


def _series(db: sqlite3.Connection, probe: str, since_ms: int, until_ms: int) -> Iterator[Reading]:
    places = {
        number: (probes.index(probe), units[probes.index(probe)])
        for number, (_, probes, units) in _layouts(db).items()
        if probe in probes
    }
    for first, last in _spans(db, since_ms, until_ms):
        for layout, utc_ms, readings in db.execute(
            "SELECT layout, utc_ms, readings FROM scan WHERE id BETWEEN ? AND ?"
            f" AND layout IN ({_numbers(places)}) ORDER BY id",
            (first, last),
        ):
            place, unit = places[layout]
            yield unpack_one(readings, place, probe=probe, utc_ms=utc_ms, unit=unit)


def _spans(db: sqlite3.Connection, since_ms: int, until_ms: int) -> Iterator[tuple[int, int]]:
    """First and last scan id of the time range, for each stretch that touches it."""
    starts = [first for (first,) in db.execute("SELECT first_scan FROM stretch ORDER BY id")]
    (top,) = db.execute("SELECT ifnull(max(id), 0) FROM scan").fetchone()

    def utc_of(scan_id: int) -> int:
        (utc_ms,) = db.execute("SELECT utc_ms FROM scan WHERE id = ?", (scan_id,)).fetchone()
        return int(utc_ms)

    for first, following in pairwise([*starts, top + 1]):
        if first >= following:
            continue
        span = range(first, following)
        low = bisect_left(span, since_ms, key=utc_of)
        high = bisect_left(span, until_ms, lo=low, key=utc_of)
        if low < high:
            yield span[low], span[high - 1]
