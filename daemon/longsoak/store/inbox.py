"""Requests to the measuring process: pages and commands append, only `longsoak run` takes.

A file of its own, so that a page never holds a lock on the record. Nothing that happens to it may
stop the measuring process: a file that is damaged, deleted or replaced is made anew.

It keeps a rollback journal and no write-ahead log. Each look then reads the file's head itself, so
that damage shows; and there is no memory map, which would end the process if its file were cut
short.
"""

import os
import sqlite3
import stat
import unicodedata
import uuid
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from longsoak.store.files import INBOX
from longsoak.vocabulary.errors import RequestError, StoreError

ACKNOWLEDGE = "acknowledge"
LONGEST_INITIALS = 20  # characters

_LONGEST_SUBJECT = 200  # characters; an alarm's key has a name or two in it
_LONGEST_WORD = 64  # characters of a kind or an id
_LAST_MS = 253_402_300_800_000  # the year 10000: no calendar of ours goes further
_TAILS = ("-journal", "-wal", "-shm")  # of the files SQLite may keep beside one that is open
_AT_ONCE = 500  # requests handed out with one look; scans wait while they are answered
_REST = 20  # looks between two tries to open a file that can't be used
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


@dataclass(frozen=True, slots=True)
class Request:
    """Something a person asked for: what, about what, who, when."""

    uuid: str
    asked_utc_ms: int
    kind: str
    subject: str
    by: str


def ask(folder: Path, *, kind: str, subject: str, by: str, utc_ms: int) -> Request:
    """Append a request for the measuring process to handle.

    Parameters
    ----------
    folder : Path
        The record's folder.
    kind, subject : str
        What is asked, such as `ACKNOWLEDGE`, and of what, such as an alarm's key.
    by : str
        The initials of who asks, 1 to `LONGEST_INITIALS` printable characters; space at the ends
        is dropped.
    utc_ms : int
        When, ms since 1970 UTC.

    Raises
    ------
    RequestError
        The initials or the subject are not what can stand in a record and on one line.
    StoreError
        There is no inbox that can be written to: `longsoak run` has not been started there yet,
        this user may not write there, or the file is damaged.
    """
    request = Request(uuid.uuid4().hex, utc_ms, kind, _subject(subject), _initials(by))
    path = folder / INBOX
    try:
        uri = f"{path.absolute().as_uri()}?mode=rw"
        with closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as db:
            db.execute("PRAGMA busy_timeout = 5000")
            db.execute("PRAGMA synchronous = FULL")
            db.execute(
                "INSERT INTO request (uuid, asked_utc_ms, kind, subject, by)"
                " VALUES (?, ?, ?, ?, ?)",
                (request.uuid, utc_ms, kind, request.subject, request.by),
            )
    except sqlite3.Error as error:
        raise StoreError(
            f"nothing could be asked of the measuring process: {_why_not(path, error)}"
        ) from error
    return request


def waiting_before(folder: Path, uuid: str) -> int | None:
    """How many requests were asked before `uuid` and are still to be taken.

    None where `uuid` waits no longer, or the inbox can't be read.
    """
    try:
        uri = f"{(folder / INBOX).absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True)) as db:
            row = db.execute(
                "SELECT count(before.id) FROM request AS own LEFT JOIN request AS before"
                " ON before.id < own.id WHERE own.uuid = ? GROUP BY own.id",
                (uuid,),
            ).fetchone()
    except sqlite3.Error:
        return None
    return None if row is None else int(row[0])


def _initials(by: str) -> str:
    by = by.strip()
    if not by:
        raise RequestError(
            f"Say who acknowledges, by initials of 1 to {LONGEST_INITIALS} printable characters. "
            "Nothing was asked."
        )
    if len(by) > LONGEST_INITIALS or not by.isprintable():
        odd = "" if by.isprintable() else ", not all of them printable"
        raise RequestError(
            f"Initials are 1 to {LONGEST_INITIALS} printable characters; these are {len(by)}{odd}. "
            "Nothing was asked."
        )
    return by


def _subject(subject: str) -> str:
    # As for names in a rig file, which keys are made of.
    kinds = {unicodedata.category(letter) for letter in subject}
    breaks = any(kind[0] == "C" or kind in ("Zl", "Zp") for kind in kinds)
    if breaks or not 1 <= len(subject) <= _LONGEST_SUBJECT:
        raise RequestError(
            f"An alarm is called by 1 to {_LONGEST_SUBJECT} printable characters on one line, "
            f"not {subject[:40]!r}. `longsoak ack` lists those that stand. Nothing was asked."
        )
    return subject


