"""Requests to the measuring process: pages and commands append, only `longsoak run` takes.

A file of its own, so that a page never holds a lock on the record.
"""

import sqlite3
import uuid
from dataclasses import dataclass
from pathlib import Path

from longsoak.store.files import INBOX
from longsoak.vocabulary.errors import StoreError

ACKNOWLEDGE = "acknowledge"


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
        Who asks, as they want it recorded.
    utc_ms : int
        When, ms since 1970 UTC.

    Raises
    ------
    StoreError
        There is no inbox to write to: `longsoak run` has not been started there yet.
    """
    request = Request(uuid.uuid4().hex, utc_ms, kind, subject, by)
    path = folder / INBOX
    try:
        db = sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", uri=True, isolation_level=None)
        try:
            db.execute("PRAGMA busy_timeout = 5000")
            db.execute(
                "INSERT INTO request (uuid, asked_utc_ms, kind, subject, by)"
                " VALUES (?, ?, ?, ?, ?)",
                (request.uuid, utc_ms, kind, subject, by),
            )
        finally:
            db.close()
    except sqlite3.Error as error:
        raise StoreError(
            f"nothing could be asked of the measuring process: {path}: {error}. "
            "Start `longsoak run` there first."
        ) from error
    return request


class Inbox:
    """The measuring process's end: looks cheaply, takes what is new, drops what is recorded."""

    def __init__(self, folder: Path) -> None:
        self._db = sqlite3.connect(folder / INBOX, isolation_level=None)
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.execute("PRAGMA busy_timeout = 5000")
        self._db.execute(
            "CREATE TABLE IF NOT EXISTS request (id INTEGER PRIMARY KEY, uuid TEXT NOT NULL"
            " UNIQUE, asked_utc_ms INTEGER NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL,"
            " by TEXT NOT NULL) STRICT"
        )
        self._seen: int | None = None

    def waiting(self) -> list[Request]:
        """Requests not dropped yet, oldest first; asks the file only when another process wrote."""
        (version,) = self._db.execute("PRAGMA data_version").fetchone()
        if version == self._seen:
            return []
        self._seen = version
        rows = self._db.execute(
            "SELECT uuid, asked_utc_ms, kind, subject, by FROM request ORDER BY id"
        ).fetchall()
        return [Request(*row) for row in rows]

    def drop(self, requests: list[Request]) -> None:
        """Forget requests that are in the record by now."""
        self._db.executemany(
            "DELETE FROM request WHERE uuid = ?", [(request.uuid,) for request in requests]
        )

    def close(self) -> None:
        """Close the file."""
        self._db.close()
