"""Places what was recorded by versions that did not place it; for migrations."""

import sqlite3
from bisect import bisect_left, bisect_right
from itertools import groupby, pairwise
from operator import itemgetter
from typing import NamedTuple

_STEP_MS = 1000  # what those versions took for a clock that was set


class _Earlier(NamedTuple):
    id: int
    boot: str
    first: int
    last: int
    offset_ms: int


def place_earlier(db: sqlite3.Connection) -> None:
    """Set ``shift_ms`` and ``known`` of every stretch by what its boot's scans knew.

    Until its first synchronised scan a boot goes by that one, after it by the last one before;
    a boot that has none is unsure, and stands as recorded.
    """
    rows = db.execute(
        "SELECT stretch.id, boot, first_scan, offset_ms FROM stretch"
        " JOIN run ON run.id = stretch.run ORDER BY stretch.id"
    ).fetchall()
    (top,) = db.execute("SELECT ifnull(max(id), 0) FROM scan").fetchone()
    starts = [row[2] for row in rows] + [top + 1]
    stretches = [
        _Earlier(number, boot, first, following - 1, offset)
        for (number, boot, _, offset), (first, following) in zip(
            rows, pairwise(starts), strict=True
        )
    ]
    for _, group in groupby(stretches, lambda stretch: stretch.boot):
        of_boot = list(group)
        sure = [_synchronised_base(db, stretch) for stretch in of_boot]
        base = next((known for known in sure if known is not None), None)
        for stretch, known in zip(of_boot, sure, strict=True):
            base = base if known is None else known
            shift = 0 if base is None else base - stretch.offset_ms
            db.execute(
                "UPDATE stretch SET shift_ms = ?, known = ? WHERE id = ?",
                (
                    shift if abs(shift) > _STEP_MS else 0,
                    "unsure" if base is None else "clock" if known is not None else "placed",
                    stretch.id,
                ),
            )


def find_runs(db: sqlite3.Connection) -> None:
    """Set ``run`` of every alarm change that can only have been seen in one boot of the record.

    What tells it is how far the wall clock lay from CLOCK_BOOTTIME. Machines without a clock of
    their own start every boot at the same time: what could be of two of them is left alone.
    """
    boots: dict[str, set[int]] = {}
    starts: dict[str, list[tuple[int, int]]] = {}
    for run, boot, utc_ms, boottime_ms in db.execute(
        "SELECT id, boot, started_utc_ms, started_boottime_ms FROM run ORDER BY id"
    ):
        boots.setdefault(boot, set()).add(utc_ms - boottime_ms)
        starts.setdefault(boot, []).append((boottime_ms, run))
    for boot, offset in db.execute(
        "SELECT boot, offset_ms FROM stretch JOIN run ON run.id = stretch.run"
    ):
        boots[boot].add(offset)
    offsets = sorted({(offset, boot) for boot, known in boots.items() for offset in known})
    for change, utc_ms, boottime_ms in db.execute(
        "SELECT id, utc_ms, boottime_ms FROM alarm_change"
    ).fetchall():
        offset = utc_ms - boottime_ms
        first = bisect_left(offsets, offset - _STEP_MS, key=itemgetter(0))
        end = bisect_right(offsets, offset + _STEP_MS, key=itemgetter(0))
        fitting = {boot for _, boot in offsets[first:end]}
        if len(fitting) == 1:
            (boot,) = fitting
            run = max((run for began, run in starts[boot] if began <= boottime_ms), default=None)
            db.execute("UPDATE alarm_change SET run = ? WHERE id = ?", (run, change))


def _synchronised_base(db: sqlite3.Connection, stretch: _Earlier) -> int | None:
    row = db.execute(
        "SELECT utc_ms - boottime_ms FROM scan WHERE id BETWEEN ? AND ? AND synchronised"
        " ORDER BY id LIMIT 1",
        (stretch.first, stretch.last),
    ).fetchone()
    return None if row is None else int(row[0])
