"""A copy of the record as it was before a newer version changes its tables."""

import os
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from longsoak.store.files import check
from longsoak.store.media import sync_folder
from longsoak.store.migrations import lacking
from longsoak.store.space import amount_words, room

COPY = "before-upgrade.db"
_PART = f"{COPY}.part"
_SPARE = 64_000_000  # bytes that stay free beside a copy


def keep_before_upgrade(db: sqlite3.Connection, folder: Path) -> str | None:
    """Copy the record if there is something in it and its tables are to be changed.

    A change is one transaction and takes nothing away, so that a rig with no room for a copy goes
    on measuring without one.

    Parameters
    ----------
    db : sqlite3.Connection
        The record, no transaction open; nobody else writes it.
    folder : Path
        Where it lies, and the copy is kept. One that an earlier change left is replaced.

    Returns
    -------
    str or None
        What is told of it among the events; None if nothing is to be changed.
    """
    steps = lacking(db)
    if not steps or not _holds_anything(db):
        return None
    says = f"the record's tables were brought up to date ({', '.join(steps)})"
    try:
        size = _copy(db, folder)
    except _NoRoomError as error:
        return f"{says}, without a copy of it as it was: {error}"
    except (sqlite3.Error, OSError) as error:
        return f"{says}, without a copy of it as it was, which could not be made: {error}"
    finally:
        with suppress(OSError):
            (folder / _PART).unlink(missing_ok=True)
    return f"{says}; as it was before, it lies in {COPY} ({amount_words(size)})"


def drop_copy(folder: Path) -> None:
    """Give its room back to the disk."""
    with suppress(OSError):  # read-only: there is no room to be made
        (folder / COPY).unlink(missing_ok=True)


class _NoRoomError(Exception):
    pass


def _holds_anything(db: sqlite3.Connection) -> bool:
    return bool(
        db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'scan'").fetchone()
        and db.execute("SELECT 1 FROM scan LIMIT 1").fetchone()
    )


def _copy(db: sqlite3.Connection, folder: Path) -> int:
    """Make it whole beside its place first; a power cut leaves the copy before or this one."""
    ((pages,), (size,)) = (db.execute(f"PRAGMA page_{of}").fetchone() for of in ("count", "size"))
    here, needs = room(folder), pages * size
    if here is not None and here.free < needs + _SPARE:
        raise _NoRoomError(
            f"{amount_words(here.free)} are free, and it takes {amount_words(needs + _SPARE)}"
        )
    part = folder / _PART
    part.unlink(missing_ok=True)
    with closing(sqlite3.connect(part, isolation_level=None)) as out:
        out.execute("PRAGMA journal_mode = OFF")
        out.execute("PRAGMA synchronous = OFF")  # synced once it is whole
        db.backup(out)
        out.execute("PRAGMA journal_mode = DELETE")  # one file, to be read anywhere
        if (wrong := check(out, "quick_check")) is not None:
            raise sqlite3.DatabaseError(wrong)
    with part.open("rb") as file:
        os.fsync(file.fileno())
    part.replace(folder / COPY)
    sync_folder(folder)
    return int(needs)
