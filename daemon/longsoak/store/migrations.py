"""Schema changes, in order. A released one is never edited: add another below it."""

import sqlite3
from collections.abc import Callable

from longsoak.store.earlierplaces import find_runs, place_earlier
from longsoak.vocabulary.errors import StoreError

Migration = Callable[[sqlite3.Connection], None]


def m0001_record(db: sqlite3.Connection) -> None:
    """Lay out the record: one row per scan, and what happened around the scans.

    A row per reading, or a key by probe and time, writes many times more to the card. A scan has
    no index: `stretch` says between which scans the clock ran on without a step, and inside a
    stretch times rise with the id, so a time is found by halving.
    """
    for statement in (
        "CREATE TABLE rig_version (id INTEGER PRIMARY KEY, accepted_utc_ms INTEGER NOT NULL,"
        " sha256 TEXT NOT NULL UNIQUE, text TEXT NOT NULL) STRICT",
        "CREATE TABLE run (id INTEGER PRIMARY KEY, boot TEXT NOT NULL, software TEXT NOT NULL,"
        " started_utc_ms INTEGER NOT NULL, started_boottime_ms INTEGER NOT NULL,"
        " ended_utc_ms INTEGER) STRICT",
        "CREATE TABLE stretch (id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run,"
        " first_scan INTEGER NOT NULL, offset_ms INTEGER NOT NULL) STRICT",
        "CREATE TABLE layout (id INTEGER PRIMARY KEY,"
        " rig_version INTEGER NOT NULL REFERENCES rig_version, bus TEXT NOT NULL,"
        " probes TEXT NOT NULL, units TEXT NOT NULL,"
        " UNIQUE (rig_version, bus, probes, units)) STRICT",
        "CREATE TABLE scan (id INTEGER PRIMARY KEY, layout INTEGER NOT NULL REFERENCES layout,"
        " utc_ms INTEGER NOT NULL, boottime_ms INTEGER NOT NULL,"
        " synchronised INTEGER NOT NULL, readings BLOB NOT NULL) STRICT",
        "CREATE TABLE gap (id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run,"
        " from_utc_ms INTEGER NOT NULL, to_utc_ms INTEGER NOT NULL,"
        " clean INTEGER NOT NULL, length_ms INTEGER) STRICT",
        "CREATE TABLE event (id INTEGER PRIMARY KEY, utc_ms INTEGER NOT NULL,"
        " kind TEXT NOT NULL, subject TEXT NOT NULL, says TEXT NOT NULL) STRICT",
        "CREATE TABLE alarm_change (id INTEGER PRIMARY KEY, key TEXT NOT NULL,"
        " utc_ms INTEGER NOT NULL, boottime_ms INTEGER NOT NULL, old TEXT NOT NULL,"
        " new TEXT NOT NULL, value REAL, says TEXT NOT NULL, by TEXT) STRICT",
        "CREATE INDEX alarm_change_key ON alarm_change (key, id)",
        "CREATE TABLE request (id INTEGER PRIMARY KEY, uuid TEXT NOT NULL UNIQUE,"
        " asked_utc_ms INTEGER NOT NULL, handled_utc_ms INTEGER NOT NULL, kind TEXT NOT NULL,"
        " subject TEXT NOT NULL, by TEXT NOT NULL, outcome TEXT NOT NULL) STRICT",
        "CREATE TABLE cursor (name TEXT PRIMARY KEY, position INTEGER NOT NULL,"
        " saved_utc_ms INTEGER NOT NULL) STRICT, WITHOUT ROWID",
    ):
        db.execute(statement)


