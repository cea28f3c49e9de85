"""The logbook's rows in the record: how they are appended, and how they are read."""

import json
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import replace
from itertools import islice
from pathlib import Path

from longsoak.core.handflags import hand_flags
from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.water.entries import as_flags
from longsoak.store.known import Kept
from longsoak.store.moments import Moments
from longsoak.store.proofrequests import as_content
from longsoak.store.recordfile import RecordFile
from longsoak.store.scans import Scans
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.logbook import FLAG, SERVICE, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json

_AT_ONCE_MS = 60_000  # kept so soon after it was asked, it was asked under the same clock
_SELECT = (
    "SELECT id, request, run, rig_version, asked_utc_ms, kept_utc_ms, kept_boottime_ms,"
    " synchronised, at_utc_ms, kind, about, subject, by, says, corrects, photos, schema, content"
    " FROM logbook"
)
_INSERT = (
    "INSERT INTO logbook (id, request, run, rig_version, asked_utc_ms, kept_utc_ms,"
    " kept_boottime_ms, synchronised, at_utc_ms, kind, about, subject, by, says, corrects, photos,"
    " schema, content) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (request) DO NOTHING"
)


class Logbook(RecordFile):
    """The logbook of the record in `folder`; see `longsoak.store.recordfile.RecordFile`."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)

    def entries(
        self,
        *,
        since_ms: int | None = None,
        until_ms: int | None = None,
        upto: int | None = None,
        kind: str | None = None,
        subject: Subject | None = None,
        limit: int | None = None,
    ) -> list[LogbookEntry]:
        """Entries by their number, the newest first.

        Parameters
        ----------
        since_ms : int, optional
            Only those that speak of this time or a later one, UTC ms.
        until_ms : int, optional
            Only those that speak of an earlier time, UTC ms.
        upto : int, optional
            Only those with this number or a smaller one.
        kind : str, optional
            Only those of this kind.
        subject : Subject, optional
            Only those about this.
        limit : int, optional
            At most so many.
        """
        with self._open() as db:
            rows = db.execute(
                f"{_SELECT} WHERE (?1 IS NULL OR at_utc_ms >= ?1 OR NOT synchronised)"
                " AND (?2 IS NULL OR id <= ?2) AND (?3 IS NULL OR kind = ?3)"
                " AND (?4 IS NULL OR (about = ?4 AND subject = ?5)) ORDER BY id DESC",
                (
                    *(since_ms, upto, kind),
                    *((None, None) if subject is None else (subject.about.value, subject.name)),
                ),
            )
            corrected = _corrected(db)
            moments = Moments(db, lambda: Scans(db, Kept()))
            found = (_set_right(_entry(row, corrected), moments) for row in rows)
            wanted = (
                entry
                for entry in found
                if (since_ms is None or speaks_of_ms(entry) >= since_ms)
                and (until_ms is None or speaks_of_ms(entry) < until_ms)
            )
            return list(islice(wanted, limit))

    def entry(self, number: int) -> LogbookEntry | None:
        """The entry of that number, if there is one."""
        found = self.entries(upto=number, limit=1)
        return found[0] if found and found[0].number == number else None

    def of_request(self, uuid: str) -> LogbookEntry | None:
        """The entry that a request became; None where it is not kept, or not yet."""
        with self._open() as db:
            row = db.execute("SELECT id FROM logbook WHERE request = ?", (uuid,)).fetchone()
        return None if row is None else self.entry(int(row[0]))

    def flags(self) -> list[HandFlag]:
        """The flags set by hand that count, the newest first, and what service windows lay over."""
        found = hand_flags(self.entries(kind=FLAG)) + as_flags(self.entries(kind=SERVICE))
        return sorted(found, key=lambda flag: -flag.number)

    def own_flags(self) -> list[HandFlag]:
        """Only those somebody set as flags."""
        return hand_flags(self.entries(kind=FLAG))

    def last(self) -> int:
        """The number of the newest entry; 0 if there is none."""
        with self._open() as db:
            (last,) = db.execute("SELECT ifnull(max(id), 0) FROM logbook").fetchone()
        return int(last)

    def record_began_ms(self) -> int | None:
        """When the record's first rig file was accepted, UTC ms; None before that."""
        with self._open() as db:
            (began,) = db.execute("SELECT min(accepted_utc_ms) FROM rig_version").fetchone()
        return None if began is None else int(began)


def canonical(content: Mapping[str, Json]) -> str:
    """Content as the one text the record holds of it, so that its digest can be told.

    Keys in the order of their code points, no space between, characters as they are.

    Raises
    ------
    ValueError
        A number in it is not finite.
    """
    return json.dumps(
        content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )


def add_entries(
    db: sqlite3.Connection,
    entries: Iterable[LogbookEntry],
    *,
    run: int | None,
    rig_version: int | None,
) -> None:
    """Append entries, inside the writer's transaction. One whose request is there is left out."""
    db.executemany(
        _INSERT,
        [
            (
                *(e.number, e.request, run, rig_version),
                *(e.asked_utc_ms, e.kept_utc_ms, e.kept_boottime_ms, e.synchronised),
                *(e.at_utc_ms, e.kind, e.subject.about, e.subject.name, e.by, e.says),
                *(e.corrects, json.dumps(e.photos), e.schema, canonical(e.content)),
            )
            for e in entries
        ],
    )


def _corrected(db: sqlite3.Connection) -> Mapping[int, tuple[int, ...]]:
    """The corrections of each entry that has any; they are few."""
    found: dict[int, tuple[int, ...]] = {}
    for number, corrects in db.execute(
        "SELECT id, corrects FROM logbook WHERE corrects IS NOT NULL ORDER BY id"
    ):
        found[corrects] = (*found.get(corrects, ()), number)
    return found


def _set_right(entry: LogbookEntry, moments: Moments) -> LogbookEntry:
    """The same with what its clock was off, where the readings of its boot were placed.

    Of one that waited to be kept nobody knows under which clock it was asked.
    """
    waited = abs(entry.kept_utc_ms - entry.asked_utc_ms) >= _AT_ONCE_MS
    if entry.synchronised or waited:
        return entry
    kept_ms, unsure = moments.of(entry.run, entry.kept_utc_ms, entry.kept_boottime_ms)
    return entry if unsure else replace(entry, clock_off_ms=kept_ms - entry.kept_utc_ms)


_Ids = tuple[int, str, int, int]
_Times = tuple[int, int, int, int, int]
_Words = tuple[str, str, str, str, str]
_More = tuple[int | None, str, int, str]


def _entry(
    row: tuple[*_Ids, *_Times, *_Words, *_More], corrected: Mapping[int, tuple[int, ...]]
) -> LogbookEntry:
    number, request, run, rig_version = row[:4]
    asked, kept, boottime, synchronised, at = row[4:9]
    kind, about, subject, by, says = row[9:14]
    corrects, photos, schema, content = row[14:]
    return LogbookEntry(
        asked_utc_ms=asked,
        at_utc_ms=at,
        by=by,
        says=says,
        kind=kind,
        subject=Subject(About(about), subject),
        corrects=corrects,
        photos=tuple(json.loads(photos)),
        schema=schema,
        content=as_content(content),
        number=number,
        request=request,
        kept_utc_ms=kept,
        kept_boottime_ms=boottime,
        synchronised=bool(synchronised),
        run=run,
        rig_version=rig_version,
        corrected_by=corrected.get(number, ()),
    )
