"""Which scans lie in a range of time, however the clock was set meanwhile."""

import sqlite3
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from hashlib import sha256
from itertools import pairwise
from typing import NamedTuple

from longsoak.store.scans import Scans

_LONG_ENOUGH = 12  # hex digits: a rig has thousands of runs in its life, not millions
UNSETTLED_MS = 24 * 3_600_000  # for so long readings wait for the clock of their boot to be known


class Span(NamedTuple):
    """Scans on end of one stretch, and what has to be added to their recorded UTC, ms."""

    first: int
    last: int
    shift_ms: int
    known: str


def stretches(db: sqlite3.Connection, scans: Scans) -> list[Span]:
    """All scans, a span a stretch; those of no stretch's own are left out."""
    rows = db.execute("SELECT first_scan, shift_ms, known FROM stretch ORDER BY id").fetchall()
    starts = [row[0] for row in rows] + [scans.top + 1]
    return [
        Span(first, following - 1, shift, known)
        for (first, following), (_, shift, known) in zip(pairwise(starts), rows, strict=True)
        if first < following
    ]


def settled_to(record: sqlite3.Connection, scans: Scans) -> int:
    """The last scan whose time will hardly change any more."""
    (first,) = record.execute(
        "SELECT min(first_scan) FROM stretch JOIN run ON run.id = stretch.run"
        " WHERE known = 'unsure' AND boot = (SELECT boot FROM run ORDER BY id DESC LIMIT 1)"
    ).fetchone()
    if first is None or first > scans.top:
        return scans.top
    if scans.boottime_ms(scans.top) - scans.boottime_ms(first) >= UNSETTLED_MS:
        return scans.top
    return int(first) - 1


def runs_of(db: sqlite3.Connection) -> list[tuple[int, str]]:
    """The first scan of each stretch, and a name of the run it belongs to that no other has."""
    return [
        (first, sha256(f"{boot} {started_ms}".encode()).hexdigest()[:_LONG_ENOUGH])
        for first, boot, started_ms in db.execute(
            "SELECT first_scan, boot, started_boottime_ms FROM stretch JOIN run"
            " ON run.id = stretch.run ORDER BY stretch.id"
        )
    ]


def shift_of(every: Sequence[Span], scan: int) -> int:
    """What has to be added to the recorded UTC of one scan, ms."""
    at = bisect_right(every, scan, key=lambda span: span.first)
    return every[at - 1].shift_ms if at else 0


def spans(db: sqlite3.Connection, scans: Scans, since_ms: int, until_ms: int) -> list[Span]:
    """The scans with ``since_ms <= UTC < until_ms``, for each stretch that has any."""
    return spans_of(scans, stretches(db, scans), since_ms, until_ms)


def spans_of(scans: Scans, every: Sequence[Span], since_ms: int, until_ms: int) -> list[Span]:
    """The same, of stretches that were read already.

    Inside a stretch times rise with ids, so a time is found by halving.
    """
    found = []
    for first, last, shift, known in every:
        since, until = since_ms - shift, until_ms - shift
        if scans.utc_at_an_end(first) >= until:
            continue
        if last != scans.top and scans.utc_at_an_end(last) < since:
            continue
        low = _find(scans, first, last, since)
        high = _find(scans, low, last, until) if low <= last else low
        if low < high:
            found.append(Span(low, high - 1, shift, known))
    return found


def _find(scans: Scans, first: int, last: int, utc_ms: int) -> int:
    """The first scan from `first` to `last` taken at `utc_ms` or later; `last` + 1 if none was."""
    if scans.utc_ms(first) >= utc_ms:  # any scan: what is remembered of ends would never end
        return first
    chunks = [c for c in scans.chunks if first < c.first <= last] if scans.chunks else []
    at = bisect_left(chunks, utc_ms, key=lambda chunk: chunk.first_utc_ms)
    low = chunks[at - 1].first if at else first
    high = chunks[at].first if at < len(chunks) else last + 1
    if low <= scans.sealed_to < high - 1:  # part of it is not sealed: one look tells which
        border = scans.sealed_to + 1
        if scans.utc_ms(border) < utc_ms:
            low = border
        else:
            high = border
    found = bisect_left(range(high), utc_ms, lo=low, key=scans.utc_ms)
    early = found > first and scans.utc_ms(found - 1) >= utc_ms
    if early or (found <= last and scans.utc_ms(found) < utc_ms):
        # A time noted beside a chunk is not that of its scans: looking into them tells which.
        return bisect_left(range(last + 1), utc_ms, lo=first, key=scans.utc_ms)
    return found
