"""What readings tell of their probes, as the record keeps it."""

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import isnan
from typing import NamedTuple

from longsoak.core.handflags import flags_of, shares
from longsoak.core.probehealth import ProbeHealth, health_of
from longsoak.core.proof.book import Book
from longsoak.core.quality.health import ClosedDay
from longsoak.core.quality.limits import DAY_MS
from longsoak.store.recordfile import RecordFile
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.health import WEEK, Check, Fault, Finding, Goodness, Suspicion
from longsoak.vocabulary.reading import Reading

_FOUND = (
    "SELECT probe, fault, since_utc_ms, found_utc_ms, over, says, against, figures FROM finding"
)
_NONE: Mapping[str, Sequence[HandFlag]] = {}


class HealthMemory(NamedTuple):
    """What judging goes on from behind scan `scan`; `began` is the first day, if there is one."""

    scan: int
    began: int | None
    memory: bytes


@dataclass(slots=True)
class HealthNews:
    """What belongs into one commit: what was told of some scans, and where that came to."""

    memory: HealthMemory
    findings: list[Finding] = field(default_factory=list)
    suspicions: list[Suspicion] = field(default_factory=list)
    days: list[ClosedDay] = field(default_factory=list)


class HealthRecord(RecordFile):
    """What was told of the probes of the record in `folder`."""

    def seen(
        self, book: Book, flags: Sequence[HandFlag], latest: Mapping[str, Reading]
    ) -> list[ProbeHealth]:
        """What is known of each probe of a rig.

        Parameters
        ----------
        book : Book
            The rig's proofs.
        flags : sequence of HandFlag
            Those set by hand that count, the newest first.
        latest : mapping of str to Reading
            The latest reading of each probe that was read, as these have it.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        probes = book.rig.probes
        by_hand = {probe.name: flags_of(flags, probe) for probe in probes}
        goodness, standing = self.goodness(by_hand), self.standing()
        return health_of(
            probes, goodness, standing, book, begun=self.begun(), flags=flags, latest=latest
        )

    def standing(self) -> list[Finding]:
        """The faults that were found and are not over, as they were told last."""
        with self._open() as db:
            rows = db.execute(
                f"{_FOUND} WHERE id IN (SELECT max(id) FROM finding GROUP BY probe, fault)"  # noqa: S608 - ours
                " AND NOT over ORDER BY id"
            ).fetchall()
        return [_finding(*row) for row in rows]

    def findings(self, probe: str | None = None) -> list[Finding]:
        """All that began, was told again or is over, oldest first; of one probe, or of all."""
        with self._open() as db:
            rows = db.execute(
                f"{_FOUND} WHERE probe = ? OR ? IS NULL ORDER BY id",
                (probe, probe),
            ).fetchall()
        return [_finding(*row) for row in rows]

    def suspicions(self, probe: str, *, since_ms: int, until_ms: int) -> list[Suspicion]:
        """Readings of one probe that a check does not let pass, and that reach into a time."""
        with self._open() as db:
            rows = db.execute(
                "SELECT probe, fails, flag, first_utc_ms, last_utc_ms, readings FROM suspicion"
                " WHERE probe = ? AND last_utc_ms >= ? AND first_utc_ms < ? ORDER BY id",
                (probe, since_ms, until_ms),
            ).fetchall()
        return [Suspicion(p, Check(c), Flag(f), first, last, n) for p, c, f, first, last, n in rows]

    def goodness(self, by_hand: Mapping[str, Sequence[HandFlag]] = _NONE) -> dict[str, Goodness]:
        """By probe, how many of its readings were good, over days that are closed.

        Parameters
        ----------
        by_hand : mapping, optional
            By probe the flags set by hand that are about it, the newest first.
        """
        with self._open() as db:
            (newest,) = db.execute("SELECT max(day) FROM health_day").fetchone()
            rows = db.execute(
                "SELECT probe, sum(good * (day = ?1)), sum(good * (day > ?1 - ?2)),"
                " sum(good), ?1 - min(day) + 1 FROM health_day GROUP BY probe",
                (newest, WEEK),
            ).fetchall()
            found = {probe: Goodness(*counted) for probe, *counted in rows}
            for probe in found.keys() & {name for name, flags in by_hand.items() if flags}:
                for day, more in _flagged(db, probe, by_hand[probe]):
                    good = found[probe]
                    found[probe] = Goodness(
                        good.day + more * (day == newest),
                        good.week + more * (day > newest - WEEK),
                        good.whole + more,
                        good.days,
                    )
        return found

    def begun(self) -> bool:
        """Whether any reading was judged so far: none is while no clock can be vouched for."""
        return self.memory() is not None

    def memory(self) -> HealthMemory | None:
        """What judging goes on from; None where it begins."""
        with self._open() as db:
            row = db.execute("SELECT scan, began, memory FROM health_memory").fetchone()
        return None if row is None else HealthMemory(*row)


def _flagged(
    db: sqlite3.Connection, probe: str, flags: Sequence[HandFlag]
) -> Iterator[tuple[int, float]]:
    """Of days with readings flagged by hand, how many more of them are good by that, or fewer."""
    first = min(flag.from_ms for flag in flags) // DAY_MS
    for day, readings, good in db.execute(
        "SELECT day, readings, good FROM health_day WHERE probe = ? AND day >= ?", (probe, first)
    ):
        passed, other = shares(flags, day * DAY_MS, (day + 1) * DAY_MS)
        yield day, passed * (readings - good) - other * good


def add_health(db: sqlite3.Connection, news: HealthNews) -> None:
    """Append what was told, inside the writer's transaction, and write over what is remembered."""
    db.executemany(
        "INSERT INTO finding (probe, fault, since_utc_ms, found_utc_ms, over, says, against,"
        " figures) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                *(f.probe, f.fault, f.since_ms, f.found_ms, f.over, f.says),
                *(json.dumps(f.against), json.dumps(_finite(f.figures))),
            )
            for f in news.findings
        ],
    )
    db.executemany(
        "INSERT INTO suspicion (probe, fails, flag, first_utc_ms, last_utc_ms, readings)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        [(s.probe, s.check, s.flag, s.first_ms, s.last_ms, s.readings) for s in news.suspicions],
    )
    db.executemany(
        "INSERT INTO health_day (day, probe, mean, noise, readings, good)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        [
            (day.number, probe, day.mean, day.noise, day.readings, day.good)  # NaN becomes NULL
            for probe, day in news.days
        ],
    )
    db.execute("INSERT OR REPLACE INTO health_memory VALUES (1, ?, ?, ?)", news.memory)


def _finite(figures: Mapping[str, float]) -> dict[str, float]:
    return {name: value for name, value in figures.items() if not isnan(value)}


def _finding(
    probe: str, fault: str, since: int, found: int, over: int, says: str, against: str, figures: str
) -> Finding:
    try:
        return Finding(
            probe,
            Fault(fault),
            since,
            found,
            says,
            over=bool(over),
            against=tuple(json.loads(against)),
            figures=json.loads(figures),
        )
    except ValueError as error:
        raise StoreError(f"what was found of {probe!r} is damaged: {error}") from error
