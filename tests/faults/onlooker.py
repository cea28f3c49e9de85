"""Somebody beside `longsoak run`, who says what is committed, what he asked and what came of it.

Run by `faults.fuse`. A line each, as soon as it is so: ``scan ID DIGEST`` for a scan in the record,
``asked UUID`` once a request lies in the inbox, ``answered UUID OUTCOME`` once the record holds
what became of it. A process of its own, for reading a database on a disk that is gone may kill.
"""

import argparse
import sqlite3
import sys
import time
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

from faults.witness import rows
from longsoak.store.files import RECORD, look_into
from longsoak.store.logbookrequests import ask_to_write
from longsoak.store.reader import Record
from longsoak.store.recordfile import as_of_today
from longsoak.store.requests import ACKNOWLEDGE, Request, ask
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.logbook import THE_RIG, LogbookEntry

ALARM = "above:T1"
REST, ASKS_EVERY = 0.02, 0.2  # s


def main() -> None:
    """Look and ask until killed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--after", type=int, required=True, help="the last scan seen before")
    parser.add_argument("--life", required=True, help="what this one's notes begin with")
    parser.add_argument(
        "--waiting", nargs="*", default=(), help="requests asked before and still to be answered"
    )
    chosen = parser.parse_args()
    seen, waiting, number = int(chosen.after), list(chosen.waiting), 0
    asks_at = time.monotonic()
    while True:
        time.sleep(REST)
        try:
            for scan, digest in scans(chosen.folder, seen):
                seen = scan
                _say(f"scan {scan} {digest}")
            waiting = [uuid for uuid in waiting if not _answered(chosen.folder, uuid)]
            if time.monotonic() >= asks_at:
                number += 1
                asked = _ask(chosen.folder, number, f"{chosen.life}.{number}")
                _say(f"asked {asked.uuid}")
                waiting.append(asked.uuid)
                asks_at = time.monotonic() + ASKS_EVERY
        except (StoreError, sqlite3.Error, OSError):
            continue  # not made yet, or the disk is gone


def scans(folder: Path, after: int) -> Iterator[tuple[int, str]]:
    """The scans of a record behind one of them, and a digest of all that was kept of each."""
    with look_into(folder / RECORD) as db:
        as_of_today(db)
        for scan, row in rows(db, after + 1, 1 << 62):
            yield scan, sha256(repr(row).encode()).hexdigest()


def _answered(folder: Path, uuid: str) -> bool:
    outcome = Record(folder).outcome(uuid)
    if outcome is not None:
        _say(f"answered {uuid} {outcome}")
    return outcome is not None


def _ask(folder: Path, number: int, says: str) -> Request:
    """Ask for a note and for an acknowledgement by turns."""
    now_ms = time.time_ns() // 1_000_000
    if number % 2 == 0:
        return ask(folder, kind=ACKNOWLEDGE, subject=ALARM, by="mk", utc_ms=now_ms)
    return ask_to_write(
        folder,
        LogbookEntry(
            asked_utc_ms=now_ms, at_utc_ms=now_ms, by="mk", says=f"note {says}", subject=THE_RIG
        ),
    )


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
