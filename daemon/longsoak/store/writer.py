"""The one writer of the record. Belongs to the thread that opened it."""

import fcntl
import hashlib
import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, fields
from operator import attrgetter
from pathlib import Path

from longsoak.core.wording import rfc3339
from longsoak.store.appending import (
    add_changes,
    add_events,
    add_proof,
    add_requests,
    save_cursors,
)
from longsoak.store.aside import SetAside
from longsoak.store.files import LOCK
from longsoak.store.health import HealthNews, add_health
from longsoak.store.ledger import add_to_ledger
from longsoak.store.logbook import add_entries
from longsoak.store.lull import Lull
from longsoak.store.moments import alarms_left
from longsoak.store.opening import PATIENCE_MS, begin_record, open_record, put_aside, reopened
from longsoak.store.packing import pack
from longsoak.store.placing import Placing
from longsoak.store.requests import Request
from longsoak.store.rungaps import Start, add_gap
from longsoak.store.sealing import Sealing, SealingPlan
from longsoak.store.space import Written, add_written
from longsoak.store.summaries import Summaries
from longsoak.store.transaction import Transaction
from longsoak.store.water import KeptWater, add_water
from longsoak.vocabulary.alarm import AlarmChange, AlarmLeft
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import Event, RunGap
from longsoak.vocabulary.ledger import DayHead, LedgerEntry
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak.vocabulary.proof import ProofEntry
from longsoak.vocabulary.reading import Scan

FOLD_PATIENCE_MS = 500
HELD_OPEN = "the write-ahead log could not be folded in: a reader holds it open"


@dataclass(slots=True)
class Batch:
    """What belongs into one commit."""

    scans: list[Scan] = field(default_factory=list)
    changes: list[AlarmChange] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    requests: list[tuple[Request, int, str]] = field(default_factory=list)
    proof: list[tuple[Request, ProofEntry]] = field(default_factory=list)
    logbook: list[LogbookEntry] = field(default_factory=list)
    ledger: list[LedgerEntry] = field(default_factory=list)
    heads: list[DayHead] = field(default_factory=list)
    disk: list[tuple[int, Written]] = field(default_factory=list)
    cursors: dict[str, tuple[int, int]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.scans) or any(_beside_scans(self))


_beside_scans = attrgetter(*(part.name for part in fields(Batch) if part.name != "scans"))


