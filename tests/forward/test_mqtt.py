"""Readings by MQTT against a real broker, killed, frozen, and with rules of its own."""

import json
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from urllib.parse import unquote

import pytest

from brokers import PREFIX, connection, validate
from longsoak.core.wording import rfc3339
from longsoak.forward.mqtt import MqttReadings
from longsoak.service.mqtt import MqttConnection
from longsoak.store.reader import Record
from longsoak.vocabulary.destinations import MqttVersion
from longsoak.vocabulary.errors import ForwardError
from longsoak.vocabulary.flags import Flag, Reason
from rigs import Keeper, small_rig
from servers import HOST, Listener, broker, listener
from waiting import wait_for

RIG = small_rig(name="render pair")
CORE = f"{PREFIX}/probes/T core"
FAST = 10_000.0  # readings a second
SECRET = "s3cret"  # noqa: S105 - made up
BOTH = pytest.mark.parametrize("version", list(MqttVersion))


@contextmanager
def readings(
    record: Record, made: MqttConnection, *, rate: float = FAST, unsure: tuple[int, ...] = ()
) -> Iterator[MqttReadings]:
    outlet = MqttReadings(
        record,
        RIG,
        made,
        prefix=PREFIX,
        rate=rate,
        time_sure=lambda scan: scan not in unsure,
        monotonic=time.monotonic,
    )
    yield outlet
    outlet.close()


def catch_up(outlet: MqttReadings, position: int = 0) -> int:
    """What the service's thread does while all is well."""
    while (after := outlet.step(position)) != position:
        position = after
    return position


def reaches(outlet: MqttReadings, position: int, wanted: int) -> bool:
    """Whether it comes to `wanted` from `position`, whatever goes wrong on the way."""
    try:
        return catch_up(outlet, position) == wanted
    except ForwardError:
        return False


def row(number: int) -> Mapping[str, float | None]:
    return {probe.name: 10.0 + number % 50 + i for i, probe in enumerate(RIG.probes)}


def heard_of(heard: Listener, topic: str = CORE) -> list[int]:
    """The scans whose reading of a probe was heard, in order."""
    return [json.loads(text)["scan"] for where, text in heard.live if where == topic]


@BOTH
def test_every_reading_comes_in_order_and_retained_as_the_schema_says(
    tmp_path: Path, version: MqttVersion
) -> None:
    with (
        broker(tmp_path / "broker") as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        listener(server.port) as heard,
        connection(server.port, version=version) as made,
        readings(keeper.record, made, unsure=(2,)) as outlet,
    ):
        made.ready()
        keeper.scans([row(number) for number in range(100)])
        assert catch_up(outlet) == 100
        wait_for(lambda: len(heard.messages) >= 801, what="100 scans of 8 probes, and the state")
        for probe in RIG.probes:
            topic = next(
                m.topic
                for m in heard.messages
                if unquote(m.topic) == f"{PREFIX}/probes/{probe.name}"
            )
            assert heard_of(heard, topic) == list(range(1, 101))
        told = [m for m in heard.messages if "/probes/" in m.topic]
        for message in told:
            validate("reading", message.payload)
        unsure = {
            json.loads(m.payload)["scan"] for m in told if not json.loads(m.payload)["time_sure"]
        }
        assert unsure == {2}
        with listener(server.port) as later:
            wait_for(lambda: len(later.messages) == 9, what="what is retained")
            assert all(m.retain for m in later.messages)
            last = json.loads(later.last(CORE) or "")
        assert last == {
            "rig": "render pair",
            "probe": "T core",
            "run": keeper.record.scans_after(99, limit=1)[0].run,
            "scan": 100,
            "at": rfc3339(keeper.now_ms),
            "time_sure": True,
            "kind": "temperature",
            "quantity": None,
            "value": 63.0,
            "unit": "Cel",
            "bound": None,
            "uncertainty": pytest.approx(0.63),  # kept in 32 bits
            "flag": "pass",
            "reason": "",
            "raw": 630.0,
            "raw_unit": "Cel",
            "invented": True,
        }


def test_a_missing_reading_a_bound_and_a_probe_no_longer_in_the_rig_are_told_as_such(
    tmp_path: Path,
) -> None:
    with (
        broker(tmp_path / "broker") as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        listener(server.port) as heard,
        connection(server.port) as made,
        readings(keeper.record, made) as outlet,
    ):
        made.ready()
        keeper.scan(
            {"T core": None, "C 30/60": 25.0, "gone": 1.0},
            flags={"C 30/60": (Flag.PASS, Reason.WETTER_THAN_CURVE)},
        )
        assert catch_up(outlet) == 1
        wait_for(lambda: len(heard.live) == 4, what="three readings and the state")
        by_probe = {}
        for topic, text in heard.live:
            if "/probes/" in topic:
                validate("reading", text)
                told = json.loads(text)
                by_probe[told["probe"]] = told
    wanted: dict[str, dict[str, object]] = {
        "T core": {"value": None, "unit": None, "raw": None, "flag": "missing", "bound": None,
                   "reason": "no answer"},
        "C 30/60": {"value": 25.0, "bound": "at least", "uncertainty": None, "unit": "%",
                    "reason": "wetter than the curve reaches, perhaps near saturation"},
        "gone": {"kind": None, "unit": None, "value": 1.0, "quantity": None},
    }  # fmt: skip
    for probe, parts in wanted.items():
        assert {key: by_probe[probe][key] for key in parts} == parts


