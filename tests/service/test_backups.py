"""The daily backup: due when it is, made by a real process, and told when it can't be."""

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from longsoak.service import backups
from longsoak.service.backups import BackupKeeper, is_due
from longsoak.service.clock import SystemClock
from longsoak.service.messages import BackupNews
from longsoak.store.backups import found_in
from longsoak.store.backuptimes import BACKUP, FAILED, MADE, BackupTimes
from longsoak.store.verify import verify
from longsoak.store.writer import Batch
from longsoak.vocabulary.destinations import Backup
from longsoak.vocabulary.happening import Event
from rigs import START_MS, Keeper, small_rig
from store.backing import silent
from waiting import wait_for
from whole.thermorig import lay_out

HOUR_MS = 3_600_000
AT_0340 = START_MS // 86_400_000 * 86_400_000 + 220 * 60_000


@pytest.mark.parametrize(
    ("made_ms", "now_ms", "due"),
    [
        (None, AT_0340 - 1, True),  # never made: at the first chance
        (AT_0340 - 23 * HOUR_MS, AT_0340 - 1, False),  # made yesterday, a minute early today
        (AT_0340 - 23 * HOUR_MS, AT_0340, True),
        (AT_0340 + 1000, AT_0340 + 23 * HOUR_MS, False),
        (AT_0340 - 70 * HOUR_MS, AT_0340 - 5 * HOUR_MS, True),  # the machine was off at the time
        (AT_0340 + 1000, AT_0340 - 40 * 24 * HOUR_MS, True),  # made by a clock that ran ahead
    ],
)
def test_one_is_due_if_its_time_has_come_since_the_last(
    made_ms: int | None, now_ms: int, due: bool
) -> None:
    assert is_due(at=220, made_ms=made_ms, utc_ms=now_ms) is due


class SetClock(SystemClock):
    """A clock whose times a test moves."""

    def __init__(self, *, known: bool = True) -> None:
        super().__init__()
        self.known = known
        self.now_ms = AT_0340 + HOUR_MS
        self.seconds = 1000.0

    def pass_by(self, seconds: float) -> None:
        self.now_ms += round(seconds * 1000)
        self.seconds += seconds

    def utc_ms(self) -> int:
        return self.now_ms

    def monotonic(self) -> float:
        return self.seconds

    def synchronised(self) -> bool:
        return self.known


@pytest.fixture(autouse=True)
def looks_often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(backups, "FIRST_LOOK", 0.0)
    monkeypatch.setattr(backups, "LOOK", 0.02)


def a_rig(folder: Path, *events: Event) -> Path:
    rig_file = lay_out(folder)
    with Keeper(folder / "record", small_rig()) as keeper:
        keeper.writer.accept_rig(rig_file.read_text(), utc_ms=START_MS)
        keeper.scan({"C 10/60": 12.0, "T core": 20.0})
        keeper.writer.commit(Batch(events=list(events)))
    return rig_file


@contextmanager
def keeping(
    rig_file: Path, to: Path, clock: SetClock, *, mounted: bool = False
) -> Iterator[list[BackupNews]]:
    news: list[BackupNews] = []
    stop = threading.Event()
    keeper = BackupKeeper(
        Backup(str(to), at=220, keep=3, mounted=mounted),
        rig_file=rig_file,
        folder=rig_file.parent / "record",
        clock=clock,
        stop=stop,
        put=news.append,
    )
    keeper.start()
    try:
        yield news
    finally:
        stop.set()
        keeper.join(20)
        assert not keeper.is_alive()


