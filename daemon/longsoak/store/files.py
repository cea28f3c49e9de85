"""Where the record lies: one folder, two databases and a lock."""

import sqlite3
from pathlib import Path

RECORD = "record.db"
INBOX = "inbox.db"
LOCK = "lock"


def folder_of(rig_file: Path) -> Path:
    """The record's folder: ``record`` beside the rig file."""
    return rig_file.resolve().parent / "record"


def connect_read_only(path: Path) -> sqlite3.Connection:
    """Open `path` for reading only; `sqlite3.OperationalError` if there is no such file."""
    db = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, isolation_level=None)
    db.execute("PRAGMA busy_timeout = 5000")
    return db