def m0002_proof(db: sqlite3.Connection) -> None:
    """Keep proofs, and what more belongs to a request than its subject."""
    for statement in (
        "CREATE TABLE proof_entry (id INTEGER PRIMARY KEY, request TEXT NOT NULL UNIQUE,"
        " rig_version INTEGER NOT NULL REFERENCES rig_version, utc_ms INTEGER NOT NULL,"
        " proof TEXT NOT NULL, step TEXT NOT NULL, subject TEXT NOT NULL, outcome TEXT NOT NULL,"
        " by TEXT NOT NULL, says TEXT NOT NULL, content TEXT NOT NULL) STRICT",
        "ALTER TABLE request ADD COLUMN body TEXT NOT NULL DEFAULT ''",
    ):
        db.execute(statement)


def m0003_history(db: sqlite3.Connection) -> None:
    """Seal older scans into compressed columns, and place times that were measured too early.

    ``sealed`` holds runs of scans that are no longer rows of ``scan``: ``scans`` is what is theirs
    (times, layouts), ``sealed_readings`` one probe's readings out of them. ``shift_ms`` of a
    stretch is what has to be added to its scans' UTC, and ``known`` how that is known: ``clock``,
    ``placed`` or ``unsure``.
    """
    for statement in (
        "CREATE TABLE probe (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
        "CREATE TABLE sealed (id INTEGER PRIMARY KEY, first_scan INTEGER NOT NULL UNIQUE,"
        " last_scan INTEGER NOT NULL, first_utc_ms INTEGER NOT NULL, scans BLOB NOT NULL) STRICT",
        "CREATE TABLE sealed_readings (sealed INTEGER NOT NULL REFERENCES sealed,"
        " probe INTEGER NOT NULL REFERENCES probe, readings BLOB NOT NULL) STRICT",
        "CREATE UNIQUE INDEX sealed_readings_probe ON sealed_readings (sealed, probe)",
        "ALTER TABLE stretch ADD COLUMN shift_ms INTEGER NOT NULL DEFAULT 0",
        "ALTER TABLE stretch ADD COLUMN known TEXT NOT NULL DEFAULT 'clock'",
    ):
        db.execute(statement)


def m0004_places(db: sqlite3.Connection) -> None:
    """Place what was measured before its boot's clock was synchronised."""
    place_earlier(db)


def m0005_logbook(db: sqlite3.Connection) -> None:
    """Keep a logbook: entries of any kind, which are added and never changed.

    What a kind holds beside its words is JSON in ``content``, of the form ``schema`` of that kind,
    so that a new kind needs no table of its own. No column is ever written again: the triggers
    hold that against ourselves.
    """
    for statement in (
        "CREATE TABLE logbook (id INTEGER PRIMARY KEY, request TEXT NOT NULL UNIQUE,"
        " run INTEGER NOT NULL REFERENCES run,"
        " rig_version INTEGER NOT NULL REFERENCES rig_version, asked_utc_ms INTEGER NOT NULL,"
        " kept_utc_ms INTEGER NOT NULL, kept_boottime_ms INTEGER NOT NULL,"
        " synchronised INTEGER NOT NULL, at_utc_ms INTEGER NOT NULL, kind TEXT NOT NULL,"
        " about TEXT NOT NULL, subject TEXT NOT NULL, by TEXT NOT NULL, says TEXT NOT NULL,"
        " corrects INTEGER REFERENCES logbook, photos TEXT NOT NULL, schema INTEGER NOT NULL,"
        " content TEXT NOT NULL) STRICT",
        "CREATE INDEX logbook_corrects ON logbook (corrects) WHERE corrects IS NOT NULL",
        "CREATE TRIGGER logbook_stays BEFORE UPDATE ON logbook"
        " BEGIN SELECT RAISE(ABORT, 'an entry of the logbook is never changed'); END",
        "CREATE TRIGGER logbook_keeps BEFORE DELETE ON logbook"
        " BEGIN SELECT RAISE(ABORT, 'an entry of the logbook is never deleted'); END",
    ):
        db.execute(statement)


