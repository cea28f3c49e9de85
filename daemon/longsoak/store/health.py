"""What readings tell of their probes, as the record keeps it."""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isnan
from typing import NamedTuple

from longsoak.core.quality.health import ClosedDay
from longsoak.store.recordfile import RecordFile
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.health import WEEK, Check, Fault, Finding, Goodness, Suspicion

_FOUND = (
    "SELECT probe, fault, since_utc_ms, found_utc_ms, over, says, against, figures FROM finding"
)


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

    def goodness(self) -> dict[str, Goodness]:
        """By probe, how many of its readings were good, over days that are closed."""
        with self._open() as db:
            rows = db.execute(
                "SELECT probe, sum(good * (day = newest)), sum(good * (day > newest - ?)),"
                " sum(good), newest - min(day) + 1"
                " FROM health_day, (SELECT max(day) AS newest FROM health_day) GROUP BY probe",
                (WEEK,),
            ).fetchall()
        return {probe: Goodness(*counted) for probe, *counted in rows}

    def begun(self) -> bool:
        """Whether any reading was judged so far: none is while no clock can be vouched for."""
        return self.memory() is not None

    def memory(self) -> HealthMemory | None:
        """What judging goes on from; None where it begins."""
        with self._open() as db:
            row = db.execute("SELECT scan, began, memory FROM health_memory").fetchone()
        return None if row is None else HealthMemory(*row)


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
