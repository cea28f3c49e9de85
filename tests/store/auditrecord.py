"""A small record with something of everything in it, four days long, three of them closed."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from hashlib import sha256
from itertools import count
from pathlib import Path

from longsoak.service.dayclosing import LOOKS_EVERY, DayClosing
from longsoak.store.files import RECORD
from longsoak.store.ledger import Ledger
from longsoak.store.ledgerentries import (
    DAY,
    KINDS,
    SCANS,
    SETTLED,
    Book,
    ScanRun,
    day_entry,
    rows_after,
    settled,
)
from longsoak.store.photos import keep_photo
from longsoak.store.requests import ACKNOWLEDGE, Request
from longsoak.store.scans import scan_rows
from longsoak.store.sealing import SealingPlan
from longsoak.store.writer import Batch
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.ledger import LedgerEntry
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak.vocabulary.proof import Outcome, ProofEntry, Step
from photofiles import jpeg_head
from rigs import NEW, NORMAL, START_MS, Keeper, small_rig

JPEG = jpeg_head(b"a photo of nothing" * 50)
PHOTO = sha256(JPEG).hexdigest()
DAY_S = 86_400.0
_EVERY = 1200.0  # s between two scans


def make_record(folder: Path) -> None:
    """Keep four days: 2026-05-04 to 07, the first three of them closed, most scans sealed."""
    keep_photo_in(folder)
    numbers = count(1)
    with Keeper(folder, small_rig()) as keeper:
        days = DayClosing(folder, keeper.writer)
        for run in range(4):
            for _ in range(3):
                rows = [
                    {"C 10/60": 17.0 + n % 7 / 8, "C 30/60": None if n % 5 else 18.25}
                    for n in range(18)
                ]
                keeper.scans([dict(row) for row in rows], after=_EVERY)
                keeper.scan({"water level": 88.5 + run}, after=_EVERY)
                _happen(keeper, next(numbers))
                close_days(days, keeper)
            keeper.writer.end_run(utc_ms=keeper.now_ms)
            keeper.now_ms += 7200 * 1000
            keeper.writer.accept_rig(f"# another rig file, {run}", utc_ms=keeper.now_ms)
            keeper.writer.begin_run(
                boot=f"boot {run // 2}",
                software="0",
                utc_ms=keeper.now_ms,
                boottime_ms=keeper.now_ms - START_MS,
                synchronised=True,
            )
        sealing = keeper.writer.sealing(SealingPlan(tail=20, lengths=(40,), enough=1))
        while sealing.bite():
            pass
        keeper.scan({"water level": 90.0}, after=DAY_S)
        close_days(days, keeper)


def keep_photo_in(folder: Path) -> None:
    """Keep the photo the record names."""
    folder.mkdir(parents=True, exist_ok=True)
    keep_photo(folder, JPEG)


def close_days(days: DayClosing, keeper: Keeper) -> None:
    """Let the chore do all there is to do."""
    rest = 0.0
    while rest != LOOKS_EVERY:
        rest, _ = days.do(now=0.0, utc_ms=keeper.now_ms)


def _happen(keeper: Keeper, number: int) -> None:
    at = keeper.now_ms
    keeper.change("overfill: water level", NORMAL, NEW, value=112.25, says=f"{number} mm")
    request = Request(f"uuid {number}", at, ACKNOWLEDGE, "overfill: water level", "mk")
    card = {"wood": "fir", "photo": f"{PHOTO}.jpg", "photo_sha256": PHOTO}
    step = ProofEntry(
        0, at, "first", Step.CARD, "C 10/60", Outcome.GOOD, "mk", "noted", card
    )  # fmt: skip
    entry = LogbookEntry(
        asked_utc_ms=at, at_utc_ms=at, by="mk", says=f"looked at it, {number}", photos=(PHOTO,),
        number=number, request=f"entry {number}", kept_utc_ms=at,
    )  # fmt: skip
    keeper.writer.commit(
        Batch(
            events=[Event(at, "bus", "meter", f"open: {number}")],
            requests=[(request, at, "acknowledged")],
            proof=[(replace(request, uuid=f"proof {number}"), step)],
            logbook=[entry],
        )
    )


def altered(folder: Path, *statements: str) -> None:
    """Write into the record behind the back of everything that guards it."""
    with writing(folder) as db:
        for (trigger,) in db.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'trigger'"
        ).fetchall():
            db.execute(f'DROP TRIGGER "{trigger}"')
        for statement in statements:
            assert db.execute(statement).rowcount != 0, statement


@contextmanager
def writing(folder: Path) -> Iterator[sqlite3.Connection]:
    """The record, to be written in one go and without waiting for the disk."""
    with closing(sqlite3.connect(folder / RECORD, isolation_level=None)) as db:
        db.execute("PRAGMA synchronous = OFF")
        db.execute("BEGIN")
        yield db
        db.execute("COMMIT")


def forge(folder: Path) -> None:
    """Enter everything anew as it is now, day for day, as somebody would to hide a change."""
    ledger = Ledger(folder)
    heads, old = ledger.heads(), ledger.entries_after(0, limit=10**6)
    with writing(folder) as db:
        now = {(kind, row): content for kind in SETTLED for row, content in settled(db, kind)}
        last = {(e.kind, e.first): e.number for e in old}
        book = Book()
        entries: list[LedgerEntry] = []
        begin = 0
        for number, head in enumerate(heads, 1):
            of_day = old[begin : head.entries]
            entries += _scans_and_rows(db, book, of_day)
            for entry in of_day:
                if entry.kind in SETTLED and entry.content is not None:
                    which = entry.kind, entry.first
                    content = now[which] if last[which] == entry.number else entry.content
                    entries.append(book.enter(*which, entry.first, content))
            closing_entry = day_entry(head.day, head.closed_utc_ms)
            entries.append(book.enter(DAY, number, number, closing_entry))
            db.execute(
                "UPDATE day_head SET entries = ?, root = ? WHERE id = ?",
                (book.tree.size, book.tree.root().hex(), number),
            )
            begin = head.entries
        assert begin == len(old), "all that is entered is in a closed day"
        db.execute("DELETE FROM ledger_entry")
        db.executemany(
            "INSERT INTO ledger_entry VALUES (?, ?, ?, ?, ?, ?)",
            [(e.number, e.kind, e.first, e.last, e.hash, e.content) for e in entries],
        )


def _scans_and_rows(
    db: sqlite3.Connection, book: Book, of_day: list[LedgerEntry]
) -> Iterator[LedgerEntry]:
    ends = {entry.kind: entry.last for entry in of_day}
    first, last = book.last.get(SCANS, 0) + 1, ends[SCANS]
    run = ScanRun(first)
    run.add(scan_rows(db, first, last), upto=last)
    yield book.enter(SCANS, first, last, run.entry())
    for kind in KINDS:
        for row, content in rows_after(db, kind, book.last.get(kind, 0), upto=ends.get(kind, 0)):
            yield book.enter(kind, row, row, content)
