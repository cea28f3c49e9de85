"""Hours and days added up beforehand, so that years draw as quickly as a day.

They lie in a file of their own, which holds nothing that the record does not: it may be dropped or
lost at any time and is made again from the record. What it was made from is noted in it (which
record, up to which scan, how its times were placed), and it counts only while that is still so.

An hour is written as one row of all its probes first, and its hours are folded into one row a probe
and five days later: rewriting each probe's row every hour would write fifty times as much.
"""

import sqlite3
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from longsoak.store.buckets import Reduction, Sums
from longsoak.store.cells import Cells, Row, as_numbers, pack_cells, pack_row, unpack_cells
from longsoak.store.derived import derived
from longsoak.store.known import Kept
from longsoak.store.recordfile import identity
from longsoak.store.scans import Scans
from longsoak.store.summarised import (
    HOUR_MS,
    HOURS,
    LEVELS,
    SUMMARIES,
    Level,
    made_from,
    numbers_of,
    position_of,
    shifts_of,
)
from longsoak.store.timeline import Span, settled_to, shift_of, stretches
from longsoak.store.transaction import Transaction
from longsoak.vocabulary.errors import StoreError

LATE_HOURS = 24  # a page is folded this long after its end, for clocks that are set back
_BITE = 512  # live scans added up in one bite
_TAILS = ("", "-wal", "-shm")
_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_LAID_OUT = (
    "CREATE TABLE IF NOT EXISTS made_from (id INTEGER PRIMARY KEY CHECK (id = 1),"
    " record TEXT NOT NULL, scan INTEGER NOT NULL, scan_utc_ms INTEGER NOT NULL,"
    " shifts TEXT NOT NULL) STRICT",
    "CREATE TABLE IF NOT EXISTS probe (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
    "CREATE TABLE IF NOT EXISTS fresh (hour INTEGER PRIMARY KEY, cells BLOB NOT NULL) STRICT",
    *(
        f"CREATE TABLE IF NOT EXISTS {level.table} (probe INTEGER NOT NULL, page INTEGER NOT NULL,"
        " cells BLOB NOT NULL, UNIQUE (probe, page)) STRICT"
        for level in LEVELS
    ),
)


class Summaries:
    """The measuring process's end: keeps the file up with the record, a bite at a time.

    Parameters
    ----------
    record : callable
        The connection that writes the record, in whose thread this is called.
    folder : Path
        Its folder.
    """

    def __init__(self, record: Callable[[], sqlite3.Connection], folder: Path) -> None:
        self._record = record
        self._folder = folder
        self._kept = Kept()
        self._file: sqlite3.Connection | None = None
        self._resting = False
        self._under_way: Iterator[None] | None = None

    def bite(self) -> bool:
        """Do one step of a few milliseconds; false if nothing is due.

        Raises
        ------
        StoreError
            The disk refused, the file was damaged and is made anew, or readings in the record are
            damaged. The record is not touched.
        """
        if self._resting:
            return False
        try:
            if self._under_way is None:
                if (due := self._due()) is None:
                    return False
                self._under_way = self._add_up(*due)
            if next(self._under_way, 0) == 0:
                self._under_way = None
        except sqlite3.Error as error:
            self._under_way = None
            self._leave()
            says = f"hours and days could not be added up: {error}"
            if getattr(error, "sqlite_errorcode", 0) & 0xFF in _DAMAGED:
                drop(self._folder)
                raise StoreError(f"{says}. They are made again") from None  # no fault of the record
            raise StoreError(says) from error
        return True

    @property
    def under_way(self) -> bool:
        """Whether a bite has been done and others must follow before scans are moved."""
        return self._under_way is not None

    def drop_and_rest(self) -> None:
        """Delete the file and leave it so, to give the disk its room back."""
        self._resting = True
        self._under_way = None
        self._leave()
        drop(self._folder)

    def resume(self) -> None:
        """Make it again."""
        self._resting = False

    def close(self) -> None:
        """Close the file."""
        self._leave()

    def _leave(self) -> None:
        if self._file is not None:
            self._file.close()
        self._file = None

    def _open(self) -> sqlite3.Connection:
        path = self._folder / SUMMARIES
        if self._file is not None and path.exists():
            return self._file
        self._leave()
        db = sqlite3.connect(path, isolation_level=None)
        try:
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = NORMAL")  # what is lost is made again
            db.execute("PRAGMA journal_size_limit = 1048576")
            db.execute("PRAGMA busy_timeout = 500")
            for statement in _LAID_OUT:
                db.execute(statement)
        except sqlite3.Error:
            db.close()
            raise
        self._file = db
        return db

    def _due(self) -> tuple[int, int, list[Span]] | None:
        """The first and the last scan to add up now, and how the times were placed."""
        record = self._record()
        self._kept = self._kept.of(record)
        with _record_is_read():
            scans = Scans(record, self._kept, derived(self._folder, identity(record)))
            every = stretches(record, scans)
        if not every:
            return None
        db = self._open()
        own = made_from(record, scans)
        position = position_of(db, own, scans, every)
        if position is None:
            with Transaction(db):
                for table in ("fresh", "made_from", *(level.table for level in LEVELS)):
                    db.execute(f"DELETE FROM {table}")  # noqa: S608 - ours
                db.execute("INSERT INTO made_from VALUES (1, ?, 0, 0, '[]')", (own,))
            position = 0
        first, last = max(position + 1, scans.bottom), settled_to(record, scans)
        if first > last:
            return None
        if first <= scans.sealed_to:
            return first, min(last, scans.chunk_of(first).last), every
        last = min(last, first + _BITE - 1)
        if last - first + 1 < _BITE and _hour(scans, every, first) == _hour(scans, every, last):
            return None
        return first, last, every

    def _add_up(self, first: int, last: int, every: list[Span]) -> Iterator[None]:
        record = self._record()
        hours = Reduction(since_ms=0, width_ms=HOUR_MS)
        with _record_is_read():
            scans = Scans(record, self._kept, derived(self._folder, identity(record)))
            probes = {probe for layout in scans.layouts.values() for probe in layout.probes}
            try:
                for span in every:
                    start, end = max(first, span.first), min(last, span.last)
                    if start > end:
                        continue
                    # A bite commits nothing to the record, and sealing is not done meanwhile: one
                    # chore.
                    for piece in scans.pieces(probes, start, end, raw=False):
                        hours.take(piece.probe, piece.utc_ms, piece.column, shift_ms=span.shift_ms)
                        yield
            finally:
                if scans.derived is not None:
                    scans.derived.close()
        by_hour: dict[int, dict[str, Sums]] = {}
        for probe, sums in hours.sums.items():
            for hour, one in sums.items():
                by_hour.setdefault(hour, {})[probe] = one
        db = self._open()
        with Transaction(db):
            for hour, cells in sorted(by_hour.items()):
                _add_to_hour(db, hour, cells)
            db.execute(
                "UPDATE made_from SET scan = ?, scan_utc_ms = ?, shifts = ?",
                (last, scans.utc_ms(last), shifts_of(every, last)),
            )
        yield
        self._kept.let_go()
        for page in _to_fold(db, newest=max(by_hour, default=0)):
            with Transaction(db):
                _fold(db, page)
            yield
        db.execute("PRAGMA shrink_memory")  # it is left alone for hours now


