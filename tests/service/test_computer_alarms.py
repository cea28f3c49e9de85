"""Alarms about the computer and what copies the record, from what is seen to what is kept."""

import queue
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from longsoak.rigfile.load import load
from longsoak.service.clock import SystemClock
from longsoak.service.messages import OutletNews
from longsoak.service.recorder import Message, Recorder
from longsoak.service.supply import Supply
from longsoak.store.inbox import Inbox
from longsoak.store.reader import Record
from longsoak.store.unkept import Unkept
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.alarm import AlarmState, StoredChange
from service.test_supply import chip
from waiting import wait_for
from whole.thermorig import lay_out

OUTLETS = """
[notices.mqtt]
host = "127.0.0.1"
port = 1
prefix = "rig"

[forward.mqtt]

[forward.database]
url = "http://127.0.0.1:1"
bucket = "rig"
"""


def at_once(*watches: str) -> str:
    return "".join(
        f'[[alarms]]\nwatch = "{watch}"\non_delay = 0\noff_delay = 0\n' for watch in watches
    )


class SetClock(SystemClock):
    """The machine's clocks, synchronised or not as a test wants it."""

    known = True

    def synchronised(self) -> bool:
        return self.known


class Bench:
    """A recorder over a real record, turned by hand."""

    def __init__(self, folder: Path, *, alarms: str, cut: str | None = None) -> None:
        rig = load(lay_out(folder, more=OUTLETS + alarms), find_kind=None)
        self.clock = SetClock()
        self.supply = Supply(folder / "sys")
        self.behind: Mapping[str, str | None] = {}
        self.messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
        now = self.clock.utc_ms()
        self.writer = RecordWriter(folder / "record", now="2031-02-03T04:05:06Z")
        self.writer.accept_rig("rig", utc_ms=now)
        self.writer.begin_run(
            boot=self.clock.boot,
            software="0",
            utc_ms=now,
            boottime_ms=self.clock.boottime_ms(),
            synchronised=True,
        )
        self.inbox = Inbox(folder / "record")
        self.recorder = Recorder(
            rig,
            writer=self.writer,
            inbox=self.inbox,
            clock=self.clock,
            messages=self.messages,
            unkept=Unkept(),
            committed=lambda: None,
            seen=lambda _: None,
            closer=lambda _: None,
            chores=lambda: [self.supply],
            computer=self.supply.standing,
            behind=lambda: self.behind,
            cut=cut,
        )
        self.record = Record(folder / "record")

    def becomes(self, key: str, state: AlarmState) -> StoredChange:
        """Turn until an alarm is in a state; its change."""

        def found() -> StoredChange | None:
            self.recorder.turn()
            change = self.record.alarms().get(key)
            return change if change is not None and change.new is state else None

        change = wait_for(found, what=f"{key} to be {state}")
        assert change is not None
        return change


@contextmanager
def bench(folder: Path, *watches: str, cut: str | None = None) -> Iterator[Bench]:
    one = Bench(folder, alarms=at_once(*watches), cut=cut)
    try:
        yield one
    finally:
        one.inbox.close()
        one.writer.close()


def test_a_clock_that_is_not_synchronised(tmp_path: Path) -> None:
    with bench(tmp_path, "clock not known") as one:
        one.clock.known = False
        change = one.becomes("clock not known:computer", AlarmState.NEW)
        assert change.says == "this computer's clock is not synchronised"
        one.clock.known = True
        change = one.becomes("clock not known:computer", AlarmState.GONE)
        assert change.says == "the clock is synchronised"


def test_a_supply_that_is_too_low(tmp_path: Path) -> None:
    chip(tmp_path / "sys", 1)
    with bench(tmp_path, "undervoltage") as one:
        change = one.becomes("undervoltage:computer", AlarmState.NEW)
        assert change.says == "the supply was too low a moment ago"
    said = [event.says for event in one.record.events(limit=9) if event.kind == "supply"]
    assert said == ["too low 1 time"]


def test_a_forwarder_that_falls_behind_and_catches_up(tmp_path: Path) -> None:
    with bench(tmp_path, "forwarding behind") as one:
        one.behind = {"database": "62 scans not sent yet, the oldest taken 1 h 01 ago"}
        change = one.becomes("forwarding behind:database", AlarmState.NEW)
        assert change.says == one.behind["database"]
        one.behind = {}  # away: nobody knows
        one.messages.put(OutletNews("database", "gone"))
        for _ in range(8):
            one.recorder.turn()
        assert one.record.alarms()["forwarding behind:database"].new is AlarmState.NEW
        one.behind = {"database": None}
        change = one.becomes("forwarding behind:database", AlarmState.GONE)
        assert change.says == "it has caught up"


def test_readings_by_mqtt_are_away_with_the_broker_they_share(tmp_path: Path) -> None:
    with bench(tmp_path) as one:
        one.messages.put(OutletNews("mqtt", "gone"))
        one.recorder.turn()
        away = {name: one.recorder.is_away(name) for name in ("mqtt", "readings", "database")}
        assert away == {"mqtt": True, "readings": True, "database": False}


def test_a_start_after_a_cut_tells_how_long_nothing_was_read(tmp_path: Path) -> None:
    says = "no readings for 4 min, since 4 May 2026, 09:00:00 UTC: the run before was cut off"
    with bench(tmp_path, cut=says) as one:
        assert one.becomes("restarted:computer", AlarmState.NEW).says == says


def test_the_status_says_how_many_alarms_stand(tmp_path: Path) -> None:
    with bench(tmp_path, "clock not known") as one:
        assert one.recorder.status == "Recording; no alarm stands."
        one.clock.known = False
        one.becomes("clock not known:computer", AlarmState.NEW)
        assert one.recorder.status == "Recording; 1 alarm stands."
