"""The ledger's rows in the record: how they are appended, and how they are read."""

import sqlite3
from collections.abc import Iterable
from datetime import date

from longsoak.store.recordfile import RecordFile
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.ledger import DayHead, LedgerEntry

_HEADS = "SELECT day, entries, root, closed_utc_ms FROM day_head"


class Ledger(RecordFile):
    """The closed days of the record in `folder`, and the hashes they are made of."""

    def heads(self) -> list[DayHead]:
        """Every closed day, in the order they were closed."""
        with self._open() as db:
            rows = db.execute(f"{_HEADS} ORDER BY id").fetchall()
        return [_head(*row) for row in rows]

    def last_head(self) -> DayHead | None:
        """The day that was closed last; None while none ever was."""
        with self._open() as db:
            row = db.execute(f"{_HEADS} ORDER BY id DESC LIMIT 1").fetchone()
        return None if row is None else _head(*row)

    def head_of(self, day: date) -> DayHead | None:
        """How a day was closed; the last time, should a clock set back have closed it twice."""
        with self._open() as db:
            row = db.execute(
                f"{_HEADS} WHERE day = ? ORDER BY id DESC LIMIT 1", (day.isoformat(),)
            ).fetchone()
        return None if row is None else _head(*row)

    def entries_after(self, number: int, *, limit: int) -> list[LedgerEntry]:
        """Entries with a number above `number`, in order."""
        with self._open() as db:
            rows = db.execute(
                "SELECT id, kind, first, last, hash, content FROM ledger_entry WHERE id > ?"
                " ORDER BY id LIMIT ?",
                (number, limit),
            ).fetchall()
        return [LedgerEntry(*row) for row in rows]


def add_to_ledger(
    db: sqlite3.Connection, entries: Iterable[LedgerEntry], heads: Iterable[DayHead]
) -> None:
    """Append entries and closed days, inside the writer's transaction."""
    db.executemany(
        "INSERT INTO ledger_entry (id, kind, first, last, hash, content) VALUES (?, ?, ?, ?, ?, ?)",
        [(e.number, e.kind, e.first, e.last, e.hash, e.content) for e in entries],
    )
    db.executemany(
        "INSERT INTO day_head (day, entries, root, closed_utc_ms) VALUES (?, ?, ?, ?)",
        [(h.day.isoformat(), h.entries, h.root, h.closed_utc_ms) for h in heads],
    )


def _head(day: str, entries: int, root: str, closed_utc_ms: int) -> DayHead:
    try:
        return DayHead(date.fromisoformat(day), entries, root, closed_utc_ms)
    except ValueError as error:
        raise StoreError(f"a closed day of the record is damaged: {error}") from error
