"""Read-only access to the record, for pages, commands and forwarders.

Every call opens the file, reads, and closes it again: a snapshot held open would keep the
write-ahead log from being folded in. Safe to call from any thread.
"""

import json
import math
import sqlite3
from bisect import bisect_left
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from longsoak.store.files import RECORD, connect_read_only
from longsoak.store.packing import unpack, unpack_one
from longsoak.vocabulary.alarm import AlarmState, StoredChange
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag
from longsoak.vocabulary.happening import Event, RunGap
from longsoak.vocabulary.reading import Reading

LATEST_LOOKS_BACK = 20_000  # scans; a probe silent for longer than that has no latest reading
_CHUNK = 256


@dataclass(frozen=True, slots=True)
class RigVersion:
    """One accepted version of the rig file."""

    number: int
    accepted_utc_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class StoredScan:
    """One row of the record, decoded."""

    id: int
    bus: str
    utc_ms: int
    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True)
class Bucket:
    """One probe's readings within one interval of time, reduced.

    `low`, `high`, `mean` and `uncertainty` (the largest) are over converted values not flagged
    fail, None if there are none. `wetter` and `drier` count those that lie beyond their curve: with
    any of them `high` means "at least", or `low` "at most", and there is no mean, for a bound is
    no number to average. `count` counts all readings; `worst` is their worst flag.
    """

    utc_ms: int
    low: float | None
    high: float | None
    mean: float | None
    uncertainty: float | None
    count: int
    worst: Flag
    wetter: int = 0
    drier: int = 0


