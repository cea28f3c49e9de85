"""Entering what was recorded into the ledger, and closing a day once it is over."""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from sqlite3 import Connection
from typing import NamedTuple

from longsoak.core.wording import with_noun
from longsoak.store.known import Kept
from longsoak.store.ledger import Ledger
from longsoak.store.ledgerentries import (
    DAMAGE,
    DAY,
    KINDS,
    SCANS,
    SETTLED,
    Book,
    ScanRun,
    day_entry,
    rows_after,
    settled,
)
from longsoak.store.scans import Scans
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.ledger import DayHead

LOOKS_EVERY = 20.0  # s
SCANS_AN_ENTRY = 1024
PATIENCE = 3600.0  # s a day waits while nobody vouches for the clock
_SCANS_A_BITE = 256
_ROWS_A_BITE = 256
_READ_A_BITE = 2048
_DAY_MS = 86_400_000
_HOLE = 64  # scans that are looked through for one that is there


class _Over(NamedTuple):
    """A day that is over, and the last scan that was taken before the next began."""

    day: date
    last_scan: int


class DayClosing(Ledger):
    """Enters scans as soon as there are enough for an entry, and all the rest once a day is over.

    It is over when the newest scan was taken on another one. Where days were missed, one root
    closes them all, and has the name of the last that has scans. While nobody vouches for the
    newest scan's clock its day is not believed, but for an hour at most: a rig that never knows
    the time goes by the clock it has.

    Parameters
    ----------
    folder : Path
        The record's.
    writer : RecordWriter
        The record, open for writing.
    """

    name = "day closing"

    def __init__(self, folder: Path, writer: RecordWriter) -> None:
        super().__init__(folder)
        self._writer = writer
        self._lull = writer.lull()
        self._over: _Over | None = None
        self._run: ScanRun | None = None
        self._doubted_since: float | None = None
        self._forget()

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        """Do one bite. See `longsoak.service.chores.Chore`."""
        if not self._read_all:
            self._read_on()
            return 0.0, ()
        if self._lull.lasts():
            return LOOKS_EVERY, ()
        try:
            with self._open() as db:
                if _size(db) != self._book.tree.size:  # another record was put in its place
                    self._forget()
                    return 0.0, ()
                batch = self._next(db, now=now, utc_ms=utc_ms)
        except DAMAGE as error:
            self._forget()
            raise StoreError(
                f"the day can't be closed, for a scan can't be read: {error}"
            ) from error
        if batch is None:
            self._kept.let_go()
            if self._same_day:
                entry_due = self._book.last.get(SCANS, 0) + SCANS_AN_ENTRY
                self._lull.begin(before=entry_due, width_ms=_DAY_MS)
            return LOOKS_EVERY, ()
        try:
            self._writer.commit(batch)
        except StoreError:
            self._forget()  # the book is ahead of the record
            raise
        if batch.heads:
            self._over = None
        return 0.0, [Event(utc_ms, "day", "record", _words(head)) for head in batch.heads]

    def _forget(self) -> None:
        self._book = Book()
        self._read_all = False
        self._kept = Kept()
        self._over = self._run = self._doubted_since = None
        self._run_ends = 0
        self._same_day = False
        self._lull.end()

    def _read_on(self) -> None:
        """Read some more of what was entered before."""
        entries = self.entries_after(self._book.tree.size, limit=_READ_A_BITE)
        for entry in entries:
            self._book.take(entry)
        self._read_all = len(entries) < _READ_A_BITE

    def _next(self, db: Connection, *, now: float, utc_ms: int) -> Batch | None:
        """What is to be kept next, be it nothing so far; None if there is nothing to do."""
        scans, book = Scans(db, self._kept), self._book
        first = book.last.get(SCANS, 0) + 1
        if self._over is None:
            self._over = self._look(db, scans, book.closed_scan + 1, now=now)
        if self._run is None:
            end = scans.top if self._over is None else self._over.last_scan
            if first <= end and (self._over is not None or end - first + 1 >= SCANS_AN_ENTRY):
                self._run = ScanRun(first)
                self._run_ends = min(end, first + SCANS_AN_ENTRY - 1)
        if self._run is not None:
            return self._hash_on(scans, self._run)
        if self._over is None:
            return None
        for kind in KINDS:
            if rows := rows_after(db, kind, book.last.get(kind, 0), limit=_ROWS_A_BITE):
                return Batch(ledger=[book.enter(kind, row, row, entry) for row, entry in rows])
        return self._close(db, self._over.day, utc_ms=utc_ms)

    def _hash_on(self, scans: Scans, run: ScanRun) -> Batch:
        upto = min(run.next + _SCANS_A_BITE - 1, self._run_ends)
        run.add(scans.rows(run.next, upto), upto=upto)
        if upto < self._run_ends:
            return Batch()
        self._run = None
        if not run.scans:
            raise StoreError(f"the day can't be closed: scans {run.first} to {upto} are gone")
        return Batch(ledger=[self._book.enter(SCANS, run.first, upto, run.entry())])

    def _close(self, db: Connection, day: date, *, utc_ms: int) -> Batch:
        book = self._book
        entries = [
            book.enter(kind, row, row, content)
            for kind in SETTLED
            for row, content in settled(db, kind)
            if book.is_news(kind, row, content)
        ]
        number = book.last.get(DAY, 0) + 1
        entries.append(book.enter(DAY, number, number, day_entry(day, utc_ms)))
        head = DayHead(day, book.tree.size, book.tree.root().hex(), utc_ms)
        return Batch(ledger=entries, heads=[head])

    def _look(self, db: Connection, scans: Scans, first: int, *, now: float) -> _Over | None:
        """The day that is over, if one is that has scans from `first` on."""
        self._same_day = False
        if first > scans.top:
            return None
        today, began = _day(db, scans, scans.top), _day(db, scans, first)
        self._same_day = today is not None and began == today
        if today is None or began in (None, today):
            self._doubted_since = None
            return None
        if _doubtful(db):
            if self._doubted_since is None:
                self._doubted_since = now
            if now - self._doubted_since < PATIENCE:
                return None
        last = _last_of_another_day(db, scans, first, today)
        day = _day(db, scans, last)
        return None if day is None else _Over(day, last)


