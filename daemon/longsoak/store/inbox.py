"""The measuring process's end of what is asked of it: pages and commands append, it takes.

Nothing that happens to the file may stop the measuring process: one that is damaged, deleted or
replaced is made anew.

It keeps a rollback journal and no write-ahead log: each change then changes the file's head, which
a look can read by itself, and damage to it shows; and there is no memory map, which would end the
process if its file were cut short.
"""

import os
import sqlite3
import stat
from contextlib import suppress
from pathlib import Path

from longsoak.store.files import INBOX, check, reading_fails
from longsoak.store.requests import Request, fits, result_code

_TAILS = ("-journal", "-wal", "-shm")  # of the files SQLite may keep beside one that is open
_AT_ONCE = 500  # requests handed out with one look; scans wait while they are answered
_REST = 20  # looks between two tries to open a file that can't be used
_HEAD = 100  # bytes, SQLite's head of a file, with its count of changes
_MOST_ASIDE = 9  # damaged files kept; a card that goes bad would fill itself with them
# What says nothing against the file: a full or absent disk, another process, missing permission.
_NOT_ITS_FAULT = frozenset(
    {
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_NOMEM,
        sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_PROTOCOL,
        sqlite3.SQLITE_READONLY,
    }
)

_Identity = tuple[int, int]  # which file
_Written = tuple[int, int]  # when it was written last, and how long it is


class Inbox:
    """The measuring process's end: looks cheaply, takes what is new, drops what is recorded.

    No method raises for what is wrong with the file; `news` says what happened to it.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / INBOX
        self._db: sqlite3.Connection | None = None
        self._file: _Identity | None = None
        self._written: _Written | None = None  # as of the last look
        self._open_file: int | None = None  # for its head, which is also as of the last look:
        self._head: bytes | None = None
        self._version: int | None = None
        self._ready: list[Request] = []  # read, and not handed out yet
        self._taken: set[str] = set()  # in the file still, and read
        self._done: set[str] = set()  # of these, what is to be dropped
        self._news: list[str] = []
        self._trouble: str | None = None
        self._rest = 0
        self._open()

    def waiting(self) -> list[Request]:
        """Requests not handed out before, oldest first, and not all at once if they are many.

        Reads the file only when somebody else wrote to it.
        """
        # Before the version, so that a request that comes between the two costs a check and no
        # more, and damage that comes there is found with the next look.
        identity, written = _seen(self._path)
        if self._db is not None and identity != self._file:
            self._leave()
            self._news.append(
                f"{self._path.name} was deleted or replaced; the one in its place is used from now"
            )
            self._open()
            written = self._written
        if self._db is None:
            self._rest = max(0, self._rest - 1)
            if not self._rest:
                self._open()
        try:
            self._look(written)
            self._sweep()
        except sqlite3.Error as error:
            self._mend(error)
        found, self._ready = self._ready[:_AT_ONCE], self._ready[_AT_ONCE:]
        return found

    def drop(self, requests: list[Request]) -> None:
        """Forget requests that are in the record by now; tried again later where it fails."""
        self._done.update(request.uuid for request in requests)
        try:
            self._sweep()
        except sqlite3.Error as error:
            self._mend(error)

    def news(self) -> list[str]:
        """What happened to the file since the last call, one sentence each."""
        news, self._news = self._news, []
        return news

    def close(self) -> None:
        """Close the file."""
        if self._db is not None:
            self._db.close()
        if self._open_file is not None:  # after SQLite: its locks would go with this
            os.close(self._open_file)
        self._db = self._file = self._version = self._open_file = self._head = None

    def _open(self, *, mend: bool = True) -> None:
        try:
            self._db = _opened(self._path)
            self._begin()
        except sqlite3.Error as error:
            if mend:
                self._mend(error)
            else:
                self._suffer(error)

    def _begin(self) -> None:
        """Note which file it is that was opened."""
        self._file, self._written = _seen(self._path)
        with suppress(OSError):
            self._open_file = os.open(self._path, os.O_RDONLY | os.O_CLOEXEC)

    def _look(self, written: _Written | None) -> None:
        """Read what is new, and notice what was written past SQLite."""
        if self._db is None:
            return
        head = self._read_head()
        if head is not None and head == self._head and written == self._written:
            return
        if not self._fresh() and written != self._written:
            self._check()
        self._written, self._head = written, head

    def _read_head(self) -> bytes | None:
        """The head of the file as it is now; None where it can't be read, as SQLite will tell."""
        if self._open_file is None:
            return None
        try:
            return os.pread(self._open_file, _HEAD, 0)
        except OSError:
            return None

    def _check(self) -> None:
        """Somebody wrote past SQLite: open the file again, which looks at every page of it."""
        self.close()
        self._db = _opened(self._path)
        self._begin()
        self._fresh()

    def _fresh(self) -> bool:
        """Read requests if another connection wrote since; return whether one did."""
        if self._db is None:
            return False
        (version,) = self._db.execute("PRAGMA data_version").fetchone()
        if version == self._version:
            return False
        rows = self._db.execute(
            "SELECT uuid, asked_utc_ms, kind, subject, by, body FROM request ORDER BY id"
        ).fetchall()
        # Somebody may have put a file of another make there; what it holds goes into the record.
        if any(tuple(map(type, row)) != (str, int, str, str, str, str) for row in rows):
            raise sqlite3.DatabaseError("it holds something that is no request")
        self._version = version
        requests = [Request(*row) for row in rows if row[0] not in self._taken]
        self._taken.update(request.uuid for request in requests)
        fit = [request for request in requests if fits(request)]
        self._ready += fit
        if odd := len(requests) - len(fit):
            self._done.update({request.uuid for request in requests if not fits(request)})
            self._news.append(
                f"{odd} of the requests in {self._path.name} held what `longsoak ack` never "
                "writes, such as a line break or no initials, and went unanswered: ask again with "
                "`longsoak ack`, or on the pages"
            )
        return True

    def _sweep(self) -> None:
        if self._db is None:
            return
        if self._done:
            # One transaction: each has to wait for the disk, and scans wait meanwhile.
            self._db.execute("BEGIN IMMEDIATE")
            try:
                self._db.executemany(
                    "DELETE FROM request WHERE uuid = ?", [(uuid,) for uuid in self._done]
                )
                self._db.execute("COMMIT")
            except sqlite3.Error:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise
            _, self._written = _seen(self._path)
            self._taken -= self._done
            self._done.clear()
        if self._trouble is not None:
            self._trouble = None
            self._news.append(f"{self._path.name} can be used again")

    def _leave(self) -> None:
        """Close a file that is no longer in its place; what was asked in it counts all the same."""
        self._version = None
        with suppress(sqlite3.Error):
            self._fresh()
        self.close()
        self._done.clear()

    def _mend(self, error: sqlite3.Error) -> None:
        """Make a new file if it is this one's fault, else try it again later."""
        self.close()
        fault = result_code(error) not in _NOT_ITS_FAULT and reading_fails(self._path) is None
        if not (fault or _is_odd(self._path)):
            self._suffer(error)
            return
        try:
            aside = _move_aside(self._path)
        except OSError as refusal:
            self._suffer(refusal)
            return
        self._done.clear()
        self._open(mend=False)
        self._news.append(
            f"{self._path.name} was damaged ({error}) and is kept as {aside.name}; what was asked "
            "and not taken yet has to be asked again"
        )

    def _suffer(self, error: sqlite3.Error | OSError) -> None:
        self._rest = _REST
        says = str(error)
        if says != self._trouble:  # told once, not with every look
            self._trouble = says
            self._news.append(f"{self._path.name} can't be used ({says}); it is tried again")


