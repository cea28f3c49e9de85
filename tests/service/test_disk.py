"""What the measuring process does about its disk: room, the log, and damage."""

import errno
import gc
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import cast

import pytest

from disks import fill, small_disk
from faults.preload import Kind, Preload
from longsoak.service.disk import Disk
from longsoak.service.folding import EVERY, RETRY, TOLD_AFTER, Folding
from longsoak.service.lookover import LEAST, MOST, NOT_SOONER, LookOver
from longsoak.store.aside import DamageError
from longsoak.store.beforeupgrade import COPY
from longsoak.store.files import RECORD
from longsoak.store.space import DAY, Space, Written, pace, written_by_us
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.rig import Marks
from rigs import START_MS, Keeper, small_rig
from waiting import wait_for

NAMES = tuple(probe.name for probe in small_rig().probes)
MARKS = Marks(low=3_000_000, lowest=1_500_000, reserve=500_000)
DAY_MS, HOUR_MS = 86_400_000, 3_600_000


class Added:
    """Stands where hours and days are added up, and notes what is asked of it."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    def drop_and_rest(self) -> None:
        self.asked.append("drop")

    def resume(self) -> None:
        self.asked.append("resume")


@pytest.fixture
def keeper(tmp_path: Path) -> Iterator[Keeper]:
    with small_disk(tmp_path / "card", megabytes=8) as disk:
        (disk / "record").mkdir()
        with Keeper(disk / "record", small_rig()) as keeper:
            keeper.scan(dict.fromkeys(NAMES, 1.0))
            yield keeper


def told(events: Sequence[Event]) -> list[str]:
    return [event.says for event in events]


def test_the_disk_is_told_low_then_room_is_made_and_all_of_it_is_undone_again(
    keeper: Keeper,
) -> None:
    folder, added = keeper.writer.folder, Added()
    disk = Disk(keeper.writer, marks=MARKS, rebuildable=added)

    def look() -> list[str]:
        _, events = disk.do(now=0.0, utc_ms=START_MS)
        return told(events)

    assert look() == []
    assert disk.standing() == {Watch.DISK: None}
    assert (folder / "reserve").stat().st_size == 500_000

    ballast = fill(folder.parent, but=2_500_000)
    assert look() == []
    low = disk.standing()[Watch.DISK]
    assert low is not None
    assert low.startswith("2.5 MB free of 8.4 MB; how fast it fills is not known yet")
    assert added.asked == []

    copy = folder / COPY
    copy.write_bytes(b"a record as it was before an upgrade")
    ballast.unlink()
    fill(folder.parent, but=1_200_000)
    (says,) = look()
    assert says.startswith("1.2 MB free of 8.4 MB: hours and days added up beforehand were dropped")
    assert added.asked == ["drop"]
    assert not copy.exists()
    assert look() == []  # told once

    ballast.unlink()
    fill(folder.parent, but=100_000)
    (says,) = look()
    assert says.startswith("0.1 MB free of 8.4 MB: 0.5 MB held in reserve were given up")
    keeper.scans([dict.fromkeys(NAMES, 2.0)] * 500)  # into what the reserve has left
    assert keeper.record.version()[0] == 501
    assert look() == []

    ballast.unlink()
    (says,) = look()
    assert "hours and days are added up again" in says
    assert added.asked == ["drop", "resume"]
    assert disk.standing() == {Watch.DISK: None}
    assert (folder / "reserve").stat().st_size == 500_000


def test_of_what_was_counted_of_the_disk_a_week_is_kept_in_memory_not_a_year(
    keeper: Keeper,
) -> None:
    def in_memory() -> int:
        return sum(isinstance(thing, Written) for thing in gc.get_objects())

    others = in_memory()
    disk = Disk(keeper.writer, marks=MARKS, rebuildable=Added(), count=DAY)
    for day in range(30):
        disk.do(now=day * DAY, utc_ms=START_MS + day * DAY_MS)
    assert len(Space(keeper.writer.folder).counted()) == 29
    assert in_memory() - others <= 8

    again = Disk(keeper.writer, marks=MARKS, rebuildable=Added(), count=DAY)  # another start
    again.do(now=0.0, utc_ms=START_MS + 30 * DAY_MS)
    assert in_memory() - others <= 16


def test_an_alarm_of_the_disk_does_not_come_and_go_with_each_kilobyte(keeper: Keeper) -> None:
    disk = Disk(keeper.writer, marks=MARKS, rebuildable=Added())
    disk.do(now=0.0, utc_ms=START_MS)
    for free, stands in ((2_990_000, True), (3_100_000, True), (3_400_000, False)):
        ballast = fill(keeper.writer.folder.parent, but=free)
        disk.do(now=0.0, utc_ms=START_MS)
        assert (disk.standing()[Watch.DISK] is not None) is stands
        ballast.unlink()


def test_what_is_written_is_counted_each_hour_and_stays_over_a_restart(tmp_path: Path) -> None:
    with Keeper(tmp_path, small_rig()) as keeper:
        disk = Disk(keeper.writer, marks=MARKS, rebuildable=Added())
        disk.do(now=100.0, utc_ms=START_MS)
        keeper.scans([dict.fromkeys(NAMES, 2.0)] * 500)
        disk.do(now=100.0 + 3599, utc_ms=START_MS + HOUR_MS)
        assert Space(tmp_path).counted() == []
        disk.do(now=100.0 + 3600, utc_ms=START_MS + HOUR_MS)
    (hour,) = Space(tmp_path).counted()
    assert hour.seconds == 3600
    assert hour.written is not None
    # At least the scans' own bytes: 18 a reading.
    assert hour.written >= 18 * 500 * len(NAMES) or not on_a_disk(tmp_path)
    known = Space(tmp_path).pace()
    assert known.last_day == known.whole == 24 * hour.written


def on_a_disk(folder: Path) -> bool:
    """Whether the kernel counts what is written there: on memory it does not."""
    before = written_by_us() or 0
    with (folder / "trial").open("wb") as file:
        file.write(os.urandom(1_000_000))
        file.flush()
        os.fsync(file.fileno())
    return (written_by_us() or 0) - before >= 1_000_000


def test_where_the_kernel_does_not_count_nothing_is_made_up(tmp_path: Path) -> None:
    assert written_by_us(tmp_path / "io") is None
    (tmp_path / "io").write_text("write_bytes: 5000\ncancelled_write_bytes: 1000\n")
    assert written_by_us(tmp_path / "io") == 4000
    assert pace([Written(3600, None, 0, 0)] * 3).last_day is None


def test_the_pace_of_a_day_and_the_days_left_follow_from_the_hours() -> None:
    # Two days of 1 MB an hour, then one of 2 MB; the record grows by a tenth of that.
    hours, record, free = [], 0, 10**9
    for n in range(72):
        written = 1_000_000 if n < 48 else 2_000_000
        record += written // 10
        free -= written // 10
        hours.append(Written(3600, written, record, free))
    known = pace(hours)
    assert known.last_day == 48e6
    assert known.whole == pytest.approx((48e6 + 48e6) / 3)
    assert known.growth == pytest.approx(0.1 * (47e6 + 48e6) / 71 * 24)
    days = known.days_left(free)
    assert days is not None
    assert days == pytest.approx(free / (0.1 * 95e6 / 71 * 24))
    # Something else that fills the disk faster counts; something that is cleared does not.
    others = [hour._replace(free=hour.free - 10**6 * n) for n, hour in enumerate(hours)]
    assert cast(float, pace(others).growth) > 5 * cast(float, known.growth)
    cleared = [hour._replace(free=hour.free + 10**6 * n) for n, hour in enumerate(hours)]
    assert pace(cleared).growth == known.growth
    assert pace(hours[:1]).growth is None
    assert pace([]).last_day is None
    assert DAY == 86400


def test_the_log_is_folded_in_every_few_hours_and_whenever_it_is_large(tmp_path: Path) -> None:
    log = tmp_path / f"{RECORD}-wal"
    with Keeper(tmp_path, small_rig()) as keeper:
        folding = Folding(keeper.writer, large=200_000)
        assert keeper.writer.fold_in() is None  # the tables themselves
        keeper.scan(dict.fromkeys(NAMES, 1.0))
        assert folding.do(now=0.0, utc_ms=START_MS)[1] == ()
        assert log.stat().st_size > 0
        folding.do(now=EVERY, utc_ms=START_MS)
        assert log.stat().st_size == 0
        keeper.scans([dict.fromkeys(NAMES, 1.0)] * 2000)
        assert log.stat().st_size > 200_000
        folding.do(now=EVERY + 60, utc_ms=START_MS)
        assert log.stat().st_size == 0


def test_a_reader_that_never_lets_go_is_told_once_and_alarms_when_the_log_is_large(
    tmp_path: Path,
) -> None:
    with Keeper(tmp_path, small_rig()) as keeper:
        folding = Folding(keeper.writer, large=1, much=400_000)
        with closing(sqlite3.connect(tmp_path / RECORD, isolation_level=None)) as reader:
            reader.execute("BEGIN")
            reader.execute("SELECT count(*) FROM scan").fetchone()
            keeper.scan(dict.fromkeys(NAMES, 1.0))
            assert told(folding.do(now=0.0, utc_ms=START_MS)[1]) == []  # a backup takes as long
            (says,) = told(folding.do(now=TOLD_AFTER, utc_ms=START_MS)[1])
            assert "a reader holds it open, for 30 min now" in says
            assert folding.standing() == {Watch.LOG: None}
            keeper.scans([dict.fromkeys(NAMES, 1.0)] * 3000)
            assert told(folding.do(now=TOLD_AFTER + RETRY, utc_ms=START_MS)[1]) == []
            assert "a reader holds it open" in (folding.standing()[Watch.LOG] or "")
        (says,) = told(folding.do(now=TOLD_AFTER + 2 * RETRY, utc_ms=START_MS)[1])
        assert says == "the write-ahead log was folded in again"
        assert folding.standing() == {Watch.LOG: None}


class Looks:
    """Turns a chore of looking over by hand; time goes on as told."""

    def __init__(self, folder: Path, *, start_ms: int = START_MS) -> None:
        self.chore = LookOver(folder, first=10.0, again=5.0)
        self.start_ms = start_ms
        self.turn(0.0)

    def turn(self, now: float) -> list[str]:
        """What one turn at `now`, s, tells."""
        return told(self.chore.do(now=now, utc_ms=self.start_ms + round(now * 1000))[1])

    def look(self, now: float) -> list[str]:
        """What a look that is begun at `now` finds."""
        assert self.turn(now) == []
        return wait_for(lambda: self.turn(now), what="the look to end")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with Keeper(tmp_path, small_rig()) as keeper:
        keeper.scans([dict.fromkeys(NAMES, float(n)) for n in range(500)])
    return tmp_path


def overwrite_the_middle(folder: Path) -> bytes:
    """Spoil pages of readings; return what was there."""
    content = (folder / RECORD).read_bytes()
    with (folder / RECORD).open("r+b") as file:
        file.seek(len(content) // 2)
        file.write(b"\xa5" * 8192)
    return content


def test_a_damaged_record_is_told_after_a_second_look(folder: Path) -> None:
    looks = Looks(folder)
    overwrite_the_middle(folder)
    (says,) = looks.look(10.0)
    assert says.startswith("the record seems to be damaged, and is looked at once more")
    assert looks.turn(12.0) == []
    looks.turn(15.0)

    def damage() -> str | None:
        try:
            looks.turn(15.0)
        except DamageError as error:
            return str(error)
        return None

    assert wait_for(damage, what="the second look") != ""


def test_what_a_second_look_does_not_find_was_no_damage(folder: Path) -> None:
    looks = Looks(folder)
    before = overwrite_the_middle(folder)
    looks.look(10.0)
    (folder / RECORD).write_bytes(before)
    assert looks.look(15.0) == ["the record was looked over and is whole"]
    assert looks.turn(15.0 + LEAST) == []


def test_a_rig_with_the_wrong_time_is_looked_at_once_a_day_all_the_same(folder: Path) -> None:
    looks = Looks(folder, start_ms=12 * HOUR_MS)  # 1970-01-01, noon: a Thursday
    assert looks.look(10.0) == ["the record was looked over and is whole"]
    assert looks.turn(10.0 + LEAST) == []
    assert looks.turn(10.0 + 15.5 * 3600) == []  # 03:30 of the next day: begun
    assert wait_for(lambda: looks.turn(10.0 + 15.5 * 3600), what="the look to end")
    looks.start_ms = 0  # the clock is set back at each night's end, so that it is never three
    late = 10.0 + 15.5 * 3600 + MOST
    assert looks.turn(late - 60) == []
    assert looks.look(late) == ["the record was looked over and is whole"]


def test_on_sundays_indexes_are_looked_at_too(folder: Path) -> None:
    sunday = Looks(folder, start_ms=3 * DAY_MS + 12 * HOUR_MS)
    assert sunday.look(10.0) == ["the record was looked over and is whole and all indexes agree"]


def test_a_look_that_is_asked_for_comes_soon_but_not_again_and_again(folder: Path) -> None:
    looks = Looks(folder)
    looks.look(10.0)
    looks.chore.suspect()
    assert looks.turn(10.0 + NOT_SOONER - 1) == []
    (says,) = looks.look(10.0 + NOT_SOONER)
    assert says == "the record was looked over and is whole and all indexes agree"


def test_a_record_that_the_disk_does_not_give_is_no_damage_unless_it_stays_so(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks = Looks(folder)
    card = Preload(folder.parent / "faults", under=folder)
    for name, value in card.environment.items():
        monkeypatch.setenv(name, value)  # for the process that looks
    card.fail({Kind.READ: errno.EIO})
    (says,) = looks.look(10.0)
    assert says.startswith("the record can't be read, and is looked at once more: ")
    card.fail({})
    assert looks.look(15.0) == ["the record was looked over and is whole"]
    card.fail({Kind.READ: errno.EIO})
    looks.look(15.0 + MOST)
    with pytest.raises(DamageError, match=r"I/O|give it"):
        looks.look(20.0 + MOST)
    card.close()
