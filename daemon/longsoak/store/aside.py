"""A damaged record: told from a disk in trouble, moved aside whole, its remains carried over."""

import os
import sqlite3
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import TypeVar

from longsoak.core.wording import time_words, with_noun
from longsoak.store.files import RECORD
from longsoak.store.moments import Moment, changes_in
from longsoak.store.reader import Record, RigVersion
from longsoak.store.requests import result_code
from longsoak.vocabulary.alarm import AlarmState, StoredChange
from longsoak.vocabulary.errors import StoreError

NOTICES = ("mail", "mqtt")  # outlets whose cursors count changes of alarms
DIGEST = "digest"  # its cursor counts days, in whatever record
_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_BESIDE = ("-wal", "-shm")  # what SQLite keeps beside a database
_MOST_UNSENT = 1000  # changes of alarms that wait for a notice

# Anything may be in a damaged file: text where numbers were, states nobody knows.
_UNREADABLE = (StoreError, ValueError, TypeError, LookupError, OverflowError)

T = TypeVar("T")


class DamageError(StoreError):
    """The record itself is damaged; a disk that merely refuses says nothing against it."""


def damaged(error: BaseException | None) -> bool:
    """Whether an error, or one that led to it, speaks of the file itself and not of the disk.

    It may yet be the disk: `longsoak.store.files.reading_fails` tells.
    """
    while error is not None:
        if isinstance(error, DamageError | UnicodeDecodeError):
            return True
        if isinstance(error, sqlite3.Error) and result_code(error) in _DAMAGE:
            return True
        error = error.__cause__
    return False


def disk_failed(error: BaseException | None) -> bool:
    """Whether an error, or one that led to it, is the disk's: reading, writing or syncing failed.

    A full disk is none of these.
    """
    while error is not None:
        if isinstance(error, sqlite3.Error) and result_code(error) == sqlite3.SQLITE_IOERR:
            return True
        error = error.__cause__
    return False


