"""That no two scans of one bus share a time, where times of several stretches overlap.

They do where two synchronised clocks contradicted each other, and while a boot that began in the
past is not synchronised yet. A database that is sent two readings of one probe and one time keeps
only one of them.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from longsoak.store.scans import Scans
from longsoak.store.stretches import Stretch
from longsoak.store.timeline import spans, stretches

LEEWAY_MS = 500  # further than this nothing is moved for the sake of a time of its own


class Taken(NamedTuple):
    """Buses and times that are taken in a time range."""

    since_ms: int
    until_ms: int
    times: frozenset[tuple[str, int]]

    def first_free(self, bus: str, utc_ms: int) -> int:
        """The time itself, or the next one that is free for a scan of `bus`."""
        leeway = range(utc_ms, utc_ms + LEEWAY_MS)
        return next((at for at in leeway if (bus, at) not in self.times), utc_ms)


class Crowd:
    """The scans of other stretches than those at hand."""

    def __init__(self, db: sqlite3.Connection, scans: Scans, own: Sequence[range]) -> None:
        self._db = db
        self._scans = scans
        self._own = own

    def latest_ms(self) -> int | None:
        """When the last of them was taken."""
        return max(
            (
                self._scans.utc_at_an_end(span.last) + span.shift_ms
                for span in stretches(self._db, self._scans)
                if not self._at_hand(span.first)
            ),
            default=None,
        )

    def taken(self, since_ms: int, until_ms: int) -> Taken:
        """Their buses and times, as far as they lie in a time range."""
        found = frozenset(
            (bus, utc_ms + span.shift_ms)
            for span in spans(self._db, self._scans, since_ms, until_ms)
            if not self._at_hand(span.first)
            for bus, utc_ms in times(self._scans, span.first, span.last)
        )
        return Taken(since_ms, until_ms, found)

    def _at_hand(self, scan: int) -> bool:
        return any(scan in ids for ids in self._own)


def times(scans: Scans, first: int, last: int) -> Iterator[tuple[str, int]]:
    """Bus and recorded UTC of the scans from id `first` to `last`."""
    for scan in range(first, min(last, scans.sealed_to) + 1):
        sealed = scans.times(scans.chunk_of(scan))
        place = scan - sealed.first
        yield scans.layouts[sealed.layouts[place]].bus, sealed.utc_ms[place]
    for row in scans.rows(max(first, scans.sealed_to + 1), last):
        yield scans.layouts[row.layout].bus, row.utc_ms


def apart(
    db: sqlite3.Connection, scans: Scans, moved: Sequence[tuple[Stretch, range]]
) -> list[Stretch]:
    """The same stretches, a few ms later if that parts their scans from others' of their bus.

    Parameters
    ----------
    db, scans
        The record.
    moved : sequence of tuple
        Stretches of one boot that are about to be kept where they are given, and their scans.
    """
    stretched = [stretch for stretch, _ in moved]
    crowd = Crowd(db, scans, [ids for _, ids in moved])
    latest = crowd.latest_ms()
    first, _ = moved[0]
    since = scans.utc_at_an_end(first.first_scan) + first.shift_ms
    if latest is None or since > latest:
        return stretched
    mine = {
        (bus, utc_ms + stretch.shift_ms)
        for stretch, ids in moved
        for bus, utc_ms in times(scans, ids.start, ids.stop - 1)
        if utc_ms + stretch.shift_ms <= latest
    }
    theirs = crowd.taken(since, max(at for _, at in mine) + LEEWAY_MS).times
    later = next(
        (ms for ms in range(LEEWAY_MS) if theirs.isdisjoint((bus, at + ms) for bus, at in mine)), 0
    )
    return [stretch._replace(shift_ms=stretch.shift_ms + later) for stretch in stretched]
