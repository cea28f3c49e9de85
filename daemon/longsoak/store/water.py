"""What was found out about the water, as the record keeps it, and placed in time for readers."""

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from math import isnan, nan
from typing import NamedTuple

from longsoak.core.water.contact import DAY_MS, TREND_DAYS, asides
from longsoak.core.water.entries import poured_by_hand
from longsoak.core.water.reconcile import ByLevel, TopUp, reconciled
from longsoak.core.water.timeline import At
from longsoak.core.water.wetting import STATE_OF
from longsoak.store.known import Kept
from longsoak.store.logbook import Logbook
from longsoak.store.moments import MOVED, Moments
from longsoak.store.recordfile import RecordFile
from longsoak.store.scans import Scans
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.logbook import TOP_UP
from longsoak.vocabulary.rig import Rig
from longsoak.vocabulary.water import (
    Aside,
    ContactWindow,
    Found,
    WaterHour,
    WaterNews,
    Wetting,
)

HOUR_MS = 3_600_000
_HOURS = (
    "SELECT book, run, utc_ms, boottime_ms, stretch, hours, level, litres, litres_u, surface, pan,"
    " mass, lack, running FROM water_hour"
)
_NEWS = (
    "SELECT id, book, found, subject, begin_s, run, utc_ms, boottime_ms, end_run, end_utc_ms,"
    " end_boottime_ms, says, figures FROM water_news"
)
# The newest of what was told again.
_COUNTS = "id IN (SELECT max(id) FROM water_news GROUP BY book, found, subject, begin_s)"


class WaterMemory(NamedTuple):
    """What the book goes on from behind scan `scan`; `book` counts those that were begun anew."""

    scan: int
    book: int
    memory: bytes


