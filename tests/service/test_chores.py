"""Chores never end measuring, whatever becomes of them."""

import logging
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path

import pytest

from bench.kept64 import EVERY_MS, START_MS, Path64, Wood, path64
from longsoak.service.chores import AFTER_A_FAILURE, Chores
from longsoak.service.upkeep import LOOK, Upkeep
from longsoak.store.files import RECORD
from longsoak.store.sealing import SealingPlan
from longsoak.vocabulary.happening import Event


class Broken:
    """A chore with a mistake in it."""

    name = "broken"

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        """Fail as a mistake in the code would."""
        raise ZeroDivisionError("never meant to be")


class Other:
    """A chore that is done."""

    name = "other"
    done = 0

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        """Count."""
        self.done += 1
        return 0.0, ()


def test_a_mistake_in_a_chore_is_told_once_and_the_others_are_done(
    caplog: pytest.LogCaptureFixture,
) -> None:
    other = Other()
    chores = Chores([Broken(), other])
    with caplog.at_level(logging.ERROR):
        told = [chores.bite(now=now, utc_ms=5) for now in range(3 * round(AFTER_A_FAILURE))]
    (event,) = [event for events in told for event in events]
    assert (event.kind, event.subject) == ("chore", "broken")
    assert "ZeroDivisionError('never meant to be')" in event.says
    assert other.done == len(told) - 3
    assert len(caplog.records) == 1
    assert caplog.records[0].exc_info is not None


@pytest.fixture
def path(tmp_path: Path) -> Iterator[Path64]:
    wood = Wood()
    with path64(tmp_path) as opened:
        for number in range(200):
            opened.put(wood.samples(number * EVERY_MS))
        opened.recorder.turn()
        yield opened


@pytest.mark.parametrize(
    ("damage", "says"),
    [
        ("readings = substr(readings, 2)", "not as they were kept"),
        ("readings = zeroblob(length(readings))", "not as it was kept"),
        ("layout = 77", "not as they were kept"),
    ],
)
def test_a_row_that_is_damaged_stops_upkeep_with_a_sentence_and_nothing_else(
    path: Path64, damage: str, says: str
) -> None:
    with closing(sqlite3.connect(path.folder / RECORD)) as db, db:
        db.execute("PRAGMA foreign_keys = OFF")
        db.execute(f"UPDATE scan SET {damage} WHERE id = 20")  # noqa: S608 - just above
    plan = SealingPlan(tail=10, lengths=(50,), enough=5)
    upkeep = Upkeep(path.writer.sealing(plan), path.summaries)
    chores = Chores([upkeep])
    events = []
    for number in range(400):
        events += chores.bite(now=number * LOOK / 200, utc_ms=START_MS)
    assert len(events) == 1, events
    assert says in events[0].says
    path.put(Wood().samples(0))
    path.recorder.turn()
    assert path.recorder.scans_unkept == 0