def test_one_is_made_tried_again_every_hour_and_each_failure_told_once(tmp_path: Path) -> None:
    rig_file, stick, clock = a_rig(tmp_path / "rig"), tmp_path / "stick", SetClock()
    with keeping(rig_file, stick, clock) as news:
        wait_for(lambda: len(news) == 2, what="the first attempt")
        clock.pass_by(1800)
        clock.pass_by(1801)
        wait_for(lambda: len(news) == 3, what="the second attempt")
        stick.mkdir()
        clock.pass_by(3600)
        wait_for(lambda: len(news) == 4, what="the backup")

    assert news[0] == BackupNews(None, None)
    assert news[1].trouble is not None
    assert news[1].trouble == news[1].says == news[2].trouble
    assert f"{stick} is not there" in news[1].trouble
    assert news[2].says is None
    assert news[3].trouble is None
    (made,) = found_in(stick, "thermometers")
    assert news[3].says is not None
    assert f"{made.folder}: 1 scan until 2026-05-04T09:00:01.000Z" in news[3].says
    assert "same disk" in news[3].says
    assert verify(made.folder, silent)[0].scans == 1


def test_a_failure_before_the_start_is_remembered_and_a_backup_of_today_is_not_repeated(
    tmp_path: Path,
) -> None:
    made = Event(AT_0340 + 5000, BACKUP, MADE, "stick")
    failed = Event(AT_0340 - 5000, BACKUP, FAILED, "the stick was away")
    times = BackupTimes(a_rig(tmp_path / "one", made, failed).parent / "record")
    assert (times.last_made(), times.last_failure()) == (AT_0340 + 5000, "the stick was away")

    rig_file, stick, clock = a_rig(tmp_path / "two", failed, made), tmp_path / "stick", SetClock()
    stick.mkdir()
    with keeping(rig_file, stick, clock) as news:
        wait_for(lambda: news, what="how it stands")
        assert news == [BackupNews(None, None)]
        clock.pass_by(23 * 3600)
        wait_for(lambda: len(news) == 2, what="the backup of the next day")
    assert news[1].trouble is None


def test_a_clock_that_is_never_known_does_not_mean_no_backup(tmp_path: Path) -> None:
    rig_file, stick, clock = a_rig(tmp_path / "rig"), tmp_path / "stick", SetClock(known=False)
    stick.mkdir()
    with keeping(rig_file, stick, clock) as news:
        wait_for(lambda: news, what="how it stands")
        clock.pass_by(3601)
        wait_for(lambda: len(news) == 2, what="the first backup")
        clock.pass_by(23 * 3600)
        clock.pass_by(3600)
        wait_for(lambda: len(news) == 3, what="the next day's")
    assert [one.trouble for one in news] == [None] * 3
    assert len(found_in(stick, None)) == 2


def test_three_days_without_one_are_told_even_where_nothing_failed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(backups, "WITHOUT_CLOCK", 1e9)
    rig_file, clock = a_rig(tmp_path / "rig"), SetClock(known=False)
    with keeping(rig_file, tmp_path / "stick", clock) as news:
        wait_for(lambda: news, what="how it stands")
        clock.pass_by(3 * 86_400 + 60)
        wait_for(lambda: len(news) == 2, what="the third day")
    assert news[1].trouble == news[1].says == "no backup was made for 3 days"


def test_one_that_hangs_is_ended_and_one_under_way_ends_with_the_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig_file, clock = a_rig(tmp_path / "rig"), SetClock()
    # A pipe that nobody writes to, in the place of a curve file on a share that is away.

    os.mkfifo(tmp_path / "rig" / "away.curve.toml")
    text = rig_file.read_text()
    rig_file.write_text(text.replace("[rig]", '[rig]\ncurve_files = ["away.curve.toml"]'))
    (tmp_path / "stick").mkdir()
    with keeping(rig_file, tmp_path / "stick", clock) as news:  # stopped at once
        wait_for(lambda: news, what="how it stands")
    assert news == [BackupNews(None, None)]

    monkeypatch.setattr(backups, "LONGEST", -1.0)
    with keeping(rig_file, tmp_path / "stick", clock) as news:
        wait_for(lambda: len(news) == 2, what="the end of it")
    assert "was ended" in (news[1].trouble or "")
    assert found_in(tmp_path / "stick", None) == []