def m0006_ledger(db: sqlite3.Connection) -> None:
    """Keep the hashes of what is in the record, and the root that each closed day had.

    An entry's ``hash`` is its leaf in the tree and its ``id`` its place, from 1; ``first`` and
    ``last`` say which rows it is of, ``content`` what was hashed where its row may still change.
    """
    for statement in (
        "CREATE TABLE ledger_entry (id INTEGER PRIMARY KEY, kind TEXT NOT NULL,"
        " first INTEGER NOT NULL, last INTEGER NOT NULL, hash BLOB NOT NULL, content BLOB) STRICT",
        "CREATE TABLE day_head (id INTEGER PRIMARY KEY, day TEXT NOT NULL,"
        " entries INTEGER NOT NULL, root TEXT NOT NULL, closed_utc_ms INTEGER NOT NULL) STRICT",
    ):
        db.execute(statement)


def m0007_disk(db: sqlite3.Connection) -> None:
    """Keep what is written to the disk each hour, and what room is left on it."""
    db.execute(
        "CREATE TABLE disk_hour (id INTEGER PRIMARY KEY, utc_ms INTEGER NOT NULL,"
        " seconds REAL NOT NULL, written INTEGER, record INTEGER NOT NULL,"
        " free INTEGER NOT NULL) STRICT"
    )


def m0008_moments(db: sqlite3.Connection) -> None:
    """Keep with alarm changes and events what their time can be put right by.

    That is the run they are of and CLOCK_BOOTTIME, which alarm changes have had before. Of those
    the run is found again where only one boot had a clock that lay as theirs did.
    """
    for statement in (
        "ALTER TABLE alarm_change ADD COLUMN run INTEGER REFERENCES run",
        "ALTER TABLE event ADD COLUMN run INTEGER REFERENCES run",
        "ALTER TABLE event ADD COLUMN boottime_ms INTEGER",
    ):
        db.execute(statement)
    find_runs(db)


def m0009_health(db: sqlite3.Connection) -> None:
    """Keep what readings tell of their probes.

    ``suspicion`` holds readings that a check does not let pass, ``finding`` faults that began or
    are over, ``health_day`` what a day came to. None is ever changed. ``health_memory`` is what
    judging goes on from, up to scan ``scan``, and is written over.
    """
    for statement in (
        "CREATE TABLE suspicion (id INTEGER PRIMARY KEY, probe TEXT NOT NULL, fails TEXT NOT NULL,"
        " flag INTEGER NOT NULL, first_utc_ms INTEGER NOT NULL, last_utc_ms INTEGER NOT NULL,"
        " readings INTEGER NOT NULL) STRICT",
        "CREATE TABLE finding (id INTEGER PRIMARY KEY, probe TEXT NOT NULL, fault TEXT NOT NULL,"
        " since_utc_ms INTEGER NOT NULL, found_utc_ms INTEGER NOT NULL, over INTEGER NOT NULL,"
        " says TEXT NOT NULL, against TEXT NOT NULL, figures TEXT NOT NULL) STRICT",
        "CREATE TABLE health_day (id INTEGER PRIMARY KEY, day INTEGER NOT NULL,"
        " probe TEXT NOT NULL, mean REAL, noise REAL, readings INTEGER NOT NULL,"
        " good INTEGER NOT NULL) STRICT",
        "CREATE TABLE health_memory (id INTEGER PRIMARY KEY CHECK (id = 1), scan INTEGER NOT NULL,"
        " began INTEGER, memory BLOB NOT NULL) STRICT",
    ):
        db.execute(statement)


def m0010_hiding(db: sqlite3.Connection) -> None:
    """Keep what lies over an alarm, until when, and whether people are told of a change.

    ``news`` is NULL in what an earlier version wrote, which told of whatever came or was over.
    """
    for column in ("hiding TEXT", "until_utc_ms INTEGER", "seconds REAL", "news INTEGER"):
        db.execute(f"ALTER TABLE alarm_change ADD COLUMN {column}")