def _last_of_another_day(db: Connection, scans: Scans, first: int, today: date) -> int:
    """The scan before the ones of today, which are the newest: walking back in growing steps."""
    low, high, step = scans.top - 1, scans.top, 1
    while low > first and _day(db, scans, low) == today:
        high, step = low, 2 * step
        low = max(first, scans.top - step)
    while high - low > 1:
        middle = (low + high) // 2
        if _day(db, scans, middle) == today:
            high = middle
        else:
            low = middle
    return low


def _day(db: Connection, scans: Scans, scan: int) -> date | None:
    """The UTC day of a scan; None where it, and many after it, are not there."""
    if scan <= scans.sealed_to:
        utc_ms = scans.utc_ms(scan)
    else:
        row = next(scans.rows(scan, min(scan + _HOLE, scans.top)), None)
        if row is None:
            return None
        utc_ms = row.utc_ms
    found = db.execute(
        "SELECT shift_ms FROM stretch WHERE first_scan <= ? ORDER BY id DESC LIMIT 1", (scan,)
    ).fetchone()
    right_ms = utc_ms + (0 if found is None else found[0])
    return datetime.fromtimestamp(right_ms / 1000, UTC).date()


def _doubtful(db: Connection) -> bool:
    """Whether nobody vouches for the clock of the newest scan."""
    found = db.execute("SELECT known FROM stretch ORDER BY id DESC LIMIT 1").fetchone()
    return found is not None and found[0] == "unsure"


def _size(db: Connection) -> int:
    (size,) = db.execute("SELECT ifnull(max(id), 0) FROM ledger_entry").fetchone()
    return int(size)


def _words(head: DayHead) -> str:
    return f"{head.day} closed: {with_noun(head.entries, 'entry', 'entries')}, root {head.root}"