class Record:
    """The record in `folder`.

    Raises
    ------
    StoreError
        From any method: there is no record there, or it can't be read.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def rig_version(self) -> RigVersion | None:
        """The version of the rig file last recorded under, if any."""
        with self._open() as db:
            row = (
                db.execute(
                    "SELECT id, accepted_utc_ms, text FROM rig_version WHERE id ="
                    " (SELECT rig_version FROM layout WHERE id ="
                    " (SELECT layout FROM scan ORDER BY id DESC LIMIT 1))"
                ).fetchone()
                or db.execute(
                    "SELECT id, accepted_utc_ms, text FROM rig_version ORDER BY id DESC LIMIT 1"
                ).fetchone()
            )
        return RigVersion(*row) if row else None

    def first_utc_ms(self) -> int | None:
        """When the first scan was taken."""
        with self._open() as db:
            row = db.execute("SELECT utc_ms FROM scan ORDER BY id LIMIT 1").fetchone()
        return None if row is None else int(row[0])

    def last_utc_ms(self) -> int | None:
        """When the last scan was taken."""
        with self._open() as db:
            row = db.execute("SELECT utc_ms FROM scan ORDER BY id DESC LIMIT 1").fetchone()
        return None if row is None else int(row[0])

    def version(self) -> tuple[int, int]:
        """A pair that grows whenever a scan or an alarm change is committed."""
        with self._open() as db:
            (scan,) = db.execute("SELECT ifnull(max(id), 0) FROM scan").fetchone()
            (change,) = db.execute("SELECT ifnull(max(id), 0) FROM alarm_change").fetchone()
        return int(scan), int(change)

    def latest(self, probes: tuple[str, ...]) -> dict[str, Reading]:
        """The latest reading of each probe; a probe without one is left out.

        Looks back over at most `LATEST_LOOKS_BACK` scans.
        """
        found: dict[str, Reading] = {}
        wanted = set(probes)
        with self._open() as db:
            layouts = _layouts(db)
            (top,) = db.execute("SELECT ifnull(max(id), 0) FROM scan").fetchone()
            below = top + 1
            while len(found) < len(wanted) and below > max(0, top - LATEST_LOOKS_BACK):
                rows = db.execute(
                    "SELECT id, layout, utc_ms, readings FROM scan WHERE id < ?"
                    " ORDER BY id DESC LIMIT ?",
                    (below, _CHUNK),
                ).fetchall()
                if not rows:
                    break
                for scan_id, layout, utc_ms, readings in rows:
                    _, names, units = layouts[layout]
                    for place, probe in enumerate(names):
                        if probe in wanted and probe not in found:
                            found[probe] = unpack_one(
                                readings, place, probe=probe, utc_ms=utc_ms, unit=units[place]
                            )
                    below = scan_id
        return found

    def series(self, probe: str, *, since_ms: int, until_ms: int) -> list[Reading]:
        """One probe's readings with ``since_ms <= utc_ms < until_ms``, in the order taken."""
        with self._open() as db:
            return list(_series(db, probe, since_ms, until_ms))

    def reduced(self, probe: str, *, since_ms: int, until_ms: int, buckets: int) -> list[Bucket]:
        """One probe's readings of a time range, reduced to at most `buckets` equal intervals.

        Intervals without a reading are left out, so that nothing is drawn across them.
        """
        width = max(1, -(-(until_ms - since_ms) // buckets))
        groups: dict[int, list[Reading]] = {}
        with self._open() as db:
            for reading in _series(db, probe, since_ms, until_ms):
                groups.setdefault((reading.utc_ms - since_ms) // width, []).append(reading)
        return [_reduce(groups[i], utc_ms=since_ms + i * width) for i in sorted(groups)]

    def scans_after(self, position: int, *, limit: int) -> list[StoredScan]:
        """Scans with an id above `position`, oldest first: what a forwarder's cursor walks over."""
        with self._open() as db:
            layouts = _layouts(db)
            rows = db.execute(
                "SELECT id, layout, utc_ms, readings FROM scan WHERE id > ? ORDER BY id LIMIT ?",
                (position, limit),
            ).fetchall()
        scans = []
        for scan_id, layout, utc_ms, readings in rows:
            bus, probes, units = layouts[layout]
            decoded = unpack(readings, probes=probes, units=units, utc_ms=utc_ms)
            scans.append(StoredScan(scan_id, bus, utc_ms, decoded))
        return scans

    def scan_before(self, position: int, *, seconds: float) -> int:
        """The id to rewind a cursor to so that the last `seconds` before it are sent again.

        Counted on CLOCK_BOOTTIME back from scan `position`; a reboot ends the walk.
        """
        with self._open() as db:
            row = db.execute("SELECT boottime_ms FROM scan WHERE id = ?", (position,)).fetchone()
            if row is None:
                return max(0, position)
            row = db.execute(
                "SELECT id FROM scan WHERE id < ? AND (boottime_ms < ? OR boottime_ms > ?)"
                " ORDER BY id DESC LIMIT 1",
                (position, row[0] - round(seconds * 1000), row[0]),
            ).fetchone()
        return 0 if row is None else int(row[0])

    def cursor(self, name: str) -> int:
        """Where the cursor `name` was saved last; 0 if never."""
        with self._open() as db:
            row = db.execute("SELECT position FROM cursor WHERE name = ?", (name,)).fetchone()
        return 0 if row is None else int(row[0])

    def has_cursor(self, name: str) -> bool:
        """Whether the cursor `name` was ever saved, be it at 0."""
        with self._open() as db:
            row = db.execute("SELECT 1 FROM cursor WHERE name = ?", (name,)).fetchone()
        return row is not None

    def alarms(self) -> dict[str, StoredChange]:
        """The last change of each alarm that ever changed, by key."""
        with self._open() as db:
            rows = db.execute(
                f"{_CHANGES} WHERE id IN (SELECT max(id) FROM alarm_change GROUP BY key)"
            ).fetchall()
        return {change.key: change for change in map(_change, rows)}

    def alarm_changes_after(self, position: int, *, limit: int) -> list[StoredChange]:
        """Alarm changes with an id above `position`, oldest first."""
        with self._open() as db:
            rows = db.execute(
                f"{_CHANGES} WHERE id > ? ORDER BY id LIMIT ?", (position, limit)
            ).fetchall()
        return [_change(row) for row in rows]

    def alarm_changes_since(self, utc_ms: int) -> list[StoredChange]:
        """Alarm changes from `utc_ms` on, oldest first."""
        with self._open() as db:
            rows = db.execute(f"{_CHANGES} WHERE utc_ms >= ? ORDER BY id", (utc_ms,)).fetchall()
        return [_change(row) for row in rows]

    def events(self, *, limit: int) -> list[Event]:
        """The latest events, newest first."""
        with self._open() as db:
            rows = db.execute(
                "SELECT utc_ms, kind, subject, says FROM event ORDER BY id DESC LIMIT ?", (limit,)
            ).fetchall()
        return [Event(*row) for row in rows]

    def gaps(self) -> list[RunGap]:
        """Times without readings between runs, oldest first."""
        with self._open() as db:
            rows = db.execute(
                "SELECT from_utc_ms, to_utc_ms, clean, length_ms FROM gap ORDER BY id"
            ).fetchall()
        return [RunGap(start, end, bool(clean), length) for start, end, clean, length in rows]

    def outcome(self, request_uuid: str) -> str | None:
        """What became of a request; None while it is not handled."""
        with self._open() as db:
            row = db.execute(
                "SELECT outcome FROM request WHERE uuid = ?", (request_uuid,)
            ).fetchone()
        return None if row is None else str(row[0])

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        path = self.folder / RECORD
        try:
            with closing(connect_read_only(path)) as db:
                yield db
        except sqlite3.Error as error:
            if not path.exists():
                raise StoreError(
                    f"there is no record at {path}. Start `longsoak run` with this rig file."
                ) from error
            raise StoreError(f"the record {path} can't be read: {error}") from error


_CHANGES = "SELECT id, key, utc_ms, boottime_ms, old, new, value, says, by FROM alarm_change"

Layouts = dict[int, tuple[str, tuple[str, ...], tuple[str, ...]]]


def _change(
    row: tuple[int, str, int, int, str, str, float | None, str, str | None],
) -> StoredChange:
    number, key, utc_ms, boottime_ms, old, new, value, says, by = row
    return StoredChange(
        key, utc_ms, boottime_ms, AlarmState(old), AlarmState(new), value, says, by, number
    )


def _layouts(db: sqlite3.Connection) -> Layouts:
    rows = db.execute("SELECT id, bus, probes, units FROM layout").fetchall()
    return {
        number: (bus, tuple(json.loads(probes)), tuple(json.loads(units)))
        for number, bus, probes, units in rows
    }


def _series(db: sqlite3.Connection, probe: str, since_ms: int, until_ms: int) -> Iterator[Reading]:
    places = {
        number: (probes.index(probe), units[probes.index(probe)])
        for number, (_, probes, units) in _layouts(db).items()
        if probe in probes
    }
    wanted = ",".join(map(str, places))
    for first, last in _spans(db, since_ms, until_ms):
        for layout, utc_ms, readings in db.execute(
            "SELECT layout, utc_ms, readings FROM scan WHERE id BETWEEN ? AND ?"
            f" AND layout IN ({wanted}) ORDER BY id",
            (first, last),
        ):
            place, unit = places[layout]
            yield unpack_one(readings, place, probe=probe, utc_ms=utc_ms, unit=unit)


def _spans(db: sqlite3.Connection, since_ms: int, until_ms: int) -> Iterator[tuple[int, int]]:
    """First and last scan id of the time range, for each stretch that touches it."""
    starts = [first for (first,) in db.execute("SELECT first_scan FROM stretch ORDER BY id")]
    (top,) = db.execute("SELECT ifnull(max(id), 0) FROM scan").fetchone()

    def utc_of(scan_id: int) -> int:
        (utc_ms,) = db.execute("SELECT utc_ms FROM scan WHERE id = ?", (scan_id,)).fetchone()
        return int(utc_ms)

    for first, following in pairwise([*starts, top + 1]):
        if first >= following:
            continue
        span = range(first, following)
        low = bisect_left(span, since_ms, key=utc_of)
        high = bisect_left(span, until_ms, lo=low, key=utc_of)
        if low < high:
            yield span[low], span[high - 1]


def _reduce(readings: list[Reading], *, utc_ms: int) -> Bucket:
    good = [r for r in readings if r.value is not None and r.flag is not Flag.FAIL]
    values = [r.value for r in good if r.value is not None]
    wetter = sum(r.reason in AT_LEAST for r in good)
    drier = sum(r.reason in AT_MOST for r in good)
    bounded = not values or wetter or drier
    return Bucket(
        utc_ms=utc_ms,
        low=min(values, default=None),
        high=max(values, default=None),
        mean=None if bounded else math.fsum(values) / len(values),
        uncertainty=max((r.uncertainty for r in good if r.uncertainty is not None), default=None),
        count=len(readings),
        worst=max((r.flag for r in readings), key=_WORSE.__getitem__),
        wetter=wetter,
        drier=drier,
    )


# From best to worst; a missing reading among good ones is no worse than a suspect one.
_WORSE = {flag: i for i, flag in enumerate((1, 2, 9, 3, 4))}
