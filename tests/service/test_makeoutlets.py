"""Outlets as a rig file sets them up: where they start, what they share, what they lack."""

import json
import queue
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, replace
from pathlib import Path

from brokers import PREFIX, STATE, validate
from longsoak.service.clock import SystemClock
from longsoak.service.makeoutlets import STATE_EVERY, STATE_LOOK, make_outlets, start_new_ones
from longsoak.service.messages import News, OutletNews
from longsoak.service.outlets import OutletWorker
from longsoak.service.waking import Waking
from longsoak.store.readback import ReadBack
from longsoak.store.unkept import Unkept
from longsoak.vocabulary.alarm import AlarmChange
from longsoak.vocabulary.destinations import Database, Mqtt
from longsoak.vocabulary.rig import Rig
from rigs import NEW, NORMAL, Keeper, small_rig
from servers import HOST, broker, listener, time_series_server
from waiting import wait_for

_STORED = ("id", "unsure")  # what a change has only once it is kept


class FastClock(SystemClock):
    """The machine's clocks, of which one can be put on."""

    ahead = 0.0

    def monotonic(self) -> float:
        return super().monotonic() + self.ahead


def rig_with(port: int, *, readings: float | None = 1000.0, **changes: str | bool | None) -> Rig:
    mqtt = Mqtt(HOST, port, PREFIX, None, None, readings=readings)
    return small_rig(name="render pair", mqtt=replace(mqtt, **changes))  # type: ignore[arg-type]  # text and truth values only


@contextmanager
def outlets_of(
    keeper: Keeper, rig: Rig, *, clock: SystemClock | None = None
) -> Iterator[tuple[list[OutletWorker], "queue.SimpleQueue[News]"]]:
    news: queue.SimpleQueue[News] = queue.SimpleQueue()
    outlets = make_outlets(
        rig,
        keeper.record.folder,
        record=keeper.record,
        clock=clock or SystemClock(),
        software="1.2.3",
        since_ms=(clock or SystemClock()).utc_ms(),
        measured=ReadBack(keeper.record.folder).newest_measured,
        put=news.put,
    )
    start_new_ones(keeper.writer, keeper.record, outlets, utc_ms=0)
    for outlet in outlets:
        outlet.start()
    try:
        yield outlets, news
    finally:
        for outlet in outlets:
            outlet.stop()
        for outlet in outlets:
            outlet.join(20)


def test_what_is_new_to_a_record_starts_with_what_comes_but_the_database_with_what_was(
    tmp_path: Path,
) -> None:
    with (
        broker(tmp_path / "broker") as server,
        time_series_server(tmp_path / "db") as database,
        listener(server.port) as heard,
        Keeper(tmp_path / "record", small_rig()) as keeper,
    ):
        keeper.scans([{"T core": 20.0}] * 5)
        keeper.change("overfill: water level", NORMAL, NEW)
        keeper.change("overfill: water level", NEW, NORMAL)
        keeper.change("silent: C 30/60", NORMAL, NEW)
        rig = replace(
            rig_with(server.port), database=Database(database.url, "-", "rig", None, 60.0)
        )
        with outlets_of(keeper, rig) as (outlets, _):
            assert [keeper.record.cursor(name) for name in ("mqtt", "readings", "database")] == [
                3, 5, 0,
            ]  # fmt: skip
            assert keeper.record.has_cursor("readings")
            keeper.scan({"T core": 21.0})
            for outlet in outlets:
                outlet.wake()
            wait_for(lambda: heard.last(f"{PREFIX}/probes/T core"), what="the new reading")
            wait_for(lambda: database.count("temperature_value") == 6, what="all readings")
        told = [json.loads(text)["scan"] for topic, text in heard.live if "/probes/" in topic]
        assert told == [6]
        # No storm of what was, but how things stand.
        assert [topic for topic, _ in heard.live if "/alarms/" in topic] == [
            f"{PREFIX}/alarms/silent: C 30%2F60"
        ]


def test_notices_and_readings_share_one_connection_that_ends_with_the_last_of_them(
    tmp_path: Path,
) -> None:
    with (
        broker(tmp_path / "broker") as server,
        listener(server.port) as heard,
        Keeper(tmp_path / "record", small_rig()) as keeper,
    ):
        keeper.scan({"T core": 19.0})
        with outlets_of(keeper, rig_with(server.port)) as (outlets, _):
            keeper.change("silent: C 30/60", NORMAL, NEW)
            keeper.scan({"T core": 20.0})
            for outlet in outlets:
                outlet.wake()
            wait_for(lambda: len(heard.live) == 3, what="the state, an alarm and a reading")
            outlets[0].stop()
            outlets[0].join(10)
            keeper.scan({"T core": 21.0})
            outlets[1].wake()
            wait_for(lambda: len(heard.live) == 4, what="another reading")
        wait_for(lambda: "stopped" in (heard.last(STATE) or ""), what="the end")
        states = [json.loads(text)["state"] for topic, text in heard.live if topic == STATE]
        assert states == ["recording", "stopped"]
        assert heard.live[-1][0] == STATE


