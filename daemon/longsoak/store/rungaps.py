"""How long nothing was measured between two runs: as far as it is known, and once it is."""

import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

from longsoak.store.known import Kept
from longsoak.store.scans import Scans
from longsoak.store.stretches import UNSURE, Stretch, all_stretches
from longsoak.vocabulary.happening import RunGap


class Start(NamedTuple):
    """A run's beginning, by the machine's clocks."""

    run: int
    boot: str
    utc_ms: int
    boottime_ms: int
    synchronised: bool


def add_gap(db: sqlite3.Connection, start: Start) -> RunGap | None:
    """Keep the time without readings before a run; return it, None if there was no scan before.

    Parameters
    ----------
    db : sqlite3.Connection
        In a transaction.
    start : Start
        The run, which is in the record already.
    """
    stretches = all_stretches(db)
    if not stretches:
        return None
    before = stretches[-1]
    scans = Scans(db, Kept())
    from_ms = scans.utc_ms(scans.top) + before.shift_ms
    to_ms = start.utc_ms
    length = None
    if before.boot == start.boot:
        length = start.boottime_ms - scans.boottime_ms(scans.top)
        if before.known != UNSURE and not start.synchronised:
            to_ms = start.boottime_ms + before.base_ms
    elif before.known != UNSURE and start.synchronised:
        length = _vouched(to_ms - from_ms)
    (ended,) = db.execute(
        "SELECT ended_utc_ms FROM run WHERE id < ? ORDER BY id DESC LIMIT 1", (start.run,)
    ).fetchone()
    gap = RunGap(from_ms, to_ms, clean=ended is not None, length_ms=length)
    db.execute(
        "INSERT INTO gap (run, from_utc_ms, to_utc_ms, clean, length_ms) VALUES (?, ?, ?, ?, ?)",
        (start.run, gap.from_utc_ms, gap.to_utc_ms, gap.clean, gap.length_ms),
    )
    return gap


def settle_gaps(db: sqlite3.Connection, *, since_run: int) -> dict[str, int]:
    """Bring the gaps before this and later runs in line with where their stretches lie now.

    Returns
    -------
    dict of str to int
        Lengths that were not known so far, ms, by the boot of the run after the gap.
    """
    stretches = all_stretches(db)
    scans = Scans(db, Kept())
    found = {}
    for gap, run, boot, utc_ms, boottime_ms, kept in db.execute(
        "SELECT gap.id, run.id, boot, started_utc_ms, started_boottime_ms, length_ms"
        " FROM gap JOIN run ON run.id = gap.run WHERE run.id >= ?",
        (since_run,),
    ).fetchall():
        following = next((i for i, s in enumerate(stretches) if s.run >= run), len(stretches))
        if following in (0, len(stretches)):
            continue  # nothing was measured in it yet
        before = stretches[following - 1]
        after = _of_run(stretches, run, boot)
        last = stretches[following].first_scan - 1
        from_ms = scans.utc_ms(last) + before.shift_ms
        to_ms = utc_ms if after is None else boottime_ms + after.base_ms
        length = kept
        if before.boot != boot:
            sure = after is not None and UNSURE not in (before.known, after.known)
            length = _vouched(to_ms - from_ms) if sure else None
        if kept is None and length is not None:
            found[boot] = length
        db.execute(
            "UPDATE gap SET from_utc_ms = ?, to_utc_ms = ?, length_ms = ? WHERE id = ?",
            (from_ms, to_ms, length, gap),
        )
    return found


def _of_run(stretches: Sequence[Stretch], run: int, boot: str) -> Stretch | None:
    """The stretch a run began in, or the nearest to it of its boot."""
    here = [stretch for stretch in stretches if stretch.boot == boot]
    return next((s for s in here if s.run >= run), here[-1] if here else None)


def _vouched(length_ms: int) -> int | None:
    """A length between two clocks that were synchronised, unless they contradict each other."""
    return length_ms if length_ms >= 0 else None
