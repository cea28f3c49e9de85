"""Places the scans of records whose versions did not place any; for a migration."""

import sqlite3
from itertools import groupby, pairwise
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


def _synchronised_base(db: sqlite3.Connection, stretch: _Earlier) -> int | None:
    row = db.execute(
        "SELECT utc_ms - boottime_ms FROM scan WHERE id BETWEEN ? AND ? AND synchronised"
        " ORDER BY id LIMIT 1",
        (stretch.first, stretch.last),
    ).fetchone()
    return None if row is None else int(row[0])
