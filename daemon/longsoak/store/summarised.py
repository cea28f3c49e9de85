"""Reading what was added up beforehand, and what was not yet, as one."""

import json
import sqlite3
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import NamedTuple

from longsoak.store.buckets import Bucket, Reduction
from longsoak.store.cells import Cells, Row, unpack_cells
from longsoak.store.files import look_into
from longsoak.store.recordfile import identity
from longsoak.store.scans import Scans
from longsoak.store.timeline import Span, spans_of
from longsoak.vocabulary.errors import StoreError

SUMMARIES = "summaries.db"
HOUR_MS = 3_600_000
_LAYOUT = 2  # of the file; one that is laid out otherwise is made again


class Level(NamedTuple):
    """Sums over so many hours each, counted from 1970 UTC; a row of a table holds `page` of them.

    Each is read where intervals are `since_hours` long or longer.
    """

    table: str
    hours: int
    page: int
    since_hours: int


HOURS = Level("hours", 1, 120, 0)  # five days in a row
# A year in a thousand pieces is a third of the work from these.
FOURS = Level("fours", 4, 120, 4)
DAYS = Level("days", 24, 160, 48)
LEVELS = (HOURS, FOURS, DAYS)
_EVEN_HOURS = (1, 2, 3, 4, 8, 12, 24, 48)


