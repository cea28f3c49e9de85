"""How a record stood at a time in the past: each probe's last reading, and the scan before all.

Of sealed scans one reading a probe is made of its bytes, not the thousands that lie beside it, so
that a reader may go back and forth through months.
"""

import sqlite3
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence

from longsoak.store.known import Chunk
from longsoak.store.packing import Full, Piece
from longsoak.store.scans import Scans, readings_of
from longsoak.store.timeline import Span, spans_of
from longsoak.vocabulary.reading import Reading

_PAGE = 64  # rows looked at together on the way back


def last_readings(
    db: sqlite3.Connection,
    scans: Scans,
    every: Sequence[Span],
    patience_ms: Mapping[str, int],
    *,
    utc_ms: int,
) -> dict[str, Reading]:
    """Each probe's last reading at or before a time, wherever clocks that were set have put it.

    Parameters
    ----------
    db : sqlite3.Connection
        The record, in the read transaction of `scans`.
    scans : Scans
        All of its scans.
    every : sequence of Span
        Its stretches.
    patience_ms : mapping of str to int
        The probes, and how long before `utc_ms` a reading of each may have been taken; one without
        a reading in that time is left out.
    utc_ms : int
        The time, ms since 1970.
    """
    if not patience_ms:
        return {}
    found: dict[str, tuple[int, int, Piece]] = {}  # probe: when, its scan, what it held
    since = utc_ms - max(patience_ms.values())
    for first, last, shift, _ in spans_of(scans, every, since, utc_ms + 1):
        for piece in _last_pieces(db, scans, set(patience_ms), first, last):
            probe, at = piece.probe, piece.utc_ms[0] + shift
            if at >= utc_ms - patience_ms[probe]:
                best = found.get(probe)
                if best is None or (at, piece.scans[0]) > best[:2]:
                    found[probe] = (at, piece.scans[0], piece)
    readings = {}
    for probe, (at, _, piece) in found.items():
        shown = piece if scans.derived is None else scans.derived.shown(piece)
        (readings[probe],) = readings_of(shown, scans.layouts, shift_ms=at - piece.utc_ms[0])
    return readings


def last_scan(scans: Scans, every: Sequence[Span], *, utc_ms: int) -> tuple[int, int] | None:
    """The newest scan taken at or before a time, and when that was; None before the first."""
    best: tuple[int, int] | None = None
    for span in every:
        if scans.utc_at_an_end(span.first) + span.shift_ms > utc_ms:
            continue
        last = span.last
        ends = scans.utc_ms(last) if last == scans.top else scans.utc_at_an_end(last)
        if ends + span.shift_ms > utc_ms:
            since = scans.utc_at_an_end(span.first) + span.shift_ms
            (within,) = spans_of(scans, [span], since, utc_ms + 1)
            last, ends = within.last, scans.utc_ms(within.last)
        best = max(best or (ends + span.shift_ms, last), (ends + span.shift_ms, last))
    return None if best is None else (best[1], best[0])


def layout_of(db: sqlite3.Connection, scans: Scans, scan: int) -> int:
    """The number of the layout of a scan there is."""
    if scan <= scans.sealed_to:
        times = scans.times(scans.chunk_of(scan))
        return times.layouts[scan - times.first]
    (layout,) = db.execute("SELECT layout FROM scan WHERE id = ?", (scan,)).fetchone()
    return int(layout)


def _last_pieces(
    db: sqlite3.Connection, scans: Scans, probes: set[str], first: int, last: int
) -> Iterator[Piece]:
    """The newest reading of each probe in the scans from `first` to `last`, newest rows first."""
    missing = set(probes)
    for page in _pages_back(db, scans, missing, max(first, scans.sealed_to + 1), last):
        for scan in page:
            held = set(scans.layouts[scan[1]].probes) & missing
            if held:
                yield from scans.pieces_as_kept(held, scan[0], scan[0])
                missing -= held
        if not missing:
            return
    for chunk in reversed(list(scans.unbroken(first, min(last, scans.sealed_to)))):
        for piece in _sealed_pieces(scans, chunk, missing, first, last):
            missing.discard(piece.probe)
            yield piece
        if not missing:
            return


def _pages_back(
    db: sqlite3.Connection, scans: Scans, missing: set[str], first: int, last: int
) -> Iterator[list[tuple[int, int]]]:
    """Ids and layouts of scans with any of what is `missing` when each page is asked for."""
    at = last
    while at >= first and (numbers := scans.holding(missing)):
        written = ",".join(map(str, numbers))
        rows = db.execute(
            f"SELECT id, layout FROM scan WHERE id BETWEEN ? AND ? AND layout IN ({written})"  # noqa: S608 - our own numbers
            " ORDER BY id DESC LIMIT ?",
            (first, at, _PAGE),
        ).fetchall()
        if not rows:
            return
        yield rows
        at = rows[-1][0] - 1


def _sealed_pieces(
    scans: Scans, chunk: Chunk, probes: set[str], first: int, last: int
) -> Iterator[Piece]:
    """The newest of each probe in one run of sealed scans."""
    times = scans.times(chunk)
    held: dict[frozenset[int], tuple[Sequence[int], int]] = {}  # places of probes that go together
    wanted: dict[str, frozenset[int]] = {}
    for probe in probes:
        together = scans.holding((probe,)) & times.kinds
        if not together:
            continue
        if together not in held:
            places = scans.places(chunk, probe)
            held[together] = (places, bisect_right(places, last - chunk.first) - 1)
        places, at = held[together]
        if at >= 0 and places[at] >= first - chunk.first:
            wanted[probe] = together
    for probe, data in scans.sealed_blobs(chunk, list(wanted)).items():
        places, at = held[wanted[probe]]
        place = places[at]
        column: Full = scans.sealed_reading(chunk, probe, data, at, among=len(places))
        yield Piece(
            probe,
            [chunk.first + place],
            [times.layouts[place]],
            [times.utc_ms[place]],
            column,
        )
