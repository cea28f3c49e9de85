"""Looking the record over for damage, beside the process that writes it."""

import sqlite3
from contextlib import closing
from pathlib import Path

from longsoak.store.files import RECORD, connect_read_only


def fault(folder: Path) -> str | None:
    """What is wrong with the record in `folder`, or None. Reads all of it: minutes on a card."""
    try:
        with closing(connect_read_only(folder / RECORD)) as db:
            (answer,) = db.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.Error as error:
        return str(error)
    return None if answer == "ok" else str(answer)
