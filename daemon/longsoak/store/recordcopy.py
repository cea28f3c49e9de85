"""A copy of the record as of one moment, taken beside whoever writes it, and looked over."""

import json
import sqlite3
import struct
import zlib
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.media import Work, megabytes
from longsoak.store.packing import BYTES_PER_READING
from longsoak.store.recordfile import as_of_today, identity
from longsoak.store.scans import scan_rows
from longsoak.vocabulary.errors import StoreError

_PAGES = 512  # copied at a time: 2 MB
_PASSES = 20  # a copy that is begun anew so often is given up
_MOST_LOG = 256_000_000  # bytes the write-ahead log may grow to meanwhile
# What unpacking scans raises where their bytes are not as they were written.
_UNPACKED = (ValueError, LookupError, TypeError, OverflowError, struct.error, zlib.error)


@dataclass(frozen=True, slots=True)
class Counted:
    """What a record holds, which migrations it has seen, and which one it is."""

    scans: int
    readings: int
    migrations: tuple[str, ...]
    record: str


def copy_record(source: Path, to: Path, work: Work) -> None:
    """Copy the record as it is at one moment, beside whoever writes it."""
    for _ in range(_PASSES):
        before = _print_of(source)
        with closing(connect_read_only(source)) as db:
            log = source.with_name(f"{RECORD}-wal")
            # Without its third file, SQLite takes a record that nobody writes for one that nobody
            # is going to write, and would not notice.
            alone = not source.with_name(f"{RECORD}-shm").exists()
            with closing(sqlite3.connect(to, isolation_level=None)) as out:
                # Synced and checked when it is whole; one that isn't is thrown away.
                out.execute("PRAGMA locking_mode = EXCLUSIVE")
                out.execute("PRAGMA journal_mode = OFF")
                out.execute("PRAGMA synchronous = OFF")
                _copy_pages(db, out, log, work)
                out.execute("PRAGMA journal_mode = DELETE")  # one file, to be read anywhere
        if not alone or _print_of(source) == before:
            return
        to.unlink()
    raise StoreError(
        f"the record {source} was started and stopped again and again while it was copied. "
        "No backup was made; ask again."
    )


def _copy_pages(db: sqlite3.Connection, out: sqlite3.Connection, log: Path, work: Work) -> None:
    (size,) = db.execute("PRAGMA page_size").fetchone()
    passes, left = 1, 2**63

    def step(_status: int, remaining: int, _total: int) -> None:
        nonlocal passes, left
        if remaining > left:  # somebody wrote between two steps, and it begins anew
            passes += 1
            if passes > _PASSES:
                raise StoreError("the record is written faster than it can be copied. Ask again.")
        else:
            work.done((left - remaining if left < 2**63 else _PAGES) * size)
        left = remaining
        if log.exists() and log.stat().st_size > _MOST_LOG:
            raise StoreError(
                f"the copy takes so long that the record's log has grown to {megabytes(_MOST_LOG)}."
                " No backup was made. Take a faster stick."
            )

    (mode,) = db.execute("PRAGMA journal_mode").fetchone()
    if mode == "wal":
        # One moment for all of the copy: the writer goes on beside it, it only can't shorten its
        # log meanwhile. Otherwise each commit would have the copy begin anew.
        db.execute("BEGIN")
        db.execute("SELECT 1 FROM sqlite_schema LIMIT 1").fetchone()
    db.backup(out, pages=_PAGES, progress=step, sleep=0.005)


def _print_of(path: Path) -> tuple[int, int]:
    state = path.stat()
    return state.st_mtime_ns, state.st_size


def looked_over(record: Path) -> Counted:
    """Check a copy, and count what is in it."""
    # Immutable, so that nothing beside it is taken for its log, and none is made.
    uri = f"{record.resolve().as_uri()}?mode=ro&immutable=1"
    with closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as db:
        return count(db, record)


def count(db: sqlite3.Connection, record: Path) -> Counted:
    """Check every page and every scan of a record that nobody writes, and count them.

    Raises
    ------
    StoreError
        It is damaged.
    """
    try:
        (says,) = db.execute("PRAGMA quick_check(1)").fetchone()
        if says != "ok":
            raise ValueError(says)
        migrations = tuple(name for (name,) in db.execute("SELECT name FROM migration"))
        as_of_today(db)
        sizes = {
            number: len(json.loads(probes))
            for number, probes in db.execute("SELECT id, probes FROM layout")
        }
        scans = readings = 0
        for row in scan_rows(db, 1, 2**62):
            if len(row.readings) != BYTES_PER_READING * sizes[row.layout]:
                raise ValueError(f"scan {row.id} is not as long as its layout says")
            scans += 1
            readings += sizes[row.layout]
        which = identity(db)
    except (sqlite3.Error, *_UNPACKED) as error:
        raise StoreError(
            f"the copy of the record in {record.parent} is damaged ({error}). If another stick "
            "shows the same, it is the record itself: leave the earlier backups as they are."
        ) from error
    return Counted(scans, readings, migrations, which)