def test_the_state_is_told_anew_every_minute(tmp_path: Path) -> None:
    clock = FastClock()

    def said() -> dict[str, object]:
        return dict(json.loads(heard.last(STATE) or "{}"))

    with (
        broker(tmp_path / "broker") as server,
        listener(server.port) as heard,
        Keeper(tmp_path / "record", small_rig()) as keeper,
    ):
        keeper.scan({"T core": 20.0})
        with outlets_of(keeper, rig_with(server.port), clock=clock) as (outlets, _):
            wait_for(lambda: said().get("scans") == 1, what="the state")
            keeper.scan({"T core": 20.0})
            clock.ahead = STATE_EVERY
            outlets[0].wake()
            wait_for(lambda: said()["scans"] == 2, what="a newer one")
            validate("state", heard.last(STATE) or "")
            assert list(said()["unsent"]) == ["readings"]  # type: ignore[call-overload]  # a table


def test_that_nothing_is_recorded_yet_is_told_and_within_seconds_that_it_is(
    tmp_path: Path,
) -> None:
    clock = FastClock()
    with (
        broker(tmp_path / "broker") as server,
        listener(server.port) as heard,
        Keeper(tmp_path / "record", small_rig()) as keeper,
        outlets_of(keeper, rig_with(server.port), clock=clock) as (outlets, _),
    ):
        wait_for(lambda: '"not recording"' in (heard.last(STATE) or ""), what="the state")
        keeper.scan({"T core": 20.0})
        clock.ahead = STATE_LOOK
        outlets[0].wake()
        wait_for(lambda: '"recording"' in (heard.last(STATE) or ""), what="the change")


def test_a_secret_or_a_certificate_that_can_not_be_read_is_told_by_both(tmp_path: Path) -> None:
    for changes, says in (
        ({"user": "rig", "password_file": "none"}, "the secret in "),
        ({"tls": True, "ca_file": "none"}, "ca_file of [notices.mqtt], "),
    ):
        with (
            Keeper(tmp_path / says[:2], small_rig()) as keeper,
            outlets_of(keeper, rig_with(1, **changes)) as (_, news),
        ):
            found = {one.outlet: one.away or "" for one in (news.get(timeout=10) for _ in range(2))
                     if isinstance(one, OutletNews)}  # fmt: skip
        assert set(found) == {"mqtt", "readings"}
        for away in found.values():
            assert away.startswith(says)
            assert away.endswith("can't be read: No such file or directory")


class Looking:
    """An outlet that only counts how often it is asked to look."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.looks = 0

    def step(self, position: int) -> int:
        self.looks += 1
        return position

    def close(self) -> None:
        pass


def test_notices_are_woken_by_alarms_alone_kept_or_not_and_forwarders_by_each_commit(
    tmp_path: Path,
) -> None:
    looking = {name: Looking(name) for name in ("mail to mk", "readings")}
    unkept = Unkept()

    def woken() -> dict[str, int]:
        """How often each looks because of what was committed."""
        before = {name: outlet.looks for name, outlet in looking.items()}
        wake()
        wait_for(lambda: looking["readings"].looks > before["readings"], what="a look")
        if looking["mail to mk"].looks == before["mail to mk"]:
            time.sleep(0.2)  # for one too many; without one this waits in vain
        return {name: outlet.looks - before[name] for name, outlet in looking.items()}

    with Keeper(tmp_path, small_rig()) as keeper:
        workers = [
            OutletWorker(
                name,
                build=lambda outlet=outlet: outlet,  # type: ignore[misc]  # bound here
                record=keeper.record,
                clock=SystemClock(),
                settle=0.0,
                report=lambda _: None,
            )
            for name, outlet in looking.items()
        ]
        wake = Waking(workers, keeper.writer, unkept)
        wake()
        for worker in workers:
            worker.start()
        try:
            wait_for(lambda: all(o.looks for o in looking.values()), what="the first looks")
            keeper.scan({"T core": 20.0})
            assert woken() == {"mail to mk": 0, "readings": 1}
            keeper.change("silent: C 30/60", NORMAL, NEW)
            wake()
            wait_for(lambda: looking["mail to mk"].looks == 2, what="a look at the alarm")
            (change,) = keeper.record.alarm_changes_after(0, limit=1)
            fields = {key: value for key, value in asdict(change).items() if key not in _STORED}
            unkept.put([AlarmChange(**fields)], after=1)
            wake()
            wait_for(lambda: looking["mail to mk"].looks == 3, what="a look at the unkept one")
        finally:
            for worker in workers:
                worker.stop()
            for worker in workers:
                worker.join(10)