def _opened(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, isolation_level=None)
    try:
        # Short, for scans wait meanwhile; whoever asks writes for an instant only.
        db.execute("PRAGMA busy_timeout = 1000")
        db.execute("PRAGMA journal_mode = DELETE")
        db.execute("PRAGMA synchronous = FULL")
        db.execute(
            "CREATE TABLE IF NOT EXISTS request (id INTEGER PRIMARY KEY, uuid TEXT NOT NULL"
            " UNIQUE, asked_utc_ms INTEGER NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL,"
            " by TEXT NOT NULL, body TEXT NOT NULL DEFAULT '') STRICT"
        )
        (made,) = db.execute("SELECT sql FROM sqlite_schema WHERE name = 'request'").fetchone()
        if made.endswith("by TEXT NOT NULL) STRICT"):  # by version 0.2.0 or an earlier one
            db.execute("ALTER TABLE request ADD COLUMN body TEXT NOT NULL DEFAULT ''")
        if (wrong := check(db, "integrity_check(1)")) is not None:
            raise sqlite3.DatabaseError(wrong)
    except sqlite3.Error:
        db.close()
        raise
    return db


def _beside(path: Path, tail: str) -> Path:
    return path.with_name(path.name + tail)


def _seen(path: Path) -> tuple[_Identity | None, _Written | None]:
    try:
        found = os.stat(path)  # noqa: PTH116 - done for every scan, and takes half as long
    except OSError:
        return None, None
    return (found.st_dev, found.st_ino), (found.st_mtime_ns, found.st_size)


def _is_odd(path: Path) -> bool:
    """Whether something is there that is no file, such as a folder or a link to nowhere."""
    try:
        return not stat.S_ISREG(path.stat().st_mode)
    except OSError:
        return path.is_symlink()


def _move_aside(path: Path) -> Path:
    """Rename the file and what belongs to it, so that it can still be opened; return the name."""
    names = [path.with_name(f"{path.name}.damaged-{n + 1}") for n in range(_MOST_ASIDE)]
    aside = next((name for name in names if not os.path.lexists(name)), names[-1])
    path.replace(aside)
    for tail in _TAILS:
        try:
            _beside(path, tail).replace(_beside(aside, tail))
        except FileNotFoundError:
            _beside(aside, tail).unlink(missing_ok=True)
    return aside