@dataclass(frozen=True, slots=True)
class Remains:
    """What can still be read of a damaged record and is needed in the next one."""

    rig: RigVersion | None = None
    first_utc_ms: int | None = None
    last_utc_ms: int | None = None
    scans: int | None = None
    changes: tuple[StoredChange, ...] = ()
    # Those that mean something there: position, and when it was saved, UTC ms.
    cursors: dict[str, tuple[int, int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SetAside:
    """A record that was set aside: as which file, why, and what was read of it."""

    file: Path
    cause: str
    remains: Remains

    @property
    def says(self) -> str:
        """What happened, in one line."""
        left = self.remains
        if left.first_utc_ms is None or left.last_utc_ms is None:
            reach = "how far it reaches can't be read"
        else:
            many = "readings" if left.scans is None else with_noun(left.scans, "scan")
            reach = (
                f"it holds {many} from {time_words(left.first_utc_ms)} "
                f"to {time_words(left.last_utc_ms)}, as far as can be read"
            )
        return (
            f"the record was damaged ({self.cause}); it was set aside whole as {self.file.name}, "
            f"and a new one begun: {reach}"
        )


def remains(folder: Path) -> Remains:
    """Read what can be read of the record in `folder`, each part by itself."""
    record = _Damaged(folder)
    scans = _read(record.version)
    standing = _read(record.alarms) or {}
    cursors = _read(record.cursors) or {}
    sent = {name: cursors[name] for name in NOTICES if name in cursors}
    unsent = []
    if sent:
        first = min(position for position, _ in sent.values())
        unsent = _read(lambda: record.alarm_changes_after(first, limit=_MOST_UNSENT)) or []
    wanted = {c.id: c for c in standing.values() if c.new is not AlarmState.NORMAL}
    wanted |= {c.id: c for c in unsent}
    changes = tuple(wanted[number] for number in sorted(wanted))
    return Remains(
        rig=_read(record.rig_version) or _read(record.newest_rig_version),
        first_utc_ms=_read(record.first_utc_ms),
        last_utc_ms=_read(record.last_utc_ms),
        scans=None if scans is None else scans[0],
        changes=changes,
        cursors={
            **{name: saved for name, saved in cursors.items() if name == DIGEST},
            **{
                name: (sum(change.id <= position for change in changes), saved_utc_ms)
                for name, (position, saved_utc_ms) in sent.items()
            },
        },
    )


def move_record(folder: Path) -> Path:
    """Move the record's file aside under a name nobody has; return where it lies now.

    What SQLite keeps beside it is moved by `move_beside`, after every connection to it is closed:
    a file that has moved is not written to by the last one that closes it
    (``databaseIsUnmoved`` in SQLite's pager.c, read in a public copy).

    Raises
    ------
    StoreError
        The folder can't be written.
    """
    for number in count(1):
        aside = folder / f"{RECORD}.damaged-{number}"
        if not any(_exists(name) for name in (aside, *_beside(aside))):
            break
    _rename(folder / RECORD, aside)
    return aside


def move_beside(folder: Path, aside: Path) -> None:
    """Let the log of a record that was moved aside follow it.

    Raises
    ------
    StoreError
        The folder can't be written.
    """
    for mine, its in zip(_beside(folder / RECORD), _beside(aside), strict=True):
        if _exists(mine):
            _rename(mine, its)


def files_aside(folder: Path) -> list[Path]:
    """Damaged records that were set aside in `folder`, oldest first; their logs not named."""
    found = [p for p in folder.glob(f"{RECORD}.damaged-*") if p.suffix[9:].isdecimal()]
    return sorted(found, key=lambda file: int(file.suffix[9:]))


def finish_moving(folder: Path) -> None:
    """Let a log follow whose record was moved aside when the power went.

    Beside a new record it would be taken for that one's, and be emptied.

    Raises
    ------
    StoreError
        The folder can't be written.
    """
    if _exists(folder / RECORD) or not _exists(_beside(folder / RECORD)[0]):
        return
    last = None
    for number in count(1):
        aside = folder / f"{RECORD}.damaged-{number}"
        if not any(_exists(name) for name in (aside, *_beside(aside))):
            break
        last = aside
    if last is None or any(map(_exists, _beside(last))):
        last = aside  # its record is gone; the log is kept all the same
    move_beside(folder, last)


def takes_a_file(folder: Path) -> bool:
    """Whether the disk takes a new file in `folder`: only then would a new record be of use."""
    trial = folder / "trial"
    try:
        with trial.open("wb") as file:
            file.write(bytes(65536))
            file.flush()
            os.fsync(file.fileno())
    except OSError:
        return False
    finally:
        with suppress(OSError):
            trial.unlink()
    return True


class _Damaged(Record):
    def cursors(self) -> dict[str, tuple[int, int]]:
        """Where every cursor stands, and when that was saved, UTC ms."""
        with self._open() as db:
            rows = db.execute("SELECT name, position, saved_utc_ms FROM cursor").fetchall()
        return {name: (position, at) for name, position, at in rows}

    def _changes(self, where: str, *values: int | str) -> list[StoredChange]:
        """As they were written, where what would place them can't be read."""
        try:
            return super()._changes(where, *values)
        except _UNREADABLE:
            with self._open() as db:
                return changes_in(
                    db, where, values, lambda _run, utc_ms, _at: Moment(utc_ms, False)
                )

    def newest_rig_version(self) -> RigVersion | None:
        """The rig file accepted last, where the scans that tell what was recorded are gone."""
        with self._open() as db:
            row = db.execute(
                "SELECT id, accepted_utc_ms, text FROM rig_version ORDER BY id DESC LIMIT 1"
            ).fetchone()
        return None if row is None else RigVersion(*row)


def _read(part: Callable[[], T]) -> T | None:
    try:
        return part()
    except _UNREADABLE:
        return None


def _beside(file: Path) -> tuple[Path, ...]:
    return tuple(file.with_name(f"{file.name}{end}") for end in _BESIDE)


def _exists(file: Path) -> bool:
    return os.path.lexists(file)


def _rename(old: Path, new: Path) -> None:
    try:
        old.rename(new)
    except OSError as error:
        raise StoreError(
            f"the damaged record could not be set aside: {new} can't be made: {error.strerror}. "
            "Check the disk, and who owns the folder."
        ) from error
    with suppress(OSError):  # it has its new name; at worst it has the old one after a power cut
        folder = os.open(new.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
