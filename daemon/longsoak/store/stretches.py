"""Between which scans the clock ran on without being set; where that is kept.

A scan keeps the UTC it was taken under for ever. What has to be added to it is its stretch's
`shift_ms`, and `known` says how that came to be known:

`clock`
    the clock was synchronised when the stretch began, or before it in the same boot;
`placed`
    it was not, and another scan of the same boot told where the stretch belongs;
`unsure`
    no scan of its boot was synchronised (yet).
"""

import sqlite3
from collections.abc import Iterable
from typing import NamedTuple

CLOCK, PLACED, UNSURE = "clock", "placed", "unsure"


class Stretch(NamedTuple):
    """One row of ``stretch``, with the boot of its run."""

    id: int
    run: int
    boot: str
    first_scan: int
    offset_ms: int
    shift_ms: int
    known: str

    @property
    def base_ms(self) -> int:
        """UTC of CLOCK_BOOTTIME zero, as the record has it now."""
        return self.offset_ms + self.shift_ms


def all_stretches(db: sqlite3.Connection) -> list[Stretch]:
    """Every stretch, in the order they began."""
    return [Stretch(*row) for row in db.execute(f"{_SELECT} ORDER BY stretch.id")]


def last_stretch(db: sqlite3.Connection, boot: str) -> Stretch | None:
    """The stretch of a boot that began last."""
    row = db.execute(
        f"{_SELECT} WHERE run.boot = ? ORDER BY stretch.id DESC LIMIT 1", (boot,)
    ).fetchone()
    return None if row is None else Stretch(*row)


def add_stretch(
    db: sqlite3.Connection, *, run: int, first_scan: int, offset_ms: int, shift_ms: int, known: str
) -> int:
    """Begin a stretch; return its id."""
    cursor = db.execute(
        "INSERT INTO stretch (run, first_scan, offset_ms, shift_ms, known) VALUES (?, ?, ?, ?, ?)",
        (run, first_scan, offset_ms, shift_ms, known),
    )
    assert cursor.lastrowid is not None  # noqa: S101 - an INSERT has one
    return cursor.lastrowid


def save_places(db: sqlite3.Connection, stretches: Iterable[Stretch]) -> None:
    """Keep where these stretches belong, and how that is known."""
    db.executemany(
        "UPDATE stretch SET shift_ms = ?, known = ? WHERE id = ?",
        [(stretch.shift_ms, stretch.known, stretch.id) for stretch in stretches],
    )


_SELECT = (
    "SELECT stretch.id, run, boot, first_scan, offset_ms, shift_ms, known"
    " FROM stretch JOIN run ON run.id = stretch.run"
)
