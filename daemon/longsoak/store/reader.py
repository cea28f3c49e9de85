"""Read-only access to the record, for pages, commands and forwarders."""

import sqlite3
import sys
from bisect import bisect_right
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from heapq import merge
from itertools import islice
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING

from longsoak.store.backthen import last_readings, last_scan, layout_of
from longsoak.store.buckets import Bucket, Reduction
from longsoak.store.derived import Derivation, derived
from longsoak.store.files import RECORD
from longsoak.store.known import Kept
from longsoak.store.moments import MOVED, Moments, changes_in
from longsoak.store.newest import Newest, last_valued
from longsoak.store.packing import unpack
from longsoak.store.proofrequests import as_content
from longsoak.store.recordfile import RecordFile, identity
from longsoak.store.scans import Scans, readings_of
from longsoak.store.summarised import HOUR_MS, Look, made_from, snapped
from longsoak.store.timeline import runs_of, shift_of, spans, spans_of, stretches
from longsoak.vocabulary.alarm import StoredChange
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import Event, RunGap
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from longsoak.vocabulary.reading import Reading

if TYPE_CHECKING:
    from longsoak.store.arrays import Columns

AT_ONCE = 500  # readings that come together: a hundredth of a second until they are sent
_CHUNK = 4096  # scans looked at one after the other on a walk, at most
_SHORT = 512  # and at least: the blocks they are sealed in are unpacked whole
_HELD = 65_536  # readings of several probes that are held to be put in order
_MOST_SCANS = 100_000  # that are looked at one by one for a drawing


@dataclass(frozen=True, slots=True)
class RigVersion:
    """One accepted version of the rig file."""

    number: int
    accepted_utc_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class Stood:
    """What a record had come to at a time: its last scan, UTC ms, and that scan's rig file."""

    last_utc_ms: int
    version: RigVersion


@dataclass(frozen=True, slots=True)
class StoredScan:
    """One row of the record, decoded.

    `run` names the run of the measuring process it was taken in, unlike any other ever: a record
    that is put back, or begun in the place of a damaged one, gives scans numbers that were given
    already, but in other runs.
    """

    id: int
    run: str
    bus: str
    utc_ms: int
    rig_version: int
    readings: tuple[Reading, ...]


