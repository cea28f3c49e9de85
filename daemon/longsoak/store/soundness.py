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

from longsoak.store.files import RECORD, check, connect_read_only, reading_fails
from longsoak.store.requests import result_code
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
    pragma = "integrity_check(1)" if whole else "quick_check(1)"
    try:
        with closing(connect_read_only(folder / RECORD)) as db:
            wrong = check(db, pragma)
    except sqlite3.Error as error:
        code = result_code(error)
        if code in _DAMAGE:
            return _damaged(folder, str(error))
        return (
            Verdict.UNREADABLE if code == sqlite3.SQLITE_IOERR else Verdict.NOT_SEEN,
            str(error),
        )
    except StoreError as error:
        return Verdict.NOT_SEEN, str(error)
    if wrong is None:
        return Verdict.WHOLE, "the record is whole"
    return _damaged(folder, wrong)


def _damaged(folder: Path, says: str) -> tuple[Verdict, str]:
    for end in ("", "-wal"):
        if (why := reading_fails(folder / f"{RECORD}{end}")) is not None:
            return Verdict.UNREADABLE, f"the disk does not give it: {why}"
    return Verdict.DAMAGED, says


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