class Look:
    """What is added up of one record, as far as it still holds.

    Parameters
    ----------
    folder : Path
        The record's.
    made_from : str
        What `made_from` says of it.
    scans : Scans
        Its scans.
    every : sequence of Span
        Its stretches, as of the same transaction.
    """

    def __init__(self, folder: Path, made_from: str, scans: Scans, every: Sequence[Span]) -> None:
        self._path = folder / SUMMARIES
        self._made_from = made_from
        self._scans = scans
        self._every = every

    def reduced(
        self, probes: Sequence[str], since_ms: int, until_ms: int, width_ms: int
    ) -> dict[str, list[Bucket]] | None:
        """The readings of a range in intervals of `width_ms` or more, as `snapped` has them.

        None if nothing is added up, or nothing that still holds.
        """
        width_ms = snapped(width_ms)
        level = _level(width_ms)
        unit = level.hours * HOUR_MS
        base, width = since_ms // unit, width_ms // unit
        first, end = -(-since_ms // HOUR_MS), until_ms // HOUR_MS
        found = self._cells(probes, first, end - 1, level)
        if found is None:
            return None
        position, cells = found
        # The ends that are no whole hours, and what is not added up yet.
        apart = Reduction(since_ms=base * unit, width_ms=width_ms)
        inner = max(end, first) * HOUR_MS
        self._take(apart, probes, since_ms, min(first * HOUR_MS, until_ms), after=0)
        self._take(apart, probes, first * HOUR_MS, inner, after=position)
        self._take(apart, probes, max(inner, since_ms), until_ms, after=0)
        return {
            probe: cells.get(probe, Cells()).buckets(
                base,
                width,
                base_ms=base * unit,
                width_ms=width_ms,
                apart=apart.sums.get(probe, {}),
            )
            for probe in probes
        }

    def _take(
        self, into: Reduction, probes: Sequence[str], since_ms: int, until_ms: int, *, after: int
    ) -> None:
        """Add up the readings of a range that are of scans after `after`."""
        if since_ms >= until_ms:
            return
        for first, last, shift, _ in spans_of(self._scans, self._every, since_ms, until_ms):
            for piece in self._scans.pieces(probes, max(first, after + 1), last, raw=False):
                into.take(piece.probe, piece.utc_ms, piece.column, shift_ms=shift)

    def _cells(
        self, probes: Collection[str], first_hour: int, last_hour: int, level: Level
    ) -> tuple[int, dict[str, Cells]] | None:
        """What was added up from `first_hour` to `last_hour`, hours since 1970 UTC, both included.

        Returns
        -------
        tuple or None
            The last scan that is added up, and each probe's cells by the count of `level`. None if
            there is nothing, or nothing that still holds.
        """
        try:
            with look_into(self._path) as db:
                position = position_of(db, self._made_from, self._scans, self._every)
                if position is None:
                    return None
                return position, _read(db, probes, first_hour, last_hour, level)
        except (sqlite3.Error, StoreError):
            return None  # the record itself has it all


def snapped(width_ms: int) -> int:
    """How long intervals are that were to be `width_ms` long, where sums are read.

    So many hours as divide a day, so that what comes and goes with it lies alike in each; or days.
    """
    hours = -(-width_ms // HOUR_MS)
    if hours > _EVEN_HOURS[-1]:
        return -(-hours // DAYS.hours) * DAYS.hours * HOUR_MS
    return next(even for even in _EVEN_HOURS if even >= hours) * HOUR_MS


def _level(width_ms: int) -> Level:
    """The coarsest that serves intervals of a snapped width."""
    hours = width_ms // HOUR_MS
    return next(level for level in reversed(LEVELS) if hours >= level.since_hours)


def made_from(record: sqlite3.Connection, scans: Scans) -> str:
    """What tells the values of a record, as they are shown now, from any others."""
    key = "" if scans.derived is None else scans.derived.key
    return f"{identity(record)} {key} {_LAYOUT}"


def position_of(
    db: sqlite3.Connection, made_from: str, scans: Scans, every: Sequence[Span]
) -> int | None:
    """The last scan added up; None if what is there is not of this record as it is now."""
    row = db.execute("SELECT record, scan, scan_utc_ms, shifts FROM made_from").fetchone()
    if row is None:
        return None
    record, position, utc_ms, shifts = row
    if record != made_from or position > scans.top or shifts != shifts_of(every, position):
        return None
    if position >= scans.bottom and scans.utc_ms(position) != utc_ms:
        return None
    return int(position)


def shifts_of(every: Sequence[Span], position: int) -> str:
    """How the times of scans up to `position` were placed."""
    return json.dumps([[s.first, s.shift_ms] for s in every if s.first <= position and s.shift_ms])


def numbers_of(db: sqlite3.Connection, probes: Collection[str]) -> dict[str, int]:
    """The numbers of those of `probes` that have one."""
    known = dict(db.execute("SELECT name, id FROM probe").fetchall())
    return {probe: known[probe] for probe in probes if probe in known}


def _read(
    db: sqlite3.Connection, probes: Collection[str], first: int, last: int, level: Level
) -> dict[str, Cells]:
    """Each probe's cells from hour `first` to hour `last`, by the count of `level`."""
    size = level.hours
    numbers = numbers_of(db, probes)
    # Hours at the ends that are no whole cell of that level.
    low, high = -(-first // size) * size, (last + 1) // size * size
    if low > high:
        low = high = last + 1
    found: dict[int, Cells] = {}
    for number in numbers.values():
        cells = found[number] = Cells()
        cells.extend(_paged(db, HOURS, number, first, low - 1).counted(size))
        cells.extend(_paged(db, level, number, low // size, high // size - 1))
        cells.extend(_paged(db, HOURS, number, high, last).counted(size))
    rows: dict[int, list[tuple[float, ...]]] = {number: [] for number in found}
    places: dict[bytes, list[tuple[int, int]]] = {}
    for hour, data in db.execute(
        "SELECT hour, cells FROM fresh WHERE hour BETWEEN ? AND ? ORDER BY hour", (first, last)
    ):
        row = Row(data)
        at = places.get(row.numbers)
        if at is None:
            here = {number: place for place, number in enumerate(row.probes())}
            at = [(number, here[number]) for number in found if number in here]
            places[row.numbers] = at
        for number, place in at:
            rows[number].append((hour // size, *row.at(place)))
    for number, some in rows.items():
        found[number].append_all(some)
    return {probe: found[number].in_order() for probe, number in numbers.items()}


def _paged(db: sqlite3.Connection, level: Level, probe: int, first: int, last: int) -> Cells:
    """A probe's cells of a level from `first` to `last` by its count."""
    if first > last:
        return Cells()
    pages = db.execute(
        f"SELECT cells FROM {level.table} WHERE probe = ? AND page BETWEEN ? AND ?"  # noqa: S608
        " ORDER BY page",
        (probe, first // level.page, last // level.page),
    )
    return unpack_cells(data for (data,) in pages).cut(first, last)