@contextmanager
def _record_is_read() -> Iterator[None]:
    """Tell what is wrong with the record apart from what is with the file of sums."""
    try:
        yield
    except (sqlite3.Error, zlib.error, ValueError, LookupError, TypeError) as error:
        raise StoreError(
            f"hours and days could not be added up: the record is not as it was kept ({error})"
        ) from error


def drop(folder: Path) -> None:
    """Delete the file.

    Raises
    ------
    StoreError
        It can't be: the disk may have turned read-only.
    """
    try:
        for tail in _TAILS:
            (folder / f"{SUMMARIES}{tail}").unlink(missing_ok=True)
    except OSError as error:
        raise StoreError(
            f"{folder / SUMMARIES} can't be deleted: {error.strerror}. Nothing is lost with it"
        ) from error


def _hour(scans: Scans, every: Sequence[Span], scan: int) -> int:
    return (scans.utc_ms(scan) + shift_of(every, scan)) // HOUR_MS


def _add_to_hour(db: sqlite3.Connection, hour: int, cells: dict[str, Sums]) -> None:
    db.executemany(
        "INSERT INTO probe (name) VALUES (?) ON CONFLICT DO NOTHING", [(name,) for name in cells]
    )
    numbers = numbers_of(db, cells)
    row = db.execute("SELECT cells FROM fresh WHERE hour = ?", (hour,)).fetchone()
    sums = Row(row[0]).sums() if row else {}
    for name, more in cells.items():
        sums.setdefault(numbers[name], Sums()).merge(more)
    db.execute("INSERT OR REPLACE INTO fresh VALUES (?, ?)", (hour, pack_row(sums.items())))


def _to_fold(db: sqlite3.Connection, *, newest: int) -> list[int]:
    """Pages that are over for long enough."""
    before = (newest - LATE_HOURS) // HOURS.page
    rows = db.execute("SELECT hour FROM fresh WHERE hour < ?", (before * HOURS.page,)).fetchall()
    return sorted({hour // HOURS.page for (hour,) in rows})  # SQLite rounds those before 1970 up


def _fold(db: sqlite3.Connection, page: int) -> None:
    """Turn a page's hours into one row a probe, and add them to the sums over longer."""
    first, last = page * HOURS.page, (page + 1) * HOURS.page - 1
    fresh = db.execute(
        "SELECT hour, cells FROM fresh WHERE hour BETWEEN ? AND ? ORDER BY hour", (first, last)
    ).fetchall()
    hours: dict[int, Cells] = {}
    for hour, data in fresh:
        row = Row(data)
        for place, number in enumerate(row.probes()):
            hours.setdefault(number, Cells()).append(hour, row.at(place))
    for number, cells in hours.items():
        for level in LEVELS:
            summed = Cells()
            for index, sums in cells.grouped(0, level.hours):
                summed.append(index, as_numbers(sums))
            for group, _ in list(summed.grouped(0, level.page)):
                part = summed.cut(group * level.page, (group + 1) * level.page - 1)
                _add_to_page(db, level, number, group, part)
    db.execute("DELETE FROM fresh WHERE hour BETWEEN ? AND ?", (first, last))


def _add_to_page(db: sqlite3.Connection, level: Level, probe: int, page: int, more: Cells) -> None:
    row = db.execute(
        f"SELECT cells FROM {level.table} WHERE probe = ? AND page = ?",  # noqa: S608 - ours
        (probe, page),
    ).fetchone()
    whole = Cells()
    if row is not None:
        both = unpack_cells(row)
        both.extend(more)
        for index, sums in both.in_order().grouped(0, 1):
            whole.append(index, as_numbers(sums))
    else:
        whole = more
    db.execute(
        f"INSERT OR REPLACE INTO {level.table} VALUES (?, ?, ?)",  # noqa: S608 - as above
        (probe, page, pack_cells(whole)),
    )
