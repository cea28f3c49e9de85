"""Opening the record for writing; a damaged one is set aside and a new one begun in its place."""

import hashlib
import sqlite3
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from threading import Event

from longsoak.store.appending import add_changes, add_events, save_cursors
from longsoak.store.aside import (
    DamageError,
    Remains,
    SetAside,
    damaged,
    disk_failed,
    files_aside,
    finish_moving,
    move_beside,
    move_record,
    remains,
    takes_a_file,
)
from longsoak.store.beforeupgrade import keep_before_upgrade
from longsoak.store.files import RECORD, check, reading_fails
from longsoak.store.migrations import migrate
from longsoak.store.transaction import Transaction
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import Event as Happening

# What a run can't begin without. All else is looked at in the night.
_NEEDED = ("rig_version", "run", "stretch", "layout", "gap", "cursor", "alarm_change", "request")
TRIES, TRY_AGAIN = 5, 2.0  # s between
PATIENCE_MS = 10_000  # for a lock that another process holds on the file


def open_record(folder: Path, *, now: str) -> tuple[sqlite3.Connection, SetAside | None]:
    """Open the record in `folder` for writing, as today's tables; also what was set aside for it.

    Parameters
    ----------
    folder : Path
        The record's, whose lock the caller holds.
    now : str
        RFC 3339 UTC.

    Raises
    ------
    StoreError
        The disk refuses, or the record was written by a newer version; nothing was changed.
    """
    finish_moving(folder)
    if not (folder / RECORD).exists() and (left := files_aside(folder)):
        aside = SetAside(left[-1], "found at an earlier start", Remains())
        return begin_record(folder, now=now, after=aside), aside
    db: sqlite3.Connection | None = None
    for tries_left in reversed(range(TRIES)):
        try:
            db = db or _connect(folder)
            _ready(db, folder, now=now)
        except StoreError as error:
            unread = _unread(folder) if damaged(error) else None
            failed = disk_failed(error) or unread is not None
            if failed and tries_left:  # a disk that failed for a moment
                if db is not None:  # its locks went when the file was read beside it
                    db.close()
                    db = None
                Event().wait(TRY_AGAIN)
                continue
            # If it still fails, but takes new files, it is this file that can't be read.
            if (damaged(error) and unread is None) or (failed and takes_a_file(folder)):
                aside = put_aside(db, folder, cause=unread or str(error.__cause__ or error))
                return begin_record(folder, now=now, after=aside), aside
            if db is not None:
                db.close()
            raise StoreError(
                f"the record {folder / RECORD} can't be opened: {error}. See that its disk is "
                "there, has room, and belongs to who runs this; nothing in it was changed."
            ) from error
        return db, None
    raise AssertionError  # the last try returns or raises


def _unread(folder: Path) -> str | None:
    return reading_fails(folder / RECORD) or reading_fails(folder / f"{RECORD}-wal")


def reopened(db: sqlite3.Connection, folder: Path, *, now: str) -> sqlite3.Connection:
    """A new connection in place of `db`, which remembers nothing of the file.

    The file is never opened beside SQLite: on closing, POSIX would drop the locks that SQLite holds
    on it (sqlite.org/howtocorrupt.html, 2.2, from memory).

    Raises
    ------
    StoreError
        The record can't be opened again; `db` is as it was.
    """
    fresh = _connect(folder)
    try:
        _ready(fresh, folder, now=now)
    except StoreError as error:
        fresh.close()
        raise StoreError(f"the record {folder / RECORD} can't be opened again: {error}") from error
    db.close()  # last, or it would fold a log into a file that may be damaged
    return fresh


def put_aside(db: sqlite3.Connection | None, folder: Path, *, cause: str) -> SetAside:
    """Set the record that `db` has open, if it could be, aside, whole; `db` is closed.

    Raises
    ------
    StoreError
        The folder can't be written. The record stays where it was, and `db` open.
    """
    left = remains(folder)
    file = move_record(folder)
    if db is not None:
        db.close()
    with suppress(StoreError):  # done again before a new one begins
        move_beside(folder, file)
    return SetAside(file, cause, left)


def begin_record(folder: Path, *, now: str, after: SetAside) -> sqlite3.Connection:
    """Begin a new record with what is left of the one before; safe to call again if it failed.

    Raises
    ------
    StoreError
        The disk refuses. What was set aside is safe.
    """
    finish_moving(folder)
    db = _connect(folder)
    try:
        _ready(db, folder, now=now)
        with Transaction(db):
            if db.execute("SELECT 1 FROM event LIMIT 1").fetchone() is None:
                _carry(db, after, utc_ms=_ms(now))
    except (sqlite3.Error, StoreError) as error:
        with suppress(sqlite3.Error):
            db.close()
        raise StoreError(f"a new record could not be begun: {error}") from error
    return db


def _connect(folder: Path) -> sqlite3.Connection:
    try:
        return sqlite3.connect(folder / RECORD, isolation_level=None)
    except sqlite3.Error as error:  # it is a folder, or permission is missing
        raise StoreError(str(error)) from error


def _ready(db: sqlite3.Connection, folder: Path, *, now: str) -> None:
    """Set the connection up and bring the file up to date."""
    try:
        tables = {name for (name,) in db.execute("SELECT name FROM sqlite_schema")}
        if tables and "migration" not in tables:
            raise DamageError("it is a database of something else")
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA journal_size_limit = 8388608")
        db.execute(f"PRAGMA busy_timeout = {PATIENCE_MS}")
        upgraded = keep_before_upgrade(db, folder)
        migrate(db, now=now)
        if upgraded is not None:
            add_events(db, [Happening(_ms(now), "upgrade", "record", upgraded)], run=None)
        for table in _NEEDED:
            if (wrong := check(db, f"quick_check('{table}')")) is not None:
                raise DamageError(wrong)
        for table in ("scan", "event"):  # large: that their ends can be reached is enough here
            db.execute(f"SELECT max(id) FROM {table}").fetchone()  # noqa: S608 - our own names
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_ERROR:  # e.g. no such table
            raise DamageError(f"its tables are not those of a record: {error}") from error
        raise StoreError(str(error)) from error
    except UnicodeDecodeError as error:  # SQLite's own words name what can't be read
        raise DamageError("its list of tables is damaged") from error


def _ms(now: str) -> int:
    return round(datetime.fromisoformat(now).timestamp() * 1000)


def _carry(db: sqlite3.Connection, aside: SetAside, *, utc_ms: int) -> None:
    left = aside.remains
    if left.rig is not None:
        digest = hashlib.sha256(left.rig.text.encode()).hexdigest()
        db.execute(
            "INSERT INTO rig_version (accepted_utc_ms, sha256, text) VALUES (?, ?, ?)",
            (left.rig.accepted_utc_ms, digest, left.rig.text),
        )
    add_changes(db, left.changes, run=None)
    save_cursors(db, left.cursors)
    add_events(db, [Happening(utc_ms, "damage", "record", aside.says)], run=None)