def m0011_water(db: sqlite3.Connection) -> None:
    """Keep what is found out about the water.

    ``water_hour`` holds hours of it, ``water_news`` what happened to it; none is ever changed, and
    what is told again of one ``found``, ``subject`` and ``begin_s`` supersedes what was told
    before. ``book`` counts the books that were begun anew: only hours of one book and ``stretch``
    may be compared. ``begin_s`` is the book's own clock. ``water_memory`` is what it goes on from,
    up to scan ``scan``, and is written over.
    """
    for statement in (
        "CREATE TABLE water_hour (id INTEGER PRIMARY KEY, book INTEGER NOT NULL,"
        " run INTEGER NOT NULL REFERENCES run, utc_ms INTEGER NOT NULL,"
        " boottime_ms INTEGER NOT NULL, stretch INTEGER NOT NULL, hours REAL NOT NULL,"
        " level REAL NOT NULL, litres REAL NOT NULL, litres_u REAL NOT NULL,"
        " surface REAL NOT NULL, pan REAL, mass REAL, lack REAL, running REAL) STRICT",
        "CREATE TABLE water_news (id INTEGER PRIMARY KEY, book INTEGER NOT NULL,"
        " found TEXT NOT NULL, subject TEXT NOT NULL, begin_s REAL NOT NULL,"
        " run INTEGER NOT NULL REFERENCES run, utc_ms INTEGER NOT NULL,"
        " boottime_ms INTEGER NOT NULL, end_run INTEGER REFERENCES run, end_utc_ms INTEGER,"
        " end_boottime_ms INTEGER, says TEXT NOT NULL, figures TEXT NOT NULL) STRICT",
        "CREATE TABLE water_memory (id INTEGER PRIMARY KEY CHECK (id = 1), scan INTEGER NOT NULL,"
        " book INTEGER NOT NULL, memory BLOB NOT NULL) STRICT",
    ):
        db.execute(statement)


ALL: tuple[Migration, ...] = (
    m0001_record,
    m0002_proof,
    m0003_history,
    m0004_places,
    m0005_logbook,
    m0006_ledger,
    m0007_disk,
    m0008_moments,
    m0009_health,
    m0010_hiding,
    m0011_water,
)


def lacking(db: sqlite3.Connection) -> list[str]:
    """What a file that has been laid out before has yet to see; nothing of an empty one."""
    if not db.execute("SELECT 1 FROM sqlite_schema WHERE name = 'migration'").fetchone():
        return []
    applied = {name for (name,) in db.execute("SELECT name FROM migration")}
    return [each.__name__ for each in ALL if each.__name__ not in applied]


def migrate(db: sqlite3.Connection, *, now: str, migrations: tuple[Migration, ...] = ALL) -> None:
    """Bring the file up to date: each change and the record of it, in one transaction.

    Parameters
    ----------
    db : sqlite3.Connection
        Opened with ``isolation_level=None``, no transaction open.
    now : str
        RFC 3339 UTC, written beside each migration's name.
    migrations : tuple of Migration
        What to apply; a test passes its own.

    Raises
    ------
    StoreError
        The file has a migration this version does not know: it was written by a newer one.
    """
    db.execute(
        "CREATE TABLE IF NOT EXISTS migration (name TEXT PRIMARY KEY, applied_at TEXT NOT NULL)"
    )
    applied = {name for (name,) in db.execute("SELECT name FROM migration")}
    if unknown := sorted(applied - {m.__name__ for m in migrations}):
        raise StoreError(
            f"the record has {', '.join(unknown)}, which this version does not know. "
            "Install the newer version that wrote it; nothing was changed."
        )
    for migration in migrations:
        name = migration.__name__
        db.execute("BEGIN IMMEDIATE")  # before looking, or two starts could both apply it
        try:
            if not db.execute("SELECT 1 FROM migration WHERE name = ?", (name,)).fetchone():
                migration(db)
                db.execute("INSERT INTO migration VALUES (?, ?)", (name, now))
            db.execute("COMMIT")
        finally:  # a signal or a full disk too: half a schema must not survive
            if db.in_transaction:
                db.execute("ROLLBACK")
