"""The chore that keeps the water's books, behind the measuring."""

import json
import zlib
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from operator import attrgetter
from pathlib import Path
from typing import Any

from longsoak.core.water.book import WaterBook, book_of
from longsoak.core.water.rounds import conductivities
from longsoak.core.water.timeline import Timeline
from longsoak.store.known import Kept
from longsoak.store.logbook import Logbook
from longsoak.store.packing import columns, seats
from longsoak.store.scans import Scans
from longsoak.store.stretches import UNSURE, Stretch, all_stretches
from longsoak.store.water import KeptWater, WaterMemory, WaterRecord
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.logbook import WATER
from longsoak.vocabulary.rig import Rig
from longsoak.vocabulary.water import Found, WaterHour, WaterNews

LOOKS_EVERY = 60.0  # s: a burst is told within the hour
_BITE = 256  # scans
_SAVES_EVERY = 3600.0  # s, where there is nothing to tell: what came since is gone over again
_SAVES_AFTER = 8192  # scans
_NO_EVENT = (Found.WETTING,)  # the pump may be on a timer


class WaterKeeping(WaterRecord):
    """Takes in each scan as it is committed, and keeps what is found by it.

    It does not wait for a clock: a leak is told on a machine whose clock was never set. Where
    things belong in time is worked out by readers, as for alarms.

    Parameters
    ----------
    folder : Path
        The record's.
    writer : RecordWriter
        The record, open for writing.
    rig : Rig
        With a reservoir.
    """

    name = "the water's books"

    def __init__(self, folder: Path, writer: RecordWriter, rig: Rig) -> None:
        super().__init__(folder)
        self._writer = writer
        self._rig = rig
        self._kept = Kept()
        self._book: WaterBook | None = None
        self._timeline = Timeline()
        self._number = 0  # of the book
        self._taken_to = self._saved_to = 0
        self._saved_at = 0.0  # monotonic, s
        self._logbook = Logbook(folder)
        self._entries = 0  # of the logbook, that were read for rounds
        self._news: list[WaterNews] = []
        self._hours: list[WaterHour] = []

    def begin_again(self) -> "WaterKeeping":
        """Go by the record alone, which may be another one; itself, for the list of chores."""
        self._book = None
        return self

    def alarms(self) -> dict[Watch, str | None]:
        """What the balance finds wrong, by the alarm that says so; empty while it is not known."""
        if self._book is None:
            return {}
        found = self._book.alarms()
        leak, siphon = found[Found.LEAK], found[Found.SIPHON]
        return {
            Watch.LEAK: leak or siphon,
            Watch.SALTS: found[Found.SALTS],
            Watch.LEVEL_DOUBT: found[Found.STUCK] or found[Found.RISES] or found[Found.JUMPS],
            Watch.PUMP_STILL: found[Found.PUMP_STILL],
        }

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        """Take in one bite. See `longsoak.service.chores.Chore`."""
        if self._book is None:
            self._take_up(now)
            return 0.0, ()
        try:
            more = self._take(self._book)
            if not more:
                self._read_rounds(self._book)
            told = [news for news in self._news if news.found not in _NO_EVENT]
            self._save(self._book, now=now)
        except Exception:
            self._book = None  # it is ahead of the record
            raise
        if not more:
            self._kept.let_go()
        events = [Event(utc_ms, "water", news.found.value, news.says) for news in told]
        return (0.0 if more else LOOKS_EVERY), events

    def _take_up(self, now: float) -> None:
        self._kept, self._timeline = Kept(), Timeline()
        self._news, self._hours = [], []
        left = self.memory() or WaterMemory(0, 0, b"")
        memory = _read(left.memory)
        book = book_of(self._rig, memory.get("book"))
        self._number, self._entries = left.book, memory.get("entries", 0)
        if book.hours or book.at is not None:
            self._timeline.go_on(memory["timeline"])
        else:
            self._number += 1
        self._taken_to = self._saved_to = left.scan
        self._saved_at = now
        self._book = book

    def _take(self, book: WaterBook) -> bool:
        """Take in some scans; whether there may be more."""
        with self._open() as db:
            scans = Scans(db, self._kept)
            first = max(self._taken_to + 1, scans.bottom)
            last = min(first + _BITE - 1, scans.top)
            if first > last:
                return False
            every = all_stretches(db)
            watched = {
                number: seats(book.wants, layout.probes)
                for number, layout in scans.layouts.items()
                if book.wants & set(layout.probes)
            }
            try:
                for row in scans.rows(first, last):
                    if row.layout not in watched:
                        continue
                    at = watched[row.layout]
                    stretch = _stretch_of(row.id, every)
                    time, known = self._timeline.take(
                        boot=stretch.boot,
                        run=stretch.run,
                        utc_ms=row.utc_ms,
                        boottime_ms=row.boottime_ms,
                        placed_ms=_placed(row.utc_ms, stretch),
                    )
                    found = columns([row.readings], at)
                    values = [column.values[0] for column in found]
                    flags = [column.flags[0] for column in found]
                    for news in book.take(time, at.probes, values, flags, known=known):
                        if isinstance(news, WaterHour):
                            self._hours.append(news)
                        else:
                            self._news.append(news)
            except (zlib.error, ValueError, LookupError, TypeError) as error:
                raise StoreError(
                    f"the water's books could not be kept: the record is not as it was ({error})"
                ) from error
            self._taken_to = last
            return last < scans.top

    def _read_rounds(self, book: WaterBook) -> None:
        """What people measured of the water since."""
        last = self._logbook.last()
        if last == self._entries or book.at is None:
            return
        rounds = self._logbook.entries(kind=WATER)
        for _, found in conductivities(e for e in rounds if e.number > self._entries):
            self._news += book.water_round(book.at, found)
        self._entries = last

    def _save(self, book: WaterBook, *, now: float) -> None:
        late = now - self._saved_at >= _SAVES_EVERY and self._taken_to > self._saved_to
        many = self._taken_to - self._saved_to >= _SAVES_AFTER
        if not (self._news or self._hours or late or many):
            return
        moment = self._timeline.moment
        memory: dict[str, Any] = {"book": book.memory(), "timeline": self._timeline.memory()}
        memory["entries"] = self._entries
        packed = zlib.compress(json.dumps(memory).encode())
        kept = KeptWater(
            WaterMemory(self._taken_to, self._number, packed),
            [(hour, moment(hour.at)) for hour in self._hours],
            [
                (news, moment(news.begin), None if news.end is None else moment(news.end))
                for news in self._news
            ],
        )
        self._writer.keep_water(kept)
        self._news, self._hours = [], []
        self._saved_to, self._saved_at = self._taken_to, now


def _read(packed: bytes) -> Mapping[str, Any]:
    """What was remembered; nothing if this version can't read it."""
    try:
        found = json.loads(zlib.decompress(packed))
    except (ValueError, zlib.error):
        return {}
    return found if isinstance(found, dict) else {}


def _stretch_of(scan: int, every: Sequence[Stretch]) -> Stretch:
    return every[max(0, bisect_right(every, scan, key=attrgetter("first_scan")) - 1)]


def _placed(utc_ms: int, stretch: Stretch) -> int | None:
    return None if stretch.known == UNSURE else utc_ms + stretch.shift_ms
