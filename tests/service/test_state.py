"""What the state topic says, held to its published schema."""

import json
from datetime import UTC, datetime
from pathlib import Path

from brokers import validate
from longsoak.service.state import State
from longsoak.store.reader import Record
from longsoak.store.writer import Batch
from longsoak.vocabulary.ledger import DayHead
from rigs import START_MS, Keeper, small_rig

RIG = small_rig(name="render pair")
ROOT = "5f" * 32


def state(record: Record, *, now_ms: int, **positions: int) -> State:
    return State(
        RIG,
        record,
        software="1.2.3",
        since_ms=START_MS,
        utc_ms=lambda: now_ms,
        positions=lambda: positions,
    )


def test_a_rig_that_is_recorded_tells_its_newest_scan_and_what_waits(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG) as keeper:
        keeper.scans([{"T core": 20.0}] * 10, after=60)
        told = state(keeper.record, now_ms=keeper.now_ms + 1500, database=4, readings=10)
        said = told.describe("recording")
    validate("state", json.dumps(said))
    assert said == {
        "rig": "render pair",
        "state": "recording",
        "since": "2026-05-04T09:00:00.000Z",
        "written": "2026-05-04T09:10:01.500Z",
        "newest_scan": "2026-05-04T09:10:00.000Z",
        "unsent": {
            "database": {"scans": 6, "oldest_age_s": 301.5},
            "readings": {"scans": 0, "oldest_age_s": None},
        },
        "last_day": None,
        "software": "1.2.3",
        "invented": True,
    }


def test_the_root_of_the_last_closed_day_is_told(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG) as keeper:
        day = datetime(2026, 5, 4, tzinfo=UTC).date()
        keeper.writer.commit(Batch(heads=[DayHead(day, 17, ROOT, START_MS)]))
        said = state(keeper.record, now_ms=START_MS).describe("stopped")
    validate("state", json.dumps(said))
    assert said["last_day"] == {"day": "2026-05-04", "entries": 17, "root": ROOT}
    assert said["since"] == "2026-05-04T09:00:00.000Z"


def test_a_last_will_knows_no_times(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG) as keeper:
        keeper.scan({"T core": 20.0})
        said = state(keeper.record, now_ms=START_MS, database=0).describe("cut off")
    validate("state", json.dumps(said))
    assert [said[key] for key in ("since", "newest_scan", "unsent", "last_day")] == [None] * 4


def test_a_record_that_can_not_be_read_leaves_open_what_it_would_tell(tmp_path: Path) -> None:
    said = state(Record(tmp_path), now_ms=START_MS, database=0).describe("recording")
    validate("state", json.dumps(said))
    assert said["unsent"] is None
    assert said["since"] is not None
