"""Reading what was added up beforehand, and what was not yet, as one."""

import json
import sqlite3
from collections.abc import Collection, Sequence
from pathlib import Path

from longsoak.store.buckets import Bucket, Reduction
from longsoak.store.cells import Cells, Row, unpack_cells
from longsoak.store.files import look_into
from longsoak.store.recordfile import identity
from longsoak.store.scans import Scans
from longsoak.store.timeline import Span, spans_of
from longsoak.vocabulary.errors import StoreError

SUMMARIES = "summaries.db"
HOUR_MS = 3_600_000
DAY_HOURS = 24
PAGE_HOURS = 120  # in one row: five days
PAGE_DAYS = 160
_EVEN_HOURS = (1, 2, 3, 4, 6, 8, 12, 24, 48)
_DAYS_FROM = 2 * DAY_HOURS * HOUR_MS  # an interval from which on whole days are read


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
        unit = _unit(width_ms)
        hours = unit // HOUR_MS
        width = snapped(width_ms) // unit
        base, first, end = since_ms // unit, -(-since_ms // unit), until_ms // unit
        found = self._cells(
            probes, first_hour=first * hours, last_hour=end * hours - 1, days=hours > 1
        )
        if found is None:
            return None
        position, cells = found
        # The ends that are no whole hours, and what is not added up yet.
        apart = Reduction(since_ms=base * unit, width_ms=width * unit)
        inner = max(end, first) * unit
        self._take(apart, probes, since_ms, min(first * unit, until_ms), after=0)
        self._take(apart, probes, first * unit, inner, after=position)
        self._take(apart, probes, max(inner, since_ms), until_ms, after=0)
        return {
            probe: cells.get(probe, Cells()).buckets(
                base,
                width,
                base_ms=base * unit,
                width_ms=width * unit,
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
        self, probes: Collection[str], *, first_hour: int, last_hour: int, days: bool
    ) -> tuple[int, dict[str, Cells]] | None:
        """What was added up from `first_hour` to `last_hour`, hours since 1970 UTC, both included.

        Returns
        -------
        tuple or None
            The last scan that is added up, and each probe's cells: hours, or with `days` whole
            days, in which case the hours asked for must be those of whole days. None if there is
            nothing, or nothing that still holds.
        """
        try:
            with look_into(self._path) as db:
                position = position_of(db, self._made_from, self._scans, self._every)
                if position is None:
                    return None
                return position, _read(db, probes, first_hour, last_hour, days=days)
        except (sqlite3.Error, StoreError):
            return None  # the record itself has it all


def snapped(width_ms: int) -> int:
    """How long intervals are that were to be `width_ms` long, where sums are read.

    So many hours as divide a day, so that what comes and goes with it lies alike in each; or days.
    """
    unit = _unit(width_ms)
    count = -(-width_ms // unit)
    if unit == HOUR_MS:
        count = next(hours for hours in _EVEN_HOURS if hours >= count)
    return count * unit


def _unit(width_ms: int) -> int:
    return HOUR_MS * (DAY_HOURS if width_ms >= _DAYS_FROM else 1)


def made_from(record: sqlite3.Connection, scans: Scans) -> str:
    """What tells the values of a record, as they are shown now, from any others."""
    key = "" if scans.derived is None else scans.derived.key
    return f"{identity(record)} {key}"


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
    db: sqlite3.Connection, probes: Collection[str], first: int, last: int, *, days: bool
) -> dict[str, Cells]:
    """Each probe's cells from hour `first` to hour `last`."""
    table, hours, size = ("days", DAY_HOURS, PAGE_DAYS) if days else ("hours", 1, PAGE_HOURS)
    numbers = numbers_of(db, probes)
    found: dict[int, Cells] = {}
    for number in numbers.values():
        pages = db.execute(
            f"SELECT cells FROM {table} WHERE probe = ? AND page BETWEEN ? AND ?"  # noqa: S608
            " ORDER BY page",
            (number, first // hours // size, last // hours // size),
        )
        whole = unpack_cells(data for (data,) in pages)
        found[number] = whole.cut(first // hours, last // hours)
    places: dict[bytes, list[tuple[int, int]]] = {}
    rows: dict[int, list[tuple[float, ...]]] = {number: [] for number in found}
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
            rows[number].append((hour // hours, *row.at(place)))
    for number, some in rows.items():
        found[number].append_all(some)
    return {probe: found[number].in_order() for probe, number in numbers.items()}
