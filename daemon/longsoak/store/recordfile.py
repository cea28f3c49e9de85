"""Opening the record for reading: for one call, and as today's tables whoever wrote it."""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from longsoak.store.files import RECORD, look_into
from longsoak.vocabulary.errors import StoreError

_UNTOLD = "NULL AS hiding, NULL AS until_utc_ms, NULL AS seconds, NULL AS news"
# What a record lacks that was written by an earlier version and not opened for writing since: for
# each migration it has not seen, the tables of today as they would be. They lie in the reader's own
# temporary schema, which is looked at before the file.
_LACKING = {
    "m0002_proof": (
        "CREATE TEMP TABLE proof_entry (id, request, rig_version, utc_ms, proof, step, subject,"
        " outcome, by, says, content)",
        "CREATE TEMP VIEW request AS SELECT *, '' AS body FROM main.request",
    ),
    "m0003_history": (
        "CREATE TEMP VIEW stretch AS SELECT *, 0 AS shift_ms, 'clock' AS known FROM main.stretch",
        "CREATE TEMP TABLE probe (id, name)",
        "CREATE TEMP TABLE sealed (id INTEGER PRIMARY KEY, first_scan, last_scan, first_utc_ms,"
        " scans)",
        "CREATE TEMP TABLE sealed_readings (sealed, probe, readings)",
    ),
    "m0005_logbook": (
        "CREATE TEMP TABLE logbook (id INTEGER PRIMARY KEY, request, run, rig_version,"
        " asked_utc_ms, kept_utc_ms, kept_boottime_ms, synchronised, at_utc_ms, kind, about,"
        " subject, by, says, corrects, photos, schema, content)",
    ),
    "m0006_ledger": (
        "CREATE TEMP TABLE ledger_entry (id INTEGER PRIMARY KEY, kind, first, last, hash, content)",
        "CREATE TEMP TABLE day_head (id INTEGER PRIMARY KEY, day, entries, root, closed_utc_ms)",
    ),
    "m0007_disk": (
        "CREATE TEMP TABLE disk_hour (id INTEGER PRIMARY KEY, utc_ms, seconds, written, record,"
        " free)",
    ),
    "m0008_moments": (
        f"CREATE TEMP VIEW alarm_change AS SELECT *, NULL AS run, {_UNTOLD} FROM main.alarm_change",  # noqa: S608 - ours
        "CREATE TEMP VIEW event AS SELECT *, NULL AS run, NULL AS boottime_ms FROM main.event",
    ),
    "m0009_health": (
        "CREATE TEMP TABLE suspicion (id INTEGER PRIMARY KEY, probe, fails, flag, first_utc_ms,"
        " last_utc_ms, readings)",
        "CREATE TEMP TABLE finding (id INTEGER PRIMARY KEY, probe, fault, since_utc_ms,"
        " found_utc_ms, over, says, against, figures)",
        "CREATE TEMP TABLE health_day (id INTEGER PRIMARY KEY, day, probe, mean, noise, readings,"
        " good)",
        "CREATE TEMP TABLE health_memory (id INTEGER PRIMARY KEY, scan, began, memory)",
    ),
    "m0010_hiding": (  # unless m0008 has put one before it that has both
        f"CREATE TEMP VIEW IF NOT EXISTS alarm_change AS SELECT *, {_UNTOLD}"  # noqa: S608 - ours
        " FROM main.alarm_change",
    ),
    "m0011_water": (
        "CREATE TEMP TABLE water_hour (id INTEGER PRIMARY KEY, book, run, utc_ms, boottime_ms,"
        " stretch, hours, level, litres, litres_u, surface, pan, mass, lack, running)",
        "CREATE TEMP TABLE water_news (id INTEGER PRIMARY KEY, book, found, subject, begin_s, run,"
        " utc_ms, boottime_ms, end_run, end_utc_ms, end_boottime_ms, says, figures)",
        "CREATE TEMP TABLE water_memory (id INTEGER PRIMARY KEY, scan, book, memory)",
    ),
}


class RecordFile:
    """The record in `folder`, looked into afresh by every call.

    A snapshot held open would keep the write-ahead log from being folded in. Safe to call from any
    thread.

    Raises
    ------
    StoreError
        From any method: there is no record there, or it can't be read.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        path = self.folder / RECORD
        try:
            with look_into(path) as db:  # in one transaction: sealing moves scans between tables
                as_of_today(db)
                yield db
        except sqlite3.Error as error:
            if not path.exists():
                raise StoreError(
                    f"there is no record at {path}. Start `longsoak run` with the rig file that "
                    "lies beside that folder."
                ) from error
            raise StoreError(f"the record {path} can't be read: {error}") from error


def as_of_today(db: sqlite3.Connection) -> None:
    """Let a connection see the tables of today in a record of an earlier version."""
    seen = {name for (name,) in db.execute("SELECT name FROM migration")}
    for migration, statements in _LACKING.items():
        if migration not in seen:
            for statement in statements:
                db.execute(statement)


def identity(db: sqlite3.Connection) -> str:
    """What tells this record from another one."""
    return json.dumps(db.execute("SELECT boot, started_utc_ms FROM run WHERE id = 1").fetchone())
