"""What counts as kept: read back from the committed record, young, and of this process."""

import sqlite3
from contextlib import closing
from pathlib import Path

from longsoak.core.recency import verified_within_s
from longsoak.service.verified import TURNS, Verified
from longsoak.store.readback import ReadBack
from rigs import START_MS, Keeper, small_rig
from service.test_state import Stopped

RIG = small_rig()


class Moving(Stopped):
    """A clock that is put on by hand."""

    def at(self, keeper: Keeper, *, after: float = 0.0) -> None:
        """Let it be `after` s later than the keeper's."""
        self._now_ms = keeper.now_ms + round(1000 * after)

    def set_back(self, by_ms: int) -> None:
        """Set the wall clock, and no other."""
        self._set_by = -by_ms


def verified(folder: Path, clock: Moving, *, turned: float | None = None) -> Verified:
    return Verified(
        folder,
        clock=clock,
        within=verified_within_s(RIG),
        since_ms=clock.boottime_ms(),
        turned=lambda: clock.monotonic() if turned is None else turned,
    )


def test_a_young_scan_that_brought_a_value_counts_until_it_is_old(tmp_path: Path) -> None:
    clock = Moving(START_MS)
    looks = verified(tmp_path, clock)
    with Keeper(tmp_path, RIG) as keeper:
        assert looks.look().why == "no scan that brought a value was kept since the start"
        keeper.scan({"T core": 20.0})
        clock.at(keeper, after=179)
        seen = looks.look().scan
        assert seen is not None
        assert (seen.scan, seen.boot, seen.utc_ms) == (1, "boot", START_MS + 1000)
        clock.at(keeper, after=181)
        assert looks.look() == (None, "the newest scan that brought a value is 3 min old")


def test_scans_in_which_every_probe_is_missing_keep_nothing_alive(tmp_path: Path) -> None:
    clock = Moving(START_MS)
    looks = verified(tmp_path, clock)
    with Keeper(tmp_path, RIG) as keeper:
        keeper.scan({"T core": 20.0})
        keeper.scans([{"T core": None, "RH room": None}] * 100, after=1)
        clock.at(keeper)
        seen = looks.look().scan
        assert seen is not None
        assert seen.scan == 1
        keeper.scans([{"T core": None}] * 100, after=1)
        clock.at(keeper)
        assert looks.look().scan is None


def test_what_an_earlier_run_measured_does_not_count(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG) as keeper:
        keeper.scan({"T core": 20.0})
        clock = Moving(keeper.now_ms + 5000)
        assert verified(tmp_path, clock).look().scan is None


def test_a_recorder_that_does_not_come_round_is_not_vouched_for(tmp_path: Path) -> None:
    clock = Moving(START_MS)
    with Keeper(tmp_path, RIG) as keeper:
        keeper.scan({"T core": 20.0})
        looks = verified(tmp_path, clock, turned=clock.monotonic())
        clock.at(keeper, after=TURNS)
        assert looks.look().why == "the recorder has not come round for 31 s"


def test_a_scan_that_can_not_be_decoded_is_no_proof(tmp_path: Path) -> None:
    clock = Moving(START_MS)
    looks = verified(tmp_path, clock)
    with Keeper(tmp_path, RIG) as keeper:
        keeper.scan({"T core": 20.0})
        clock.at(keeper)
        assert looks.look().scan is not None
        with closing(sqlite3.connect(tmp_path / "record.db")) as db, db:
            db.execute("UPDATE scan SET readings = substr(readings, 1, 17)")
        assert "readings in it are not as they were kept" in looks.look().why


def test_the_newest_run_is_known_with_its_end(tmp_path: Path) -> None:
    with Keeper(tmp_path, RIG) as keeper:
        back = ReadBack(tmp_path)
        assert back.last_run() == ("0", "boot", START_MS, 0, None)
        keeper.writer.end_run(utc_ms=START_MS + 1000)
        assert back.last_run() == ("0", "boot", START_MS, 0, START_MS + 1000)