class RecordWriter:
    """Appends to the record; one transaction per `commit`, on the card before it returns.

    Raises
    ------
    StoreError
        On opening: another process is recording there, the file is newer than this version, or
        the folder can't be written. A damaged record is set aside: see `set_aside`.
    """

    _placing: Placing

    def __init__(self, folder: Path, *, now: str) -> None:
        self.folder = folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._lock = _take_lock(folder / LOCK)
        except OSError as error:
            raise StoreError(
                f"the record's folder {folder} can't be written: {error.strerror}. "
                "Check who owns it and that the disk is there."
            ) from error
        with ExitStack() as undo:
            undo.callback(os.close, self._lock)
            self._db, self.set_aside = open_record(folder, now=now)
            undo.callback(self._db.close)
            self._forget()
            undo.pop_all()
        self._rig_text = self._boot = self._software = ""
        self._carrying: SetAside | None = None

    def reopen(self, *, now: str) -> None:
        """Open the record again, and read anew what was found damaged.

        Raises
        ------
        StoreError
            It can't be opened.
        """
        self._db = reopened(self._db, self.folder, now=now)
        state = self._placing.state
        self._placing = Placing(self._db)
        try:
            if self._run is not None:
                with _told("the run could not be read again"):
                    self._placing.begin_run(self._run, boot=self._boot)
        finally:  # or the next scan would begin a stretch of a boot that nobody knows
            self._placing.state = state

    def start_afresh(
        self, cause: str, *, utc_ms: int, boottime_ms: int, synchronised: bool
    ) -> SetAside:
        """Set a damaged record aside and go on in a new one; to be called again if it failed.

        Parameters
        ----------
        cause : str
            What is wrong with the record.
        utc_ms, boottime_ms, synchronised
            The clocks, as for `begin_run`.

        Raises
        ------
        StoreError
            The disk refuses. Nothing can be kept until another call succeeds.
        """
        if self._carrying is None:
            self._carrying = put_aside(self._db, self.folder, cause=cause)
        self._db.close()
        self._db = begin_record(self.folder, now=rfc3339(utc_ms), after=self._carrying)
        self._forget()
        self.accept_rig(self._rig_text, utc_ms=utc_ms)
        self.begin_run(
            boot=self._boot,
            software=self._software,
            utc_ms=utc_ms,
            boottime_ms=boottime_ms,
            synchronised=synchronised,
        )
        self.set_aside, self._carrying = self._carrying, None
        return self.set_aside

    def _forget(self) -> None:
        """Remember nothing but what is in the record."""
        self._last_scan = self._top()
        self._run: int | None = None
        self._rig_version: int | None = None
        self._placing = Placing(self._db)
        self._layouts: dict[tuple[str, tuple[str, ...], tuple[str, ...]], int] = {}

    def accept_rig(self, text: str, *, utc_ms: int) -> int:
        """Keep this version of the rig file, if it is not kept already; return its number."""
        digest = hashlib.sha256(text.encode()).hexdigest()
        with _told("the rig file could not be kept"):
            self._db.execute(
                "INSERT INTO rig_version (accepted_utc_ms, sha256, text) VALUES (?, ?, ?)"
                " ON CONFLICT (sha256) DO NOTHING",
                (utc_ms, digest, text),
            )
            (number,) = self._db.execute(
                "SELECT id FROM rig_version WHERE sha256 = ?", (digest,)
            ).fetchone()
        self._rig_text = text  # not of one that was refused
        self._rig_version = int(number)
        self._layouts.clear()
        return self._rig_version

    def begin_run(
        self, *, boot: str, software: str, utc_ms: int, boottime_ms: int, synchronised: bool
    ) -> RunGap | None:
        """Open a run; return the time without readings since the one before, if there was one.

        Its length is counted on CLOCK_BOOTTIME if the machine was not started anew, else on the
        wall clock if that is known at both ends. If it is at the last scan only, the length is
        settled by the first scan of this boot that finds it synchronised.
        """
        self._boot, self._software = boot, software
        with _told("the start of the run could not be kept"), Transaction(self._db):
            cursor = self._db.execute(
                "INSERT INTO run (boot, software, started_utc_ms, started_boottime_ms)"
                " VALUES (?, ?, ?, ?)",
                (boot, software, utc_ms, boottime_ms),
            )
            run = cursor.lastrowid
            assert run is not None  # noqa: S101 - an INSERT has one
            start = Start(run, boot, utc_ms, boottime_ms, synchronised)
            gap = add_gap(self._db, start)
            self._placing.begin_run(run, boot=boot)
        self._run = run
        return gap

    def end_run(self, *, utc_ms: int) -> None:
        """Mark the run as ended on purpose.

        Raises
        ------
        StoreError
            The disk refused; the next run takes this one for cut off.
        """
        with _told("the end of the run could not be kept"):
            self._db.execute("UPDATE run SET ended_utc_ms = ? WHERE id = ?", (utc_ms, self._run))

    def commit(self, batch: Batch) -> None:
        """Write everything in `batch`, or nothing of it.

        Raises
        ------
        StoreError
            The disk refused; nothing of the batch was kept.
        """
        last, placing = self._last_scan, self._placing.state
        try:
            with Transaction(self._db):
                for scan in batch.scans:
                    self._append(scan)
                if any(_beside_scans(batch)):  # most commits are of scans alone
                    self._append_rest(batch)
        except sqlite3.Error as error:
            # What the transaction had set up is gone with it.
            self._layouts.clear()
            self._placing.put_back(placing)
            self._last_scan = last  # not looked up: reading may not work either
            raise StoreError(f"a scan could not be kept: {error}") from error

    def keep_health(self, news: HealthNews) -> None:
        """Keep what readings tell of their probes, and how far they were judged; all or nothing.

        Raises
        ------
        StoreError
            The disk refused.
        """
        with _told("what readings tell could not be kept"), Transaction(self._db):
            add_health(self._db, news)

    def keep_water(self, kept: KeptWater) -> None:
        """Keep what was found out about the water, and how far it was looked at; all or nothing.

        Raises
        ------
        StoreError
            The disk refused.
        """
        with _told("what the water does could not be kept"), Transaction(self._db):
            add_water(self._db, kept)

    def handled(self, request: Request) -> bool:
        """Whether the request is in the record already."""
        with _told("a request could not be looked up"):
            found = self._db.execute("SELECT 1 FROM request WHERE uuid = ?", (request.uuid,))
            return found.fetchone() is not None

    def last_change(self) -> int:
        """The id of the last alarm change that was kept; 0 if none ever was.

        Raises
        ------
        StoreError
            Not even reading works.
        """
        with _told("the last alarm could not be looked up"):
            (last,) = self._db.execute("SELECT ifnull(max(id), 0) FROM alarm_change").fetchone()
        return int(last)

    def alarms_left(self, *, boottime_ms: int, utc_ms: int) -> dict[str, AlarmLeft]:
        """How each alarm was left, by key; the clocks are those of now."""
        with _told("the alarms of the run before could not be read"):
            return alarms_left(self._db, boot=self._boot, boottime_ms=boottime_ms, utc_ms=utc_ms)

    def sealing(self, plan: SealingPlan | None = None) -> Sealing:
        """What turns older scans into compressed columns, for a chore to do."""
        return Sealing(lambda: self._db, plan)

    def summaries(self) -> Summaries:
        """What adds up hours and days beside the record, for a chore to do."""
        return Summaries(lambda: self._db, self.folder)

    def lull(self) -> Lull:
        """What tells a chore that nothing can be due yet."""
        return Lull(lambda: self._db)

    def fold_in(self) -> str | None:
        """Fold the write-ahead log into the file; return why it could not be done, if so.

        Gives up soon where a reader holds the log open: scans wait meanwhile.
        """
        try:
            self._db.execute(f"PRAGMA busy_timeout = {FOLD_PATIENCE_MS}")
            busy, _, _ = self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        except sqlite3.Error as error:
            return f"the write-ahead log could not be folded in: {error}"
        finally:  # or every commit after a failure would give up as soon
            self._db.execute(f"PRAGMA busy_timeout = {PATIENCE_MS}")
        return HELD_OPEN if busy else None

    def close(self) -> None:
        """Close the file and give up the lock."""
        self._db.close()
        os.close(self._lock)

    def _top(self) -> int:
        (top,) = self._db.execute("SELECT ifnull(max(id), 0) FROM scan").fetchone()
        return int(top)

    def _append(self, scan: Scan) -> None:
        scan_id = self._last_scan + 1
        utc_ms = self._placing.take(scan_id, scan)
        self._db.execute(
            "INSERT INTO scan (id, layout, utc_ms, boottime_ms, synchronised, readings)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (
                scan_id,
                self._layout(scan),
                utc_ms,
                scan.boottime_ms,
                scan.synchronised,
                pack(scan),
            ),
        )
        self._last_scan = scan_id

    def _append_rest(self, batch: Batch) -> None:
        add_changes(self._db, batch.changes, run=self._run)
        add_events(self._db, batch.events, run=self._run)
        add_requests(self._db, batch.requests)
        add_proof(self._db, batch.proof, rig_version=self._rig_version)
        add_entries(self._db, batch.logbook, run=self._run, rig_version=self._rig_version)
        add_to_ledger(self._db, batch.ledger, batch.heads)
        add_written(self._db, batch.disk)
        save_cursors(self._db, batch.cursors)

    def _layout(self, scan: Scan) -> int:
        key = (scan.bus, scan.probes, scan.units)
        number = self._layouts.get(key)
        if number is None:
            row = (self._rig_version, scan.bus, json.dumps(scan.probes), json.dumps(scan.units))
            self._db.execute(
                "INSERT INTO layout (rig_version, bus, probes, units) VALUES (?, ?, ?, ?)"
                " ON CONFLICT DO NOTHING",
                row,
            )
            (number,) = self._db.execute(
                "SELECT id FROM layout WHERE rig_version = ? AND bus = ? AND probes = ?"
                " AND units = ?",
                row,
            ).fetchone()
            self._layouts[key] = number
        return number


@contextmanager
def _told(what: str) -> Iterator[None]:
    """Tell SQLite's refusal in our words."""
    try:
        yield
    except sqlite3.Error as error:
        raise StoreError(f"{what}: {error}. Is the disk full?") from error


def _take_lock(path: Path) -> int:
    """Hold an advisory lock for as long as the process lives; the kernel frees it after a kill."""
    lock = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        holder = os.read(lock, 32).decode(errors="replace").strip() or "unknown"
        os.close(lock)
        raise StoreError(
            f"process {holder} is recording into {path.parent} already. "
            "Stop it first, or keep this rig's file in another folder."
        ) from error
    os.ftruncate(lock, 0)
    os.write(lock, f"{os.getpid()}\n".encode())
    return lock
