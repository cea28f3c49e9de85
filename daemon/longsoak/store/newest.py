"""The newest scan that holds a probe, remembered from one look to the next; its last value."""

import math
import sqlite3
import threading
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from types import TracebackType
from typing import Self

from longsoak.store.packing import Seats, columns


class Newest:
    """The newest scan of each probe asked for so far. `with` it, one thread has it at a time.

    There is no index from layouts to scans (it would add a page to every commit), so the scans of
    a rare probe are found by walking back. That is done once; later looks walk over what was
    committed since.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._of: object = None
        self._found: dict[str, tuple[int, int]] = {}  # probe: its newest scan, 0 if none; up to

    def __enter__(self) -> Self:
        self._lock.acquire()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._lock.release()

    def scans(
        self,
        db: sqlite3.Connection,
        probes: Iterable[str],
        layouts: Mapping[int, Sequence[str]],
        *,
        top: int,
        of: object,
    ) -> dict[str, int]:
        """The newest scan, up to scan `top`, that holds each probe; those without one left out.

        Parameters
        ----------
        db : sqlite3.Connection
            The record.
        probes : iterable of str
            Those to look for.
        layouts : mapping of int to sequence of str
            The probes of every layout up to `top`.
        top : int
            The newest scan to look at.
        of : object
            What the record is known by: another one, or one that has shrunk, is looked at afresh.
        """
        if self._of != of or any(upto > top for _, upto in self._found.values()):
            self._of = of
            self._found.clear()
        holding = defaultdict(set)
        for number, names in layouts.items():
            for name in names:
                holding[name].add(number)
        # Probes of the same layouts, looked for up to the same scan, take one walk together.
        alike: dict[tuple[frozenset[int], int], list[str]] = defaultdict(list)
        for probe in set(probes) & holding.keys():
            _, upto = self._found.get(probe, (0, 0))
            alike[frozenset(holding[probe]), upto].append(probe)
        for (numbers, upto), names in alike.items():
            written = ",".join(map(str, numbers))  # in the statement itself: thirty times as fast
            row = db.execute(
                f"SELECT id FROM scan WHERE id > ? AND id <= ? AND layout IN ({written})"  # noqa: S608 - our own numbers
                " ORDER BY id DESC LIMIT 1",
                (upto, top),
            ).fetchone()
            for name in names:
                known, _ = self._found.get(name, (0, 0))
                self._found[name] = (known if row is None else int(row[0]), top)
        return {p: self._found[p][0] for p in probes if p in self._found and self._found[p][0]}


def last_valued(
    rows: Sequence[tuple[int, int, int, bytes]], layouts: Mapping[int, Seats]
) -> dict[str, int]:
    """When each probe last gave a value, UTC ms; one that gave none is left out.

    Parameters
    ----------
    rows : sequence
        Scans as (id, utc_ms, layout, readings), newest first.
    layouts : mapping of int to Seats
        By the number of each layout among them.

    Raises
    ------
    ValueError
        A row is not as long as its layout says.
    """
    by_layout: dict[int, list[tuple[int, int, int, bytes]]] = defaultdict(list)
    for row in rows:
        by_layout[row[2]].append(row)
    last: dict[str, tuple[int, int]] = {}
    for layout, alike in by_layout.items():
        at = layouts[layout]
        for probe, column in zip(at.probes, columns([row[3] for row in alike], at), strict=True):
            for (scan, utc_ms, _, _), value in zip(alike, column.values, strict=True):
                if not math.isnan(value):
                    last[probe] = max(last.get(probe, (0, 0)), (scan, utc_ms))
                    break
    return {probe: utc_ms for probe, (_, utc_ms) in last.items()}