class Record(RecordFile):
    """Readings, alarms, events and proofs of the record in `folder`.

    Parameters
    ----------
    folder : Path
        The record's.
    as_kept : bool
        Whether to read values as they were kept with their raw ones, though others are shown that
        were derived again (`derivation`). Scans are always read so, as whoever copies them must.
    """

    def __init__(self, folder: Path, *, as_kept: bool = False) -> None:
        super().__init__(folder)
        self._as_kept = as_kept
        self._kept = Kept()
        self._newest = Newest()

    def remember_all_times(self) -> None:
        """Keep the times of all scans in mind once they were read: some MB a year.

        For whoever goes through the whole record probe after probe: to unpack them each time takes
        four times as long as the readings.
        """
        self._kept.most_times = sys.maxsize

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

    def rig_versions(self) -> list[RigVersion]:
        """Every version of the rig file that was accepted, oldest first."""
        with self._open() as db:
            rows = db.execute("SELECT id, accepted_utc_ms, text FROM rig_version ORDER BY id")
            return [RigVersion(*row) for row in rows]

    def derivation(self) -> Derivation | None:
        """What is shown in place of the values as they were kept, if anything is."""
        with self._look() as (_, scans):
            return None if scans.derived is None else scans.derived.derivation

    def first_utc_ms(self) -> int | None:
        """When the first scan was taken."""
        with self._look() as (db, scans):
            every = stretches(db, scans)
            return scans.utc_at_an_end(every[0].first) + every[0].shift_ms if every else None

    def last_utc_ms(self) -> int | None:
        """When the last scan was taken."""
        with self._look() as (db, scans):
            every = stretches(db, scans)
            return scans.utc_ms(scans.top) + every[-1].shift_ms if every else None

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
        with self._look() as (db, scans), self._newest as newest:
            key = None if scans.derived is None else scans.derived.key
            found = newest.readings(db, scans, probes, of=(scans.kept, key))
            every = stretches(db, scans)
        shifts = {scan: shift_of(every, scan) for scan in {scan for scan, _ in found.values()}}
        return {
            probe: replace(reading, utc_ms=reading.utc_ms + shift) if shift else reading
            for probe, (scan, reading) in found.items()
            for shift in (shifts[scan],)
        }

    def latest_at(self, patience_ms: Mapping[str, int], *, utc_ms: int) -> dict[str, Reading]:
        """The last reading of each probe at or before a time.

        Parameters
        ----------
        patience_ms : mapping of str to int
            The probes, each with how long before that a reading may have been taken to stand for
            it; a probe without one is left out.
        utc_ms : int
            The time, UTC, ms since 1970.
        """
        with self._look() as (db, scans):
            return last_readings(db, scans, stretches(db, scans), patience_ms, utc_ms=utc_ms)

    def stood(self, utc_ms: int) -> Stood | None:
        """The last scan at or before a time, and the rig file it was taken under."""
        with self._look() as (db, scans):
            found = last_scan(scans, stretches(db, scans), utc_ms=utc_ms)
            if found is None:
                return None
            version = scans.layouts[layout_of(db, scans, found[0])].rig_version
            row = db.execute(
                "SELECT id, accepted_utc_ms, text FROM rig_version WHERE id = ?", (version,)
            ).fetchone()
        return Stood(found[1], RigVersion(*row))

    def series(self, probe: str, *, since_ms: int, until_ms: int) -> list[Reading]:
        """One probe's readings with ``since_ms <= utc_ms < until_ms``, in the order taken."""
        found: list[Reading] = []
        with self._look() as (db, scans):
            for first, last, shift, _ in spans(db, scans, since_ms, until_ms):
                for piece in scans.pieces((probe,), first, last, raw=True):
                    found += readings_of(piece, scans.layouts, shift_ms=shift)
        return found

    def columns(
        self, probes: Collection[str], *, since_ms: int, until_ms: int, raw: bool = True
    ) -> "dict[str, Columns]":
        """The readings of a time range as numpy arrays, by probe. Needs the extra ``analysis``.

        Without `raw` the raw values of sealed scans are NaN and need not be unpacked.

        Raises
        ------
        ImportError
            There is no numpy here.
        """
        from longsoak.store.arrays import read  # numpy, which measuring and pages do without

        with self._look() as (db, scans):
            return read(scans, spans(db, scans, since_ms, until_ms), probes, raw=raw)

    def reduced(
        self, probes: Sequence[str], *, since_ms: int, until_ms: int, buckets: int
    ) -> dict[str, list[Bucket]]:
        """The readings of a time range, reduced to at most `buckets` equal intervals a probe.

        Intervals without a reading are left out, so that nothing is drawn across them; a probe
        without readings has an empty list. An interval of an hour or more is one of 1, 2, 3, 4,
        8, 12, 24 or 48 hours, and a longer one of whole days, UTC, but for the ends of the range;
        so is any where there are too many scans to look at each. These are added up beforehand, so
        that a range of any length reads a bounded number of rows. While they are not added up yet,
        or are made again, intervals are as asked for.
        """
        return self.intervals(probes, since_ms=since_ms, until_ms=until_ms, buckets=buckets)[1]

    def intervals(
        self, probes: Sequence[str], *, since_ms: int, until_ms: int, buckets: int
    ) -> tuple[int, dict[str, list[Bucket]]]:
        """How long the intervals of `reduced` are, ms, and what it gives."""
        width = max(1, -(-(until_ms - since_ms) // buckets))
        with self._look() as (db, scans):
            every = stretches(db, scans)
            within = spans_of(scans, every, since_ms, until_ms)
            if width >= HOUR_MS or sum(s.last - s.first for s in within) > _MOST_SCANS:
                look = Look(self.folder, made_from(db, scans), scans, every)
                if (found := look.reduced(probes, since_ms, until_ms, width)) is not None:
                    return snapped(width), found
            reduction = Reduction(since_ms=since_ms, width_ms=width)
            for first, last, shift, _ in within:
                for piece in scans.pieces(probes, first, last, raw=False):
                    reduction.take(piece.probe, piece.utc_ms, piece.column, shift_ms=shift)
        return width, {probe: reduction.buckets(probe) for probe in probes}

    def readings(
        self, probes: Collection[str], *, since_ms: int, until_ms: int
    ) -> Iterator[list[Reading]]:
        """The same as `series` of several probes, by their time.

        No more than `AT_ONCE` come together, and none after each look at the record, so that
        whoever hands them on can do something else in between. Each look is a transaction of its
        own: however slowly they are taken, no log grows meanwhile, and a record of any length
        takes the same memory.
        """
        with self._look() as (db, scans):
            every = spans(db, scans, since_ms, until_ms)
        length = min(_CHUNK, max(_SHORT, _HELD // max(1, len(probes))))
        for span in every:
            for first in range(span.first, span.last + 1, length):
                last = min(first + length - 1, span.last)
                series: list[Iterator[Reading]] = []
                for probe in probes:
                    with self._look() as (_, scans):
                        series += [
                            readings_of(piece, scans.layouts, shift_ms=span.shift_ms)
                            for piece in scans.pieces((probe,), first, last, raw=True)
                        ]
                    yield []
                ordered = merge(*series, key=_by_time)
                while some := self._next(ordered):
                    yield some

    def last_values(self, probes: Sequence[str], *, since_ms: int, until_ms: int) -> dict[str, int]:
        """When, within ``since_ms <= utc_ms < until_ms``, each probe gave its last value, UTC ms.

        One walk back serves all `probes`; one without a value in that time is left out.
        """
        found: dict[str, int] = {}
        with self._look() as (db, scans):
            for first, last, shift, _ in reversed(spans(db, scans, since_ms, until_ms)):
                below = last + 1
                while below > first and (missing := set(probes) - found.keys()):
                    at, below = below - 1, max(first, below - _CHUNK)
                    for piece in scans.pieces(missing, below, at, raw=False):
                        if (place := last_valued(piece.column.values)) is not None:
                            found[piece.probe] = piece.utc_ms[place] + shift
        return found

    def scans_after(self, position: int, *, limit: int) -> list[StoredScan]:
        """Scans with an id above `position`, oldest first: what a forwarder's cursor walks over."""
        with self._look() as (db, scans):
            every, runs = stretches(db, scans), runs_of(db)
            found = []
            for row in scans.rows(position + 1, min(scans.top, position + limit)):
                layout = scans.layouts[row.layout]
                utc_ms = row.utc_ms + shift_of(every, row.id)
                decoded = unpack(
                    row.readings, probes=layout.probes, units=layout.units, utc_ms=utc_ms
                )
                run = runs[bisect_right(runs, row.id, key=itemgetter(0)) - 1][1] if runs else ""
                found.append(
                    StoredScan(row.id, run, layout.bus, utc_ms, layout.rig_version, decoded)
                )
        return found

    def scan_before(self, position: int, *, seconds: float) -> int:
        """The id to rewind a cursor to so that the last `seconds` before it are sent again.

        Counted on CLOCK_BOOTTIME back from scan `position`; a reboot ends the walk.
        """
        with self._look() as (_, scans):
            if not scans.bottom <= position <= scans.top:
                return max(0, position)
            last = scans.boottime_ms(position)
            earliest = last - round(seconds * 1000)
            at = position - 1
            while at >= scans.bottom and earliest <= scans.boottime_ms(at) <= last:
                at -= 1
        return max(0, at)

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
        where = "id IN (SELECT max(id) FROM alarm_change GROUP BY key)"
        return {change.key: change for change in self._changes(where)}

    def alarms_at(self, utc_ms: int) -> dict[str, StoredChange]:
        """The last change of each alarm at or before a time, by key."""
        where = f"utc_ms <= ? OR run IN ({MOVED}) ORDER BY id"
        changes = self._changes(where, utc_ms)
        return {change.key: change for change in changes if change.utc_ms <= utc_ms}

    def alarm_changes_after(self, position: int, *, limit: int) -> list[StoredChange]:
        """Alarm changes with an id above `position`, oldest first."""
        return self._changes("id > ? ORDER BY id LIMIT ?", position, limit)

    def alarm_changes_since(self, utc_ms: int) -> list[StoredChange]:
        """Alarm changes from `utc_ms` on, oldest first."""
        where = f"utc_ms >= ? OR run IN ({MOVED}) ORDER BY id"
        return [change for change in self._changes(where, utc_ms) if change.utc_ms >= utc_ms]

    def of_this_run(self, changes: Sequence[StoredChange]) -> list[StoredChange]:
        """Changes that were seen in the last run and are not kept yet, where they belong."""
        if not changes:
            return []
        with self._moments() as (db, moments):
            (run,) = db.execute("SELECT max(id) FROM run").fetchone()
            found = [
                (change, moments.of(run, change.utc_ms, change.boottime_ms)) for change in changes
            ]
        return [replace(change, utc_ms=at, unsure=unsure) for change, (at, unsure) in found]

    def events(self, *, limit: int) -> list[Event]:
        """The latest events, newest first."""
        with self._moments() as (db, moments):
            return [
                Event(moments.of(run, utc_ms, at).utc_ms, kind, subject, says, at)
                for run, utc_ms, at, kind, subject, says in db.execute(
                    "SELECT run, utc_ms, boottime_ms, kind, subject, says FROM event"
                    " ORDER BY id DESC LIMIT ?",
                    (limit,),
                )
            ]

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

    def _next(self, readings: Iterator[Reading]) -> list[Reading]:
        with _told(self.folder / RECORD):
            return list(islice(readings, AT_ONCE))

    def _changes(self, where: str, *values: int | str) -> list[StoredChange]:
        with self._moments() as (db, moments):
            return changes_in(db, where, values, moments.of)

    @contextmanager
    def _moments(self) -> Iterator[tuple[sqlite3.Connection, Moments]]:
        with self._open() as db, _told(self.folder / RECORD):
            kept = self._known_of(identity(db))
            yield db, Moments(db, lambda: Scans(db, kept))

    def _known_of(self, record: str) -> Kept:
        """What is known of it; anew where another record was put in its place."""
        stat = (self.folder / RECORD).stat()
        self._kept = kept = self._kept.of((stat.st_dev, stat.st_ino, record))
        return kept

    @contextmanager
    def _look(self) -> Iterator[tuple[sqlite3.Connection, Scans]]:
        with self._open() as db, _told(self.folder / RECORD):
            record = identity(db)
            shown = None if self._as_kept else derived(self.folder, record)
            scans = Scans(db, self._known_of(record), shown)
            try:
                yield db, scans
            finally:
                if scans.derived is not None:
                    scans.derived.close()


def _by_time(reading: Reading) -> int:
    return reading.utc_ms


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Tell of a row that is not as its layout says."""
    try:
        yield
    except (ValueError, LookupError, TypeError) as error:
        raise StoreError(
            f"the record {path} is damaged: readings in it are not as they were kept"
            f" ({error}). Leave it as it is, and go on with a copy made before."
        ) from error
