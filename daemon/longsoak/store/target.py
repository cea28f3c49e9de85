"""Where a backup is to go: whether that can take it, and who else is at it."""

import errno
import fcntl
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from longsoak.store.backups import LOCK_NAME
from longsoak.store.files import RECORD
from longsoak.store.media import (
    FAT,
    LARGEST_ON_FAT,
    TargetError,
    file_system,
    is_mounted,
    megabytes,
    megabytes_free,
    room,
)
from longsoak.vocabulary.errors import StoreError

_SPARE = 2_000_000  # bytes for what is small


def check_target(to: Path, folder: Path, *, mounted: bool) -> None:
    """Refuse a folder that can't take backups of the record in `folder`.

    Raises
    ------
    TargetError
        It is not there, not a folder, part of the record, closed to this user, or nothing is
        mounted at it where `mounted` demands that.
    """
    try:
        listed = [entry.name for entry in os.scandir(to)]
    except FileNotFoundError as error:
        raise TargetError(
            f"{to} is not there. Plug the stick in and mount it, or make the folder; "
            "it is not made by itself, or a missing stick would fill the card."
        ) from error
    except NotADirectoryError as error:
        raise TargetError(
            f"{to} is a file, expected a folder. Name the folder it is in."
        ) from error
    except OSError as error:
        raise TargetError(f"{to} can't be looked into: {why(error)}.") from error
    if to.resolve().is_relative_to(folder.resolve()):
        raise TargetError(
            f"{to} lies within the record's own folder {folder}. Name one elsewhere, best on a "
            "stick or another disk."
        )
    if mounted and not is_mounted(to):
        what = "empty" if not listed else "a plain folder"
        raise TargetError(
            f"nothing is mounted at {to}, it is {what}: the stick is missing, and a backup would "
            "fill the card instead. Plug it in and mount it, or leave out the demand for it."
        )
    if not os.access(to, os.W_OK | os.X_OK):
        raise TargetError(
            f"this user may not write in {to}. Give it to them (chown), or mount the stick for "
            "them (uid= of FAT)."
        )


def check_room(to: Path, record: Path, missing: list[Path]) -> None:
    """Refuse a folder without room for a copy of `record` and the photos `missing` from it.

    Raises
    ------
    TargetError
        There is not enough, or its file system takes no file so large.
    """
    log = record.with_name(f"{RECORD}-wal")
    largest = record.stat().st_size + (log.stat().st_size if log.exists() else 0)
    if largest > LARGEST_ON_FAT and file_system(to) in FAT:
        raise TargetError(
            f"the record has {megabytes(largest)}, and a file on FAT at most 4 GB. Format the "
            "stick as exFAT or ext4; that erases what is on it."
        )
    needed = largest + sum(photo.stat().st_size for photo in missing) + _SPARE
    free = room(to)
    if needed > free:
        raise TargetError(
            f"{to} has {megabytes_free(free)} free, and this backup needs {megabytes(needed)}. "
            "Free some, keep fewer (keep), or take a larger stick. Older backups go only after a "
            "newer one is good."
        )


@contextmanager
def sole(to: Path) -> Iterator[None]:
    """Be the only one that makes backups there."""
    try:
        lock = os.open(to / LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise TargetError(f"{to} can't be written: {why(error)}.") from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    except BlockingIOError as error:
        raise StoreError(
            f"another backup into {to} is under way. Wait until it is done, and ask again."
        ) from error
    finally:
        os.close(lock)


@contextmanager
def told(to: Path) -> Iterator[None]:
    """Tell what the disk or SQLite refused in our words."""
    try:
        yield
    except OSError as error:
        where = error.filename or to
        raise StoreError(f"no backup was made: {where}: {why(error)}.") from error
    except sqlite3.Error as error:
        raise StoreError(
            f"no backup was made: the record could not be copied to {to}: {error}."
        ) from error


def why(error: OSError) -> str:
    """What the system refused, in the middle of a sentence."""
    if error.errno == errno.EROFS:
        return (
            "it may only be read from here (under systemd, name it in ReadWritePaths of the unit)"
        )
    if error.errno == errno.ENOSPC:
        return "it is full"
    return (error.strerror or str(error)).lower()