def test_a_catch_up_keeps_to_its_rate(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        connection(server.port) as made,
        readings(keeper.record, made, rate=600.0) as outlet,
    ):
        made.ready()
        keeper.scans([row(number) for number in range(150)])
        began = time.monotonic()
        assert catch_up(outlet) == 150
        # 1200 readings, of which the first second's worth may go at once.
        assert 1.0 <= time.monotonic() - began < 4.0


def test_a_broker_killed_in_mid_catch_up_gets_every_reading_and_what_it_had_retained(
    tmp_path: Path,
) -> None:
    with (
        broker(tmp_path / "broker") as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        listener(server.port) as heard,
        connection(server.port) as made,
        readings(keeper.record, made, rate=400.0) as outlet,
    ):
        made.ready()
        keeper.scan({"RH room": 40.0})
        keeper.scans([{"T core": float(number)} for number in range(1000)])
        position = outlet.step(0)
        assert 1 < position < 1001
        server.kill()
        heard.subscribed.clear()
        wait_for(lambda: not made.is_up(), what="the loss to be noticed")
        assert outlet.step(position) == position  # nothing is wrong with readings: they wait
        server.start()
        wait_for(made.is_up, what="another connection")
        assert heard.subscribed.wait(15)
        assert catch_up(outlet, position) == 1001
        wait_for(lambda: 1001 in heard_of(heard), what="the last reading")
        order = heard_of(heard)
        # In order but for where it began again, and none is left out.
        assert set(order) == set(range(2, 1002))
        assert sum(later <= earlier for earlier, later in pairwise(order)) <= 2
        with listener(server.port) as later:
            wait_for(lambda: later.last(f"{PREFIX}/probes/RH room"), what="a probe long since sent")


def test_a_lost_message_is_not_taken_for_sent(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        connection(server.port, patience=0.2) as made,
        readings(keeper.record, made) as outlet,
    ):
        made.ready()
        keeper.scans([row(number) for number in range(10)])
        server.freeze()
        for _ in range(2):
            with pytest.raises(ForwardError, match=r"did not acknowledge .* within 0\.2 s"):
                outlet.step(0)
        # The connection is thrown away now, with what it held, and that is for notices to tell.
        assert outlet.step(0) == 0
        assert not made.is_up()
        server.thaw()
        with listener(server.port) as heard:
            wait_for(lambda: reaches(outlet, 0, 10), what="another connection")
            wait_for(lambda: heard_of(heard)[-10:] == list(range(1, 11)), what="all of them")


# MQTT 5.0, 3.2.2.3.3, Receive Maximum: whoever sends more is disconnected (from memory). 3.1.1 has
# no such thing, and mosquitto 2.0 takes 20 unless it is told otherwise.
@pytest.mark.parametrize(
    ("most", "version", "window"),
    [(20, MqttVersion.V3_1_1, 16), (9, MqttVersion.V5, 5), (2, MqttVersion.V5, 1)],
)
def test_a_frozen_broker_gets_no_more_than_it_takes_at_a_time(
    tmp_path: Path, most: int, version: MqttVersion, window: int
) -> None:
    with (
        broker(tmp_path / "broker", more=(f"max_inflight_messages {most}",)) as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        listener(server.port) as heard,
        connection(server.port, patience=0.3, version=version) as made,
        readings(keeper.record, made) as outlet,
    ):
        made.ready()
        keeper.scans([row(number) for number in range(10)])
        server.freeze()
        for _ in range(2):
            with pytest.raises(ForwardError):
                outlet.step(0)
        server.thaw()
        wait_for(lambda: len(heard.live) == 1 + window, what="a window full, and the state")
        assert catch_up(outlet) == 10


def test_rules_that_deny_readings_keep_the_position_where_it_is(tmp_path: Path) -> None:
    rules = f"user rig\ntopic write {PREFIX}/state\ntopic write {PREFIX}/alarms/#\n"
    with (
        broker(tmp_path / "broker", users={"rig": SECRET}, acl=rules) as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        connection(server.port, user="rig", password=SECRET) as made,
        readings(keeper.record, made) as outlet,
    ):
        made.ready()
        keeper.scans([row(number) for number in range(3)])
        for _ in range(3):
            with pytest.raises(ForwardError) as error:
                outlet.step(0)
            assert str(error.value).startswith(f"the broker at {HOST}:{server.port} refused")
            assert str(error.value).endswith("Not authorized")


def test_an_alarm_does_not_wait_for_a_catch_up(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        connection(server.port) as made,
        readings(keeper.record, made, rate=400.0) as outlet,
    ):
        made.ready()
        keeper.scans([row(number) for number in range(200)])
        outlet.step(0)
        began = time.monotonic()
        made.wait(made.publish(f"{PREFIX}/alarms/a", {}))
        assert time.monotonic() - began < 1.0


def test_a_record_that_can_not_be_read_is_a_forward_error(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        connection(server.port) as made,
        readings(Record(tmp_path), made) as outlet,
    ):
        made.ready()
        with pytest.raises(ForwardError, match="there is no record at"):
            outlet.step(0)
