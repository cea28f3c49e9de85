"""What the state topic says, held to its published schema."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from brokers import validate
from longsoak.service.clock import Clock
from longsoak.service.state import State
from longsoak.store.readback import ReadBack
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmChange, Hiding, Priority
from longsoak.vocabulary.ledger import DayHead
from longsoak.vocabulary.outlet import Recording
from rigs import NEW, NORMAL, START_MS, Keeper, small_rig

RIG = small_rig(name="render pair")
ROOT = "5f" * 32
READ = (
    *("newest_scan", "newest_scan_age_s", "scans", "run", "unsent", "last_day", "standing"),
    "pump_dry_days",
)


class Stopped(Clock):
    """A clock that stands, on a computer that has been up since `Keeper` began."""

    boot = "boot"

    def __init__(self, now_ms: int, *, set_by: int = 0) -> None:
        self._now_ms = now_ms
        self._set_by = set_by

    def utc_ms(self) -> int:
        return self._now_ms + self._set_by

    def boottime_ms(self) -> int:
        return self._now_ms - START_MS

    def monotonic(self) -> float:
        return self.boottime_ms() / 1000

    def synchronised(self) -> bool:
        return True


def state(folder: Path, *, now_ms: int, set_by: int = 0, **positions: int) -> State:
    record = ReadBack(folder)
    return State(
        RIG,
        record,
        software="1.2.3",
        since_ms=START_MS,
        clock=Stopped(now_ms, set_by=set_by),
        positions=lambda: positions,
        measured=record.newest_measured,
        again_within=70.0,
    )


def test_a_rig_that_is_recorded_tells_its_newest_scan_and_what_waits(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG) as keeper:
        keeper.scans([{"T core": 20.0}] * 10, after=60)
        told = state(tmp_path, now_ms=keeper.now_ms + 1500, database=4, readings=10)
        said = dict(told.describe(Recording.ON))
    validate("state", json.dumps(said))
    assert said.pop("free_bytes") > 0  # type: ignore[operator]  # this disk's
    assert len(str(said.pop("run"))) == 12
    assert said == {
        "rig": "render pair",
        "page": "http://shop-pi.example:8460/",
        "state": "recording",
        "since": "2026-05-04T09:00:00.000Z",
        "written": "2026-05-04T09:10:01.500Z",
        "newest_scan": "2026-05-04T09:10:00.000Z",
        "newest_scan_age_s": 1.5,
        "scans": 10,
        "unsent": {
            "database": {"scans": 6, "oldest_age_s": 301.5},
            "readings": {"scans": 0, "oldest_age_s": None},
        },
        "last_day": None,
        "standing": {"high": 0, "medium": 0, "low": 0},
        "pump_dry_days": None,  # ten minutes say nothing of what is lost in a day
        "oldest_fine_s": 180.0,  # three times a minute, the shortest record period of this rig
        "again_within_s": 70.0,
        "boot": "boot",
        "up_s": 601.5,
        "clock_synchronised": True,
        "software": "1.2.3",
        "invented": True,
    }


def test_an_age_is_no_wall_clocks(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG) as keeper:
        keeper.scan({"T core": 20.0})
        told = state(tmp_path, now_ms=keeper.now_ms + 4000, set_by=-3_600_000)
        said = told.describe(Recording.ON)
    assert said["newest_scan_age_s"] == 4.0


def test_a_process_that_keeps_nothing_is_not_called_recording(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG) as keeper:
        told = state(tmp_path, now_ms=START_MS + 5000)
        first = told.describe(Recording.ON)
        assert (first["state"], first["newest_scan"]) == ("not recording", None)
        keeper.scan({"T core": None})  # kept, but nothing was measured
        assert not told.has_changed()
        keeper.scan({"T core": 20.0})
        assert told.has_changed()
        said = told.describe(Recording.ON)
        assert not told.has_changed()
    validate("state", json.dumps(first))
    validate("state", json.dumps(said))
    assert (said["state"], said["since"]) == ("recording", "2026-05-04T09:00:05.000Z")
    assert said["scans"] == 2


def test_alarms_that_stand_are_counted_but_for_those_that_somebody_hid(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG) as keeper:
        over, silent = (plan.key for plan in RIG.alarms)
        keeper.change(over, NORMAL, NEW)
        shelved = AlarmChange(silent, START_MS, 0, NORMAL, NEW, None, "", None)
        keeper.writer.commit(Batch(changes=[replace(shelved, hiding=Hiding.SHELVED)]))
        said = state(tmp_path, now_ms=START_MS).describe(Recording.ON)
    assert RIG.alarms[0].priority is Priority.HIGH
    assert said["standing"] == {"high": 1, "medium": 0, "low": 0}


def test_the_root_of_the_last_closed_day_is_told(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG) as keeper:
        day = datetime(2026, 5, 4, tzinfo=UTC).date()
        keeper.writer.commit(Batch(heads=[DayHead(day, 17, ROOT, START_MS)]))
        said = state(tmp_path, now_ms=START_MS).describe(Recording.STOPPED)
    validate("state", json.dumps(said))
    assert said["last_day"] == {"day": "2026-05-04", "entries": 17, "root": ROOT}
    assert said["since"] == "2026-05-04T09:00:00.000Z"


def test_a_last_will_knows_no_times(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG) as keeper:
        keeper.scan({"T core": 20.0})
        said = state(tmp_path, now_ms=START_MS, database=0).describe(Recording.CUT_OFF)
    validate("state", json.dumps(said))
    assert [said[key] for key in ("since", *READ)] == [None] * 9


def test_a_record_that_can_not_be_read_leaves_open_what_it_would_tell(tmp_path: Path) -> None:
    there = state(tmp_path, now_ms=START_MS, database=0)
    said = there.of(Recording.NOTHING_NEW, since_ms=START_MS)
    validate("state", json.dumps(said))
    assert [said[key] for key in READ] == [None] * 8
    assert said["since"] is not None
