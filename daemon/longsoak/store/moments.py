"""Where alarm changes and events belong in time: where the scans of their boot were placed.

A row keeps the UTC it was written under for ever, with its run and CLOCK_BOOTTIME. A row without
a run was written by a version that did not keep it, or for another record: it stands as written.
"""

import sqlite3
from bisect import bisect_right
from collections.abc import Callable, Sequence
from functools import cached_property
from typing import NamedTuple

from longsoak.core.clockplace import EARLIEST_MS, was_set
from longsoak.store.scans import Scans
from longsoak.store.stretches import UNSURE, Stretch, all_stretches
from longsoak.vocabulary.alarm import AlarmState, StoredChange

# Runs of boots in which something is shown at another time than it was written at.
MOVED = (
    "SELECT id FROM run WHERE boot IN"
    " (SELECT boot FROM run JOIN stretch ON run.id = stretch.run WHERE shift_ms <> 0)"
)

_CHANGES = "SELECT run, id, key, utc_ms, boottime_ms, old, new, value, says, by FROM alarm_change"


class Moment(NamedTuple):
    """When something was, UTC ms, and whether no clock of its boot could be believed (yet)."""

    utc_ms: int
    unsure: bool


class Moments:
    """Places what was written in the runs of a record.

    Parameters
    ----------
    db : sqlite3.Connection
        The record, in a transaction.
    scans : callable
        Gives its scans; only asked where a boot's clock alone does not tell two stretches apart.
    """

    def __init__(self, db: sqlite3.Connection, scans: Callable[[], Scans]) -> None:
        self._db = db
        self._make_scans = scans
        self._alike: dict[tuple[str, int], Sequence[Stretch]] = {}

    def of(self, run: int | None, utc_ms: int, boottime_ms: int | None) -> Moment:
        """Where it belongs what was written in `run` at this UTC and CLOCK_BOOTTIME, ms."""
        if run is None or boottime_ms is None:
            return Moment(utc_ms, unsure=False)
        boot = self._boots.get(run, "")
        here = self._stretches.get(boot, ())
        if not here:  # nothing was measured yet
            return Moment(utc_ms, unsure=utc_ms < EARLIEST_MS)
        offset = utc_ms - boottime_ms
        alike = self._running_as(boot, offset)
        if len({(stretch.shift_ms, stretch.known) for stretch in alike}) == 1:
            stretch = alike[0]
        else:
            among = alike or here
            at = bisect_right(among, boottime_ms, key=self._began)
            stretch = among[max(0, at - 1)]  # before the first scan: as that one
        placed = utc_ms + stretch.shift_ms if alike else stretch.base_ms + boottime_ms
        return Moment(placed, unsure=stretch.known == UNSURE)

    @cached_property
    def _boots(self) -> dict[int, str]:
        return dict(self._db.execute("SELECT id, boot FROM run").fetchall())

    @cached_property
    def _stretches(self) -> dict[str, list[Stretch]]:
        found: dict[str, list[Stretch]] = {}
        for stretch in all_stretches(self._db):
            found.setdefault(stretch.boot, []).append(stretch)
        return found

    @cached_property
    def _scans(self) -> Scans:
        return self._make_scans()

    def _running_as(self, boot: str, offset: int) -> Sequence[Stretch]:
        """The stretches of a boot in which the wall clock lay as far from CLOCK_BOOTTIME."""
        found = self._alike.get((boot, offset))
        if found is None:
            found = [s for s in self._stretches[boot] if not was_set(s.offset_ms, offset)]
            self._alike[boot, offset] = found
        return found

    def _began(self, stretch: Stretch) -> int:
        return self._scans.boottime_at_an_end(stretch.first_scan)


def changes_in(
    db: sqlite3.Connection,
    where: str,
    values: Sequence[int],
    moment: Callable[[int | None, int, int], Moment],
) -> list[StoredChange]:
    """Alarm changes, each at what `moment` makes of its run, UTC and CLOCK_BOOTTIME, ms."""
    found = []
    for run, number, key, utc_ms, boottime_ms, old, new, value, says, by in db.execute(
        f"{_CHANGES} WHERE {where}", values
    ).fetchall():
        at, unsure = moment(run, utc_ms, boottime_ms)
        states = AlarmState(old), AlarmState(new)
        found.append(StoredChange(key, at, boottime_ms, *states, value, says, by, number, unsure))
    return found
