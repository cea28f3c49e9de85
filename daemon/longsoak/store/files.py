"""Where the record lies: one folder, two databases and a lock."""

import fcntl
import os
import re
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from longsoak.vocabulary.errors import StoreError

RECORD = "record.db"
INBOX = "inbox.db"
LOCK = "lock"


def folder_of(rig_file: Path) -> Path:
    """The record's folder: ``record`` beside the rig file."""
    return rig_file.resolve().parent / "record"


def recording(folder: Path) -> bool:
    """Whether a measuring process holds the record's folder.

    Raises
    ------
    StoreError
        This user may not look.
    """
    try:
        lock = os.open(folder / LOCK, os.O_RDONLY)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise StoreError(
            f"whether `longsoak run` is recording into {folder} can't be seen: {error.strerror}. "
            "Look as the user who runs it."
        ) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(lock)
    return False


def check(db: sqlite3.Connection, pragma: str) -> str | None:
    """The first thing a ``quick_check`` or ``integrity_check`` finds wrong; None if nothing.

    Raises
    ------
    sqlite3.OperationalError
        A page could not be read from the disk: that says nothing against what is written there.
    """
    (answer,) = db.execute(f"PRAGMA {pragma}").fetchone()
    if answer == "ok":
        return None
    says = " ".join(str(answer).split())
    # SQLite tells of a page it could not get in the words of the check.
    codes = [int(code) & 0xFF for code in re.findall(r"error code[= ](\d+)", says)]
    if sqlite3.SQLITE_IOERR in codes or "failed to get page" in says:
        error = sqlite3.OperationalError(f"disk I/O error: {says}")
        error.sqlite_errorcode = sqlite3.SQLITE_IOERR
        raise error
    return says


def reading_fails(path: Path) -> str | None:
    """Why the disk does not give a file to its end; None if it does, or there is no such file.

    SQLite calls a page that a disk fails to give malformed: EIO becomes SQLITE_IOERR_CORRUPTFS
    (``unixRead`` in os_unix.c), and that SQLITE_CORRUPT (vdbe.c; both read in public copies).

    Not for a file that a connection of this process goes on using: closing it here, POSIX would
    drop the locks SQLite holds on it (sqlite.org/howtocorrupt.html, 2.2, from memory).
    """
    try:
        file = os.open(path, os.O_RDONLY)
    except FileNotFoundError:
        return None
    except OSError as error:
        return str(error.strerror)
    try:
        os.posix_fadvise(file, 0, 0, os.POSIX_FADV_DONTNEED)  # as it lies on the disk
        while os.read(file, 1 << 20):
            pass
    except OSError as error:
        return str(error.strerror)
    finally:
        os.close(file)
    return None


class _KeptOpen(threading.local):
    connections: dict[Path, sqlite3.Connection] | None = None


_kept_open = _KeptOpen()


@contextmanager
def keeping_open() -> Iterator[None]:
    """Let this thread's looks meanwhile share a connection to each database.

    For many short looks in a row, as one answer takes: opening takes half a millisecond each time.
    Every look is a transaction of its own as ever, so that no snapshot is held open.
    """
    if _kept_open.connections is not None:
        yield
        return
    kept = _kept_open.connections = {}
    try:
        yield
    finally:
        _kept_open.connections = None
        for db in kept.values():
            db.close()


@contextmanager
def look_into(path: Path) -> Iterator[sqlite3.Connection]:
    """One look at a database: a transaction on a connection for reading only.

    Raises
    ------
    StoreError, sqlite3.Error
        As `connect_read_only`.
    """
    kept = _kept_open.connections
    db = None if kept is None else kept.get(path)
    if kept is None or (db is not None and db.in_transaction):  # or a look within a look
        with closing(connect_read_only(path)) as own:
            own.execute("BEGIN")
            yield own
        return
    if db is None:
        db = kept[path] = connect_read_only(path)
    db.execute("BEGIN")
    try:
        yield db
    finally:
        db.rollback()


def connect_read_only(path: Path) -> sqlite3.Connection:
    """Open a database for reading only.

    Raises
    ------
    StoreError
        This user may not enter the folder, or its disk does not answer.
    sqlite3.Error
        There is no such file, or it can't be read.
    """
    folder = path.parent
    try:
        there = folder.exists()
    except PermissionError:  # it is a folder above it that may not be entered
        there = True
    except OSError as error:  # of a disk that has died, say
        raise StoreError(
            f"{folder} can't be looked into: {error.strerror or error}. See to the disk it is on."
        ) from error
    if there and not os.access(folder, os.X_OK):
        raise StoreError(
            f"this user may not look into {folder}. Ask its owner for permission to read it, "
            "or look as the user who runs `longsoak run`."
        )
    try:
        return _opened(path, "mode=ro")
    except sqlite3.OperationalError:
        # Reading beside a writer takes a third file, which the last writer removes and this user
        # may not make. Where no log is left to read there was a clean stop: the file says it all.
        if _has_log(path) or os.access(folder, os.W_OK) or not os.access(path, os.R_OK):
            raise
        return _opened(path, "mode=ro&immutable=1")


def _opened(path: Path, how: str) -> sqlite3.Connection:
    db = sqlite3.connect(f"{path.resolve().as_uri()}?{how}", uri=True, isolation_level=None)
    try:
        db.execute("PRAGMA busy_timeout = 5000")
        db.execute("SELECT 1 FROM sqlite_schema LIMIT 1").fetchone()  # opens the file in earnest
    except sqlite3.Error:
        db.close()
        raise
    except UnicodeDecodeError as error:  # SQLite's own words name what can't be read
        db.close()
        raise sqlite3.DatabaseError("its list of tables is damaged") from error
    return db


def _has_log(path: Path) -> bool:
    log = path.with_name(f"{path.name}-wal")
    return log.exists() and log.stat().st_size > 0