def _why_not(path: Path, error: sqlite3.Error) -> str:
    # `os.access` rather than `Path.exists`, which raises where a folder may not be entered.
    folder = path.parent
    there = os.access(path, os.F_OK)
    closed = os.access(folder, os.F_OK) and not os.access(folder, os.X_OK)
    if closed or (there and not (os.access(path, os.W_OK) and os.access(folder, os.W_OK))):
        return (
            f"this user may not write in {folder}. "
            "Ask as the user who runs `longsoak run`, or on its pages."
        )
    if not there:
        return (
            f"there is no {path}. `longsoak run` makes it: start it there if it isn't running, "
            "else ask again in a few seconds."
        )
    if _code(error) == sqlite3.SQLITE_BUSY:
        return f"{path} is held by another process. Ask again."
    return (
        f"{path}: {error}. A running `longsoak run` makes a new one in a few seconds: "
        "ask again then, or start it."
    )


class Inbox:
    """The measuring process's end: looks cheaply, takes what is new, drops what is recorded.

    No method raises for what is wrong with the file; `news` says what happened to it.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / INBOX
        self._db: sqlite3.Connection | None = None
        self._file: tuple[int, int] | None = None
        self._written: tuple[int, int] | None = None  # when and how long, as of the last look
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
        if self._db is not None and _identity(self._path) != self._file:
            self._leave()
            self._news.append(
                f"{self._path.name} was deleted or replaced; the one in its place is used from now"
            )
            self._open()
        if self._db is None:
            self._rest = max(0, self._rest - 1)
            if not self._rest:
                self._open()
        try:
            self._look()
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
        self._db = self._file = self._version = None

    def _open(self, *, mend: bool = True) -> None:
        try:
            self._db = _opened(self._path)
            self._file = _identity(self._path)
            self._written = _written(self._path)
        except sqlite3.Error as error:
            if mend:
                self._mend(error)
            else:
                self._suffer(error)

    def _look(self) -> None:
        """Read what is new, and notice what was written past SQLite."""
        if self._db is None:
            return
        # Before the version, so that a request that comes between the two costs a check and no
        # more, and damage that comes there is found with the next look.
        written = _written(self._path)
        if not self._fresh() and written != self._written:
            self._check()
        self._written = written

    def _check(self) -> None:
        """Somebody wrote past SQLite: open the file again, which looks at every page of it."""
        self.close()
        self._db = _opened(self._path)
        self._file = _identity(self._path)
        self._fresh()

    def _fresh(self) -> bool:
        """Read requests if another connection wrote since; return whether one did."""
        if self._db is None:
            return False
        (version,) = self._db.execute("PRAGMA data_version").fetchone()
        if version == self._version:
            return False
        rows = self._db.execute(
            "SELECT uuid, asked_utc_ms, kind, subject, by FROM request ORDER BY id"
        ).fetchall()
        # Somebody may have put a file of another make there; what it holds goes into the record.
        if any(tuple(map(type, row)) != (str, int, str, str, str) for row in rows):
            raise sqlite3.DatabaseError("it holds something that is no request")
        self._version = version
        requests = [Request(*row) for row in rows if row[0] not in self._taken]
        self._taken.update(request.uuid for request in requests)
        fit = [request for request in requests if _fits(request)]
        self._ready += fit
        if odd := len(requests) - len(fit):
            self._done.update({request.uuid for request in requests if not _fits(request)})
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
            self._written = _written(self._path)
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
        if _code(error) in _NOT_ITS_FAULT and not _is_odd(self._path):
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
            " by TEXT NOT NULL) STRICT"
        )
        (says,) = db.execute("PRAGMA integrity_check(1)").fetchone()
        if says != "ok":
            raise sqlite3.DatabaseError(says)
    except sqlite3.Error:
        db.close()
        raise
    return db


def _beside(path: Path, tail: str) -> Path:
    return path.with_name(path.name + tail)


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _written(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size


def _is_odd(path: Path) -> bool:
    """Whether something is there that is no file, such as a folder or a link to nowhere."""
    try:
        return not stat.S_ISREG(path.stat().st_mode)
    except OSError:
        return path.is_symlink()


def _fits(request: Request) -> bool:
    """Whether `ask` could have written it; anybody can put anything into a file by hand."""
    words = (request.uuid, request.kind)
    if not all(word.isprintable() and 1 <= len(word) <= _LONGEST_WORD for word in words):
        return False
    try:
        return (
            _initials(request.by) == request.by
            and _subject(request.subject) == request.subject
            and 0 <= request.asked_utc_ms < _LAST_MS
        )
    except RequestError:
        return False


def _code(error: sqlite3.Error) -> int | None:
    """SQLite's primary result code; None where the error is of Python's own making."""
    code: int | None = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & 0xFF


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
