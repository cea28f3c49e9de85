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
from longsoak.vocabulary.alarm import AlarmLeft, AlarmState, Hiding, StoredChange

# Runs of boots in which something is shown at another time than it was written at.
MOVED = (
    "SELECT id FROM run WHERE boot IN"
    " (SELECT boot FROM run JOIN stretch ON run.id = stretch.run WHERE shift_ms <> 0)"
)

_CHANGES = (
    "SELECT run, id, key, utc_ms, boottime_ms, old, new, value, says, by, hiding, until_utc_ms,"
    " seconds, news FROM alarm_change"
)


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
    values: Sequence[int | str],
    moment: Callable[[int | None, int, int], Moment],
) -> list[StoredChange]:
    """Alarm changes, each at what `moment` makes of its run, UTC and CLOCK_BOOTTIME, ms."""
    found = []
    for row in db.execute(f"{_CHANGES} WHERE {where}", values).fetchall():
        run, number, key, utc_ms, boottime_ms, old, new, value, says, by, *told = row
        hiding, until_utc_ms, seconds, news = told
        at, unsure = moment(run, utc_ms, boottime_ms)
        found.append(
            StoredChange(
                *(key, at, boottime_ms, AlarmState(old), AlarmState(new), value, says, by),
                number,
                unsure,
                hiding=None if hiding is None else Hiding(hiding),
                until_utc_ms=None if until_utc_ms is None else until_utc_ms + at - utc_ms,
                seconds=seconds,
                news=None if news is None else bool(news),
            )
        )
    return found


def alarms_left(
    db: sqlite3.Connection, *, boot: str, boottime_ms: int, utc_ms: int
) -> dict[str, AlarmLeft]:
    """How each alarm was left, by key.

    A shelving goes on to its end by CLOCK_BOOTTIME within one boot. In another one the wall clock
    tells what is left of it, and never more than it had when it began, whatever that clock says.

    Parameters
    ----------
    db : sqlite3.Connection
        The record.
    boot : str
        That which runs.
    boottime_ms, utc_ms : int
        The clocks now.
    """
    believed = {
        key: (AlarmState(new).standing, at, of) for key, new, at, of in db.execute(_TOLD).fetchall()
    }
    found = {}
    for key, new, hiding, at, until, seconds, of in db.execute(
        "SELECT key, new, hiding, boottime_ms, until_utc_ms, seconds,"
        " (SELECT boot FROM run WHERE run.id = alarm_change.run) FROM alarm_change"
        " WHERE id IN (SELECT max(id) FROM alarm_change GROUP BY key)"
    ).fetchall():
        told, told_at, told_in = believed.get(key, (False, None, None))
        here = told_at is not None and told_in == boot and told_at <= boottime_ms
        ends = None
        if hiding == Hiding.SHELVED:
            if of == boot and at <= boottime_ms:
                ends = at / 1000 + seconds
            else:
                left = min(max(0.0, (until - utc_ms) / 1000), seconds)
                ends = boottime_ms / 1000 + left
        found[key] = AlarmLeft(
            AlarmState(new),
            None if hiding is None else Hiding(hiding),
            told,
            told_at / 1000 if here and told_at is not None else None,
            ends,
        )
    return found


# What people were last told of each alarm; a version that did not say told of what came or went.
_TOLD = (
    "SELECT key, new, boottime_ms, (SELECT boot FROM run WHERE run.id = alarm_change.run)"
    " FROM alarm_change WHERE id IN (SELECT max(id) FROM alarm_change WHERE news = 1 OR (news IS"
    " NULL AND (new = 'new, not acknowledged' OR (old IN ('new, not acknowledged',"
    " 'acknowledged, still standing') AND new IN ('gone, not acknowledged', 'normal'))))"
    " GROUP BY key)"
)
