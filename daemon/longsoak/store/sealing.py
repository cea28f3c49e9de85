"""Turning older scans into compressed columns, a bite at a time.

A run of scans on end is sealed together, all buses alike, once it is long enough for every probe in
it: columns compress by their length, and a probe's months are read in few rows. Nothing is given
up: the columns are read back and compared bit for bit before the rows they came from are removed,
in one transaction.
"""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from longsoak.store.known import Kept, Layout
from longsoak.store.packing import Full, full_columns
from longsoak.store.scans import Scans
from longsoak.store.sealed import (
    ScanRow,
    of_readings,
    pack_readings,
    pack_scans,
    same,
    unpack_readings,
    unpack_scans,
)
from longsoak.store.transaction import Transaction
from longsoak.vocabulary.errors import StoreError

TAIL = 1440  # of the newest scans that stay rows: what is looked at most
LENGTHS = (1440, 2880, 5760, 11520, 23040)  # scans sealed together; the first that is long enough
ENOUGH = 360  # readings of every probe that make a length long enough
MOST = 300_000  # readings of all that do so too: unpacked for a look, each takes 150 bytes

_NOT_AS_IT_WAS = (
    "scans {first} to {last} can't be sealed: {what} would not read back bit for bit. "
    "They stay as they are."
)


@dataclass(frozen=True, slots=True)
class SealingPlan:
    """How many scans stay rows (1 or more), how many are sealed together, when that is enough.

    Each of `lengths` is tried until it holds `enough` readings of every probe, or `most` of all.
    """

    tail: int = TAIL
    lengths: tuple[int, ...] = LENGTHS
    enough: int = ENOUGH
    most: int = MOST


class Sealing:
    """Seals what is due. `bite` does one step and says whether there is more to do now.

    Parameters
    ----------
    record : callable
        The connection that writes the record, in whose thread this is called.
    plan : SealingPlan or None
        How much to seal at a time; a test passes its own.
    """

    def __init__(
        self, record: Callable[[], sqlite3.Connection], plan: SealingPlan | None = None
    ) -> None:
        self._record = record
        self._db = record()
        self._plan = plan or SealingPlan()
        self._kept = Kept()
        self._under_way: Iterator[None] | None = None

    def bite(self) -> bool:
        """Do one step of a few milliseconds; false if nothing is due.

        Raises
        ------
        StoreError
            What was sealed did not read back as it was, or the disk refused. Nothing was changed.
        """
        try:
            if self._under_way is None:
                self._db = self._record()
                self._kept = self._kept.of(self._db)
                due = self._due()
                if due is None:
                    return False
                self._under_way = self._seal(*due)
            if next(self._under_way, 0) == 0:
                self._under_way = None
        except sqlite3.Error as error:
            self._under_way = None
            raise StoreError(f"older scans could not be sealed: {error}") from error
        except (ValueError, LookupError, TypeError) as error:
            self._under_way = None
            raise StoreError(
                f"older scans can't be sealed: some are not as they were kept ({error}). They stay "
                "as they are; `longsoak audit` says what is wrong"
            ) from error
        except BaseException:
            self._under_way = None
            raise
        return True

    def _due(self) -> tuple[int, int] | None:
        """The first and the last scan to seal now."""
        first, last = self._db.execute(
            "SELECT (SELECT min(id) FROM scan), (SELECT max(id) FROM scan)"
        ).fetchone()
        if first is None:
            return None
        for length in self._plan.lengths:
            if last - first + 1 < length + self._plan.tail:
                return None
            if length == self._plan.lengths[-1] or self._long_enough(first, first + length - 1):
                return first, first + length - 1
        return None

    def _long_enough(self, first: int, last: int) -> bool:
        layouts = Scans(self._db, self._kept).layouts
        counts: dict[str, int] = {}
        for number, count in self._db.execute(
            "SELECT layout, count(*) FROM scan WHERE id BETWEEN ? AND ? GROUP BY layout",
            (first, last),
        ):
            for probe in layouts[number].probes:
                counts[probe] = counts.get(probe, 0) + count
        least, readings = min(counts.values(), default=0), sum(counts.values())
        return least >= self._plan.enough or readings >= self._plan.most

    def _seal(self, first: int, last: int) -> Iterator[None]:
        scans = Scans(self._db, self._kept)
        rows = list(scans.rows(first, last))
        if [row.id for row in rows] != list(range(first, last + 1)):
            raise StoreError(
                f"scans {first} to {last} can't be sealed: some of them are not in the record. "
                "They stay as they are; `longsoak audit` says what is missing."
            )
        yield
        own = pack_scans(rows)
        again = unpack_scans(own, first=first, last=last)
        if any(head != row[:-1] for head, row in zip(again.heads(), rows, strict=True)):
            raise StoreError(_NOT_AS_IT_WAS.format(first=first, last=last, what="their times"))
        packed: dict[str, bytes] = {}
        for probe, column in _columns(rows, scans.layouts):
            of = of_readings(probe, first=first)
            packed[probe] = pack_readings(column, of=of)
            if not same(unpack_readings(packed[probe], of=of), column):
                raise StoreError(_NOT_AS_IT_WAS.format(first=first, last=last, what=repr(probe)))
            yield
        with Transaction(self._db):
            self._insert(rows, own, packed)
        self._db.execute("PRAGMA shrink_memory")  # of pages that no scan needs again

    def _insert(self, rows: Sequence[ScanRow], own: bytes, packed: dict[str, bytes]) -> None:
        cursor = self._db.execute(
            "INSERT INTO sealed (first_scan, last_scan, first_utc_ms, scans) VALUES (?, ?, ?, ?)",
            (rows[0].id, rows[-1].id, rows[0].utc_ms, own),
        )
        number = cursor.lastrowid
        self._db.executemany(
            "INSERT INTO probe (name) VALUES (?) ON CONFLICT DO NOTHING",
            [(probe,) for probe in packed],
        )
        self._db.executemany(
            "INSERT INTO sealed_readings (sealed, probe, readings)"
            " VALUES (?, (SELECT id FROM probe WHERE name = ?), ?)",
            [(number, probe, data) for probe, data in packed.items()],
        )
        self._db.execute("DELETE FROM scan WHERE id BETWEEN ? AND ?", (rows[0].id, rows[-1].id))


def _columns(rows: Sequence[ScanRow], layouts: dict[int, Layout]) -> Iterator[tuple[str, Full]]:
    """One probe's readings after the other's, each in the order of scans."""
    probes = sorted({p for number in {row.layout for row in rows} for p in layouts[number].probes})
    alike: dict[int, tuple[list[int], list[bytes]]] = {}
    for row in rows:
        ids, packed = alike.setdefault(row.layout, ([], []))
        ids.append(row.id)
        packed.append(row.readings)
    columns = [
        (ids, layouts[number].probes, full_columns(packed, len(layouts[number].probes)))
        for number, (ids, packed) in alike.items()
    ]
    for probe in probes:
        parts = [(ids, at(names.index(probe))) for ids, names, at in columns if probe in names]
        if len(parts) == 1:
            yield probe, parts[0][1]
        else:
            merged = sorted(
                (entry for ids, column in parts for entry in zip(ids, *column, strict=True)),
                key=lambda entry: entry[0],
            )
            _, *column = zip(*merged, strict=True)
            yield probe, Full(*column)
