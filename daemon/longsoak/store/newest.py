"""The newest reading of each probe, remembered from one look to the next."""

import math
import sqlite3
import threading
from collections import defaultdict
from collections.abc import Iterable, Sequence
from types import TracebackType
from typing import Self

from longsoak.store.scans import Scans, readings_of
from longsoak.vocabulary.reading import Reading


class Newest:
    """The newest reading of each probe asked for so far. `with` it, one thread has it at a time.

    There is no index from layouts to scans (it would add a page to every commit), so the scans of
    a rare probe are found by walking back. That is done once; later looks walk over what was
    committed since.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._of: object = None
        self._scans: dict[str, tuple[int, int]] = {}  # probe: its newest scan, 0 if none; up to
        self._readings: dict[str, tuple[int, Reading]] = {}

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

    def readings(
        self, db: sqlite3.Connection, scans: Scans, probes: Iterable[str], *, of: object
    ) -> dict[str, tuple[int, Reading]]:
        """Each probe's newest scan and its reading there, with the time as recorded.

        Parameters
        ----------
        db : sqlite3.Connection
            The record.
        scans : Scans
            All of its scans.
        probes : iterable of str
            Those to look for; one without a reading is left out.
        of : object
            What the record is known by: another one, or one that has shrunk, is looked at afresh.
        """
        if self._of != of or any(upto > scans.top for _, upto in self._scans.values()):
            self._of = of
            self._scans.clear()
            self._readings.clear()
        wanted = list(probes)
        self._walk(db, scans, wanted)
        missing = defaultdict(list)
        for probe in wanted:
            scan, _ = self._scans.get(probe, (0, 0))
            if scan and self._readings.get(probe, (0, None))[0] != scan:
                missing[scan].append(probe)
        for scan, names in missing.items():
            for piece in scans.pieces(names, scan, scan, raw=True):
                (reading,) = readings_of(piece, scans.layouts, shift_ms=0)
                self._readings[piece.probe] = (scan, reading)
        return {probe: self._readings[probe] for probe in wanted if probe in self._readings}

    def _walk(self, db: sqlite3.Connection, scans: Scans, probes: Iterable[str]) -> None:
        holding = defaultdict(set)
        for number, layout in scans.layouts.items():
            for name in layout.probes:
                holding[name].add(number)
        # Probes of the same layouts, looked for up to the same scan, take one walk together.
        alike: dict[tuple[frozenset[int], int], list[str]] = defaultdict(list)
        for probe in set(probes) & holding.keys():
            _, upto = self._scans.get(probe, (0, 0))
            alike[frozenset(holding[probe]), upto].append(probe)
        for (numbers, upto), names in alike.items():
            written = ",".join(map(str, numbers))  # in the statement itself: thirty times as fast
            row = db.execute(
                f"SELECT id FROM scan WHERE id > ? AND id <= ? AND layout IN ({written})"  # noqa: S608 - our own numbers
                " ORDER BY id DESC LIMIT 1",
                (upto, scans.top),
            ).fetchone()
            for name in names:
                known, _ = self._scans.get(name, (0, 0))
                if row is not None:
                    known = int(row[0])
                elif upto < scans.sealed_to:
                    known = scans.last_sealed(name) or known
                self._scans[name] = (known, scans.top)


def last_valued(values: Sequence[float]) -> int | None:
    """The place of the last of `values` that is one; None if all are NaN."""
    return next((i for i in range(len(values) - 1, -1, -1) if not math.isnan(values[i])), None)
