"""What an entry of the ledger is the hash of: rows as bytes that anybody can write again.

A row is its columns, one behind the other, in the order named here. A column is one letter and what
it holds; numbers are big-endian:

- ``n``: nothing
- ``i`` and 8 bytes: a whole number, with its sign
- ``r`` and 8 bytes: a number as IEEE 754 has it
- ``t``, 4 bytes with a length, and so many bytes: a text in UTF-8
- ``b``, 4 bytes with a length, and so many bytes: bytes

An entry is its kind as a text, and behind it

- of one row: its columns. A column that may be written again is not among them.
- ``event_moment``, ``alarm_change_moment``, ``alarm_change_told``: the columns such a row has had
  since a later version, by which it is shown at another time than it was written at, or that say
  who was told of it; kinds of their own, so that what was entered before has the hash it had
- ``rig_version``: number, when it was accepted, and the SHA-256 of its text
- ``run_end``, ``stretch_time``, ``gap_time``: what such columns hold; entered again if it is
  something else at the end of another day
- ``scans``: the first id, the last, how many there are, and the SHA-256 over all of them, a scan
  being its id, layout, UTC as recorded, CLOCK_BOOTTIME, whether the clock was synchronised (1 or
  0), and its readings as ``longsoak.store.packing`` has them
- ``day``: the day that is closed, and when it was closed
"""

import sqlite3
import struct
import zlib
from collections.abc import Iterable
from datetime import date
from hashlib import sha256

from longsoak.core.merkle import Frontier, leaf_hash
from longsoak.store.sealed import ScanRow
from longsoak.vocabulary.ledger import LedgerEntry

Value = None | int | float | str | bytes

SCANS, DAY, RIG_VERSION, LOGBOOK = "scans", "day", "rig_version", "logbook"

# One entry a row, in the order in which they are entered.
_ROWS = {
    RIG_VERSION: "SELECT id, accepted_utc_ms, text FROM rig_version",
    "layout": "SELECT id, rig_version, bus, probes, units FROM layout",
    "run": "SELECT id, boot, software, started_utc_ms, started_boottime_ms FROM run",
    "stretch": "SELECT id, run, first_scan, offset_ms FROM stretch",
    "gap": "SELECT id, run, clean FROM gap",
    "event": "SELECT id, utc_ms, kind, subject, says FROM event",
    "alarm_change": "SELECT id, key, utc_ms, boottime_ms, old, new, value, says, by"
    " FROM alarm_change",
    "request": "SELECT id, uuid, asked_utc_ms, handled_utc_ms, kind, subject, by, body, outcome"
    " FROM request",
    "proof_entry": "SELECT id, request, rig_version, utc_ms, proof, step, subject, outcome, by,"
    " says, content FROM proof_entry",
    LOGBOOK: "SELECT id, request, run, rig_version, asked_utc_ms, kept_utc_ms, kept_boottime_ms,"
    " synchronised, at_utc_ms, kind, about, subject, by, says, corrects, photos, schema, content"
    " FROM logbook",
    "event_moment": "SELECT id, run, boottime_ms FROM event WHERE run IS NOT NULL",
    "alarm_change_moment": "SELECT id, run FROM alarm_change WHERE run IS NOT NULL",
    "alarm_change_told": "SELECT id, hiding, until_utc_ms, seconds, news FROM alarm_change"
    " WHERE news IS NOT NULL",
}
# One entry whenever it is another than the last of the same row.
_SETTLED = {
    "run_end": "SELECT id, ended_utc_ms FROM run WHERE ended_utc_ms IS NOT NULL",
    "stretch_time": "SELECT id, shift_ms, known FROM stretch",
    "gap_time": "SELECT id, from_utc_ms, to_utc_ms, length_ms FROM gap",
}
KINDS = tuple(_ROWS)
MOMENTS = (
    "event_moment",
    "alarm_change_moment",
    "alarm_change_told",
)  # of rows that have an entry of their own
SETTLED = tuple(_SETTLED)
_LARGEST, _ALL = 2**63 - 1, -1  # id to SQLite, rows to its LIMIT

_WORDS = {
    "rig_version": "rig file version",
    "run_end": "end of run",
    "stretch": "stretch of the clock",
    "stretch_time": "time of stretch",
    "gap_time": "time of gap",
    "alarm_change": "alarm change",
    "event_moment": "moment of event",
    "alarm_change_moment": "moment of alarm change",
    "alarm_change_told": "telling of alarm change",
    "proof_entry": "proof entry",
    "logbook": "logbook entry",
}
# What reading a block of sealed scans may end in if it is damaged.
DAMAGE = (ValueError, LookupError, TypeError, RuntimeError, struct.error, zlib.error)

