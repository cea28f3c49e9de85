"""Looking the record over for damage, beside the process that writes it.

As a program of its own (``python -m longsoak.store.soundness FOLDER [whole]``) it runs at the
lowest priority, and a card that dies under it takes nobody along. It needs some 2 MB beyond Python,
and holds one snapshot: 342 MB took 8 s from the disk, and so long the log can't begin anew.
"""

import os
import sqlite3
import sys
from contextlib import closing
from enum import IntEnum
from pathlib import Path

from longsoak.store.files import RECORD, connect_read_only
from longsoak.vocabulary.errors import StoreError

_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


class Verdict(IntEnum):
    """What a look showed; the values are exit codes."""

    WHOLE = 0
    DAMAGED = 1
    UNREADABLE = 3  # the disk gave an error
    NOT_SEEN = 4  # it could not be looked at: locked, away, not permitted


def look(folder: Path, *, whole: bool = False) -> tuple[Verdict, str]:
    """Look over all of the record in `folder`; what was found, in words.

    Parameters
    ----------
    folder : Path
        The record's.
    whole : bool
        Compare indexes with what they are of, too.
    """
    check = "integrity_check" if whole else "quick_check"
    try:
        with closing(connect_read_only(folder / RECORD)) as db:
            (answer,) = db.execute(f"PRAGMA {check}(1)").fetchone()
    except sqlite3.Error as error:
        code = int(getattr(error, "sqlite_errorcode", 0)) & 0xFF
        if code in _DAMAGE:
            return Verdict.DAMAGED, str(error)
        return (
            Verdict.UNREADABLE if code == sqlite3.SQLITE_IOERR else Verdict.NOT_SEEN,
            str(error),
        )
    except StoreError as error:
        return Verdict.NOT_SEEN, str(error)
    if answer == "ok":
        return Verdict.WHOLE, "the record is whole"
    return Verdict.DAMAGED, " ".join(str(answer).split())


def main(arguments: list[str]) -> int:
    """Look once, out of everybody's way; print what was found and return the verdict."""
    os.nice(19)
    folder = Path(arguments[0])
    verdict, says = look(folder, whole="whole" in arguments[1:])
    sys.stdout.write(says)
    # What was read once, and as it lay on the disk: it must not crowd out what is needed, and a
    # second look should see the disk again.
    file = os.open(folder / RECORD, os.O_RDONLY)
    os.posix_fadvise(file, 0, 0, os.POSIX_FADV_DONTNEED)
    return verdict


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
