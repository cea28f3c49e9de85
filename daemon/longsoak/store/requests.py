"""What pages and commands ask of the measuring process, and how they ask it.

They append to a file of its own, so that a page never holds a lock on the record; see
`longsoak.store.inbox` for its other end.
"""

import os
import sqlite3
import unicodedata
import uuid
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from longsoak.store.files import INBOX
from longsoak.vocabulary.errors import RequestError, StoreError

ACKNOWLEDGE = "acknowledge"
LONGEST_INITIALS = 20  # characters

_LONGEST_SUBJECT = 200  # characters; an alarm's key has a name or two in it
_LONGEST_BODY = 16_384  # characters
_LONGEST_WORD = 64  # characters of a kind or an id
_LAST_MS = 253_402_300_800_000  # the year 10000: no calendar of ours goes further


@dataclass(frozen=True, slots=True)
class Request:
    """Something a person asked for: what, about what, who, when, and what belongs to it."""

    uuid: str
    asked_utc_ms: int
    kind: str
    subject: str
    by: str
    body: str = ""


def ask(
    folder: Path,
    *,
    kind: str,
    subject: str,
    by: str,
    utc_ms: int,
    body: str = "",
    number: str | None = None,
) -> Request:
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
    body : str
        What more belongs to it, at most 16,384 printable characters.
    number : str, optional
        What tells it from every other one, for whoever may have to ask twice: the second time is
        taken for the first. Drawn by lot if left out.

    Raises
    ------
    RequestError
        The initials or the subject are not what can stand in a record and on one line, or the
        body is too long.
    StoreError
        There is no inbox that can be written to: `longsoak run` has not been started there yet,
        this user may not write there, or the file is damaged.
    """
    number = uuid.uuid4().hex if number is None else number
    request = Request(number, utc_ms, kind, _subject(subject), _initials(by), _body(body))
    path = folder / INBOX
    try:
        uri = f"{path.absolute().as_uri()}?mode=rw"
        with closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as db:
            db.execute("PRAGMA busy_timeout = 5000")
            # FULL leaves it open whether the journal's deletion, which is the commit, outlives a
            # power cut: what was asked would be rolled back (sqlite.org/pragma.html, from memory).
            db.execute("PRAGMA synchronous = EXTRA")
            db.execute(
                "INSERT INTO request (uuid, asked_utc_ms, kind, subject, by, body)"
                " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (uuid) DO NOTHING",
                (request.uuid, utc_ms, kind, request.subject, request.by, request.body),
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
            f"Say who you are, by initials of 1 to {LONGEST_INITIALS} printable characters. "
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
            f"An alarm or a probe is called by 1 to {_LONGEST_SUBJECT} printable characters on one "
            f"line, not {subject[:40]!r}. `longsoak ack` lists the alarms that stand. "
            "Nothing was asked."
        )
    return subject


def _body(body: str) -> str:
    if len(body) > _LONGEST_BODY or not body.isprintable():
        raise RequestError(
            f"What belongs to a request is at most {_LONGEST_BODY} printable characters, this is "
            f"{len(body)}. Shorten the notes. Nothing was asked."
        )
    return body


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
    if result_code(error) == sqlite3.SQLITE_BUSY:
        return f"{path} is held by another process. Ask again."
    return (
        f"{path}: {error}. A running `longsoak run` makes a new one in a few seconds: "
        "ask again then, or start it."
    )


def fits(request: Request) -> bool:
    """Whether `ask` could have written it; anybody can put anything into a file by hand."""
    words = (request.uuid, request.kind)
    if not all(word.isprintable() and 1 <= len(word) <= _LONGEST_WORD for word in words):
        return False
    try:
        return (
            _initials(request.by) == request.by
            and _subject(request.subject) == request.subject
            and _body(request.body) == request.body
            and 0 <= request.asked_utc_ms < _LAST_MS
        )
    except RequestError:
        return False


def result_code(error: sqlite3.Error) -> int | None:
    """SQLite's primary result code; None where the error is of Python's own making."""
    code: int | None = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & 0xFF