@dataclass(slots=True)
class KeptWater:
    """What belongs into one commit: what some scans told, each with its moments, and how far."""

    memory: WaterMemory
    hours: list[tuple[WaterHour, At]] = field(default_factory=list)
    news: list[tuple[WaterNews, At, At | None]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that happened to the water, placed in time: UTC ms, `until_ms` None while it lasts.

    `number` is that of its row, which a later telling of the same changes. `unsure` is of times of
    a boot whose clock was never known.
    """

    number: int
    found: Found
    subject: str
    from_ms: int
    until_ms: int | None
    unsure: bool
    says: str
    figures: Mapping[str, float]


class WaterRecord(RecordFile):
    """What was found out about the water of the record in `folder`; times are UTC, ms."""

    def memory(self) -> WaterMemory | None:
        """What the book goes on from; None where it begins."""
        with self._open() as db:
            row = db.execute("SELECT scan, book, memory FROM water_memory").fetchone()
        return None if row is None else WaterMemory(*row)

    def hours(self, *, since_ms: int, until_ms: int) -> list[WaterHour]:
        """Hours whose middle lies in ``since_ms <= utc < until_ms``; `at` is UTC, s since 1970.

        `stretch` tells stretches apart over all books.
        """
        with self._placed() as (db, moments):
            rows = db.execute(
                f"{_HOURS} WHERE utc_ms BETWEEN ? AND ? OR run IN ({MOVED}) ORDER BY id",
                (since_ms, until_ms),
            ).fetchall()
            found, stretches = [], dict[tuple[int, int], int]()
            for book, run, utc_ms, boottime_ms, stretch, *figures in rows:
                at = moments.of(run, utc_ms, boottime_ms).utc_ms
                if since_ms <= at < until_ms:
                    number = stretches.setdefault((book, stretch), len(stretches))
                    values = [nan if figure is None else figure for figure in figures]
                    found.append(WaterHour(at / 1000, number, *values))
        return found

    def happenings(
        self, *kinds: Found, since_ms: int = 0, until_ms: int | None = None
    ) -> list[Happening]:
        """What happened, of some kinds or of all, that reaches into a time; oldest first."""
        with self._placed() as (db, moments):
            wanted = kinds or tuple(Found)
            marks = ", ".join("?" * len(wanted))
            rows = db.execute(
                f"{_NEWS} WHERE {_COUNTS} AND found IN ({marks}) ORDER BY id", wanted
            ).fetchall()
            found = [_happening(row, moments) for row in rows]
        reaching = [
            each
            for each in found
            if (each.until_ms is None or each.until_ms >= since_ms)
            and (until_ms is None or each.from_ms < until_ms)
        ]
        return sorted(reaching, key=lambda each: (each.from_ms, each.number))

    def top_ups(self, logbook: Logbook, *, since_ms: int = 0) -> list[TopUp]:
        """Top-ups found by the level and written down by hand, put together; oldest first."""
        rises = [
            ByLevel(
                each.from_ms,
                each.from_ms if each.until_ms is None else each.until_ms,
                each.figures["litres"],
                each.figures["litres_u"],
            )
            for each in self.happenings(Found.TOP_UP, since_ms=since_ms)
        ]
        entries = logbook.entries(kind=TOP_UP, since_ms=since_ms)
        return reconciled(rises, poured_by_hand(entries))

    def windows(self) -> list[ContactWindow]:
        """Every time in which water touched the specimen, numbered in their order from 1."""
        return [
            ContactWindow(
                number, each.from_ms, each.until_ms, each.figures.get("highest_mm"), each.says
            )
            for number, each in enumerate(self.happenings(Found.CONTACT), start=1)
        ]

    def asides(self, rig: Rig, *, now_ms: int) -> list[Aside]:
        """What contacts set aside of a rig's probes; see `longsoak.core.water.contact.asides`."""
        windows = self.windows()
        if not windows:
            return []
        return asides(rig, windows, self._days(windows[0].from_ms), now_ms=now_ms)

    def _days(self, since_ms: int) -> dict[str, dict[int, float]]:
        """The daily means of each probe, from before the first contact on."""
        first = since_ms // DAY_MS - TREND_DAYS
        with self._open() as db:
            rows = db.execute(
                "SELECT probe, day, mean FROM health_day WHERE day >= ? AND mean IS NOT NULL",
                (first,),
            ).fetchall()
        found: dict[str, dict[int, float]] = {}
        for probe, day, mean in rows:
            found.setdefault(probe, {})[day] = mean
        return found

    def wetted(
        self, bays: Sequence[str], *, since_ms: int, until_ms: int
    ) -> dict[str, dict[Wetting, float]]:
        """Seconds in which water is known to have run down each bay, not to, and unknown."""
        changes = self.happenings(Found.WETTING, until_ms=until_ms)
        found = {}
        for bay in bays:
            counted = dict.fromkeys(Wetting, 0.0)
            state, at = Wetting.UNKNOWN, since_ms
            for change in changes:
                if change.subject != bay:
                    continue
                upto = min(max(change.from_ms, at), until_ms)
                counted[state] += (upto - at) / 1000
                state, at = STATE_OF[change.figures["state"]], upto
            counted[state] += (until_ms - at) / 1000
            found[bay] = counted
        return found

    @contextmanager
    def _placed(self) -> Iterator[tuple[sqlite3.Connection, Moments]]:
        with self._open() as db:
            yield db, Moments(db, lambda: Scans(db, Kept()))


def add_water(db: sqlite3.Connection, kept: KeptWater) -> None:
    """Append what was found, inside the writer's transaction, and write over what is remembered."""
    book = kept.memory.book
    db.executemany(
        "INSERT INTO water_hour (book, run, utc_ms, boottime_ms, stretch, hours, level, litres,"
        " litres_u, surface, pan, mass, lack, running)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [(book, *at, *hour[1:]) for hour, at in kept.hours],  # NaN becomes NULL
    )
    db.executemany(
        "INSERT INTO water_news (book, found, subject, begin_s, run, utc_ms, boottime_ms, end_run,"
        " end_utc_ms, end_boottime_ms, says, figures) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                *(book, news.found, news.subject, news.begin, *begin),
                *((None, None, None) if end is None else end),
                *(news.says, json.dumps(_finite(news.figures))),
            )
            for news, begin, end in kept.news
        ],
    )
    db.execute("INSERT OR REPLACE INTO water_memory VALUES (1, ?, ?, ?)", kept.memory)


def _finite(figures: Mapping[str, float]) -> dict[str, float]:
    return {name: value for name, value in figures.items() if not isnan(value)}


def _happening(row: Sequence[object], moments: Moments) -> Happening:
    number, _, found, subject, _, run, utc_ms, boottime_ms, end_run, end_utc, end_boot, *rest = row
    says, figures = rest
    try:
        begin = moments.of(_int(run), _int(utc_ms), _int(boottime_ms))
        end = None
        if end_utc is not None:
            end = moments.of(_int(end_run), _int(end_utc), _int(end_boot))
        return Happening(
            _int(number),
            Found(str(found)),
            str(subject),
            begin.utc_ms,
            None if end is None else max(end.utc_ms, begin.utc_ms),
            begin.unsure or (end is not None and end.unsure),
            str(says),
            json.loads(str(figures)),
        )
    except ValueError as error:
        raise StoreError(f"what the water did is not as it was kept ({error})") from error


def _int(found: object) -> int:
    if not isinstance(found, int):
        raise TypeError(f"{found!r} is no whole number")
    return found