_SCAN = struct.Struct(">cqcqcqcqcqcI")


def packed(*values: Value) -> bytes:
    """Values one behind the other."""
    return b"".join(map(_packed, values))


def as_it_lies(db: sqlite3.Connection) -> None:
    """Let texts through that are damaged, so that a hash tells of it and not an error."""
    db.text_factory = _text


def rows_after(
    db: sqlite3.Connection, kind: str, row: int, *, upto: int = _LARGEST, limit: int = _ALL
) -> list[tuple[int, bytes]]:
    """The rows of a kind with an id above `row`, in order: each one's id, and its entry."""
    as_it_lies(db)
    found = db.execute(
        f"SELECT * FROM ({_ROWS[kind]}) WHERE id > ? AND id <= ? ORDER BY id LIMIT ?",  # noqa: S608 - ours
        (row, upto, limit),
    )
    if kind == RIG_VERSION:
        return [(n, packed(kind, n, at, text_digest(text))) for n, at, text in found]
    return [(columns[0], packed(kind, *columns)) for columns in found]


def settled(db: sqlite3.Connection, kind: str) -> list[tuple[int, bytes]]:
    """What columns that may be written again hold now: the id of each row, and its entry."""
    as_it_lies(db)
    return [
        (columns[0], packed(kind, *columns))
        for columns in db.execute(f"{_SETTLED[kind]} ORDER BY id")
    ]


def text_digest(text: str) -> bytes:
    """The SHA-256 of a text of the record."""
    return sha256(_bytes_of(text)).digest()


def words(entry: LedgerEntry) -> str:
    """What an entry is of: "event 12", "scans 1 to 1024"."""
    if entry.kind == SCANS:
        return f"scans {entry.first} to {entry.last}"
    if entry.kind == DAY:
        return f"closed day {entry.first}"
    return f"{_WORDS.get(entry.kind, entry.kind)} {entry.first}"


class ScanRun:
    """The hash over scans that follow on one another, some at a time."""

    def __init__(self, first: int) -> None:
        self.first = first
        self.next = first
        self.scans = 0
        self._digest = sha256()

    def add(self, rows: Iterable[ScanRow], *, upto: int) -> None:
        """Add the scans there are from the next id to `upto`."""
        digest = self._digest
        for number, layout, utc_ms, boottime_ms, synchronised, readings in rows:
            digest.update(
                _SCAN.pack(
                    *(b"i", number, b"i", layout, b"i", utc_ms, b"i", boottime_ms),
                    *(b"i", synchronised, b"b", len(readings)),
                )
            )
            digest.update(readings)
            self.scans += 1
        self.next = upto + 1

    def entry(self) -> bytes:
        """What is entered of them."""
        return packed(SCANS, self.first, self.next - 1, self.scans, self._digest.digest())


def day_entry(day: date, closed_utc_ms: int) -> bytes:
    """What is entered last of a day: that it is closed."""
    return packed(DAY, day.isoformat(), closed_utc_ms)


class Book:
    """What is to be known of the entries there are in order to add some."""

    def __init__(self) -> None:
        self.tree = Frontier()
        self.last: dict[str, int] = {}
        self.closed_scan = 0  # the last one that is in a closed day
        self._settled: dict[tuple[str, int], bytes] = {}

    def take(self, entry: LedgerEntry) -> None:
        """Take an entry that is in the record."""
        self.tree.add(entry.hash)
        self.last[entry.kind] = max(entry.last, self.last.get(entry.kind, 0))
        if entry.kind in _SETTLED:
            self._settled[entry.kind, entry.first] = entry.hash
        elif entry.kind == DAY:
            self.closed_scan = self.last.get(SCANS, 0)

    def enter(self, kind: str, first: int, last: int, content: bytes) -> LedgerEntry:
        """Make and take the next entry."""
        kept = content if kind in _SETTLED or kind == DAY else None
        entry = LedgerEntry(self.tree.size + 1, kind, first, last, leaf_hash(content), kept)
        self.take(entry)
        return entry

    def is_news(self, kind: str, row: int, content: bytes) -> bool:
        """Whether what may be written again was not entered yet, or as something else."""
        return self._settled.get((kind, row)) != leaf_hash(content)


def _packed(value: Value) -> bytes:
    match value:
        case None:
            return b"n"
        case int():
            return struct.pack(">cq", b"i", value)
        case float():
            return struct.pack(">cd", b"r", value)
        case str():
            data = _bytes_of(value)
            return struct.pack(">cI", b"t", len(data)) + data
        case bytes():
            return struct.pack(">cI", b"b", len(value)) + value


def _text(data: bytes) -> str:
    return data.decode(errors="surrogateescape")


def _bytes_of(text: str) -> bytes:
    return text.encode(errors="surrogateescape")
