"""MQTT notices against a real broker, restarted, frozen, and with rules of its own."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from brokers import PREFIX, STATE, connection, validate
from longsoak.notify.mqtt import MqttNotices
from longsoak.store.reader import Record
from longsoak.vocabulary.destinations import MqttVersion
from longsoak.vocabulary.errors import NoticeError
from notify.routing import Told
from rigs import ACKNOWLEDGED, GONE, NEW, NORMAL, Keeper, small_rig
from servers import HOST, broker, free_port, listener
from waiting import wait_for

OVERFILL, SILENT = "overfill: water level", "silent: C 30/60"
RIG = small_rig(name="render pair")
RIGHT = "secret"


@contextmanager
def notices(
    record: Record,
    port: int,
    *,
    user: str | None = None,
    password: str | None = None,
    patience: float = 10.0,
    version: MqttVersion = MqttVersion.V5,
) -> Iterator[MqttNotices]:
    with connection(
        port, user=user, password=password, patience=patience, version=version
    ) as broker:
        yield MqttNotices(record, RIG, broker, prefix=PREFIX)


def back(outlet: MqttNotices, position: int) -> bool:
    """Whether a step goes well again."""
    try:
        outlet.step(position)
    except NoticeError:
        return False
    return True


def send_all(outlet: MqttNotices, position: int) -> int:
    while (after := outlet.step(position)) != position:
        position = after
    return position


def reaches(outlet: MqttNotices, position: int, wanted: int) -> bool:
    """Whether all from `position` up to `wanted` is taken."""
    try:
        return send_all(outlet, position) == wanted
    except NoticeError:
        return False


def test_each_change_is_published_retained_as_the_schema_says(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker", port=free_port()) as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        notices(keeper.record, server.port) as outlet,
    ):
        keeper.change(OVERFILL, NORMAL, NEW, value=112.0, says="112 mm, setpoint 100 mm")
        keeper.change(OVERFILL, NEW, ACKNOWLEDGED, says="acknowledged by ada", by="ada")
        keeper.change(SILENT, NORMAL, NEW, says="no answer")
        assert outlet.step(0) == 1
        assert send_all(outlet, 1) == 3
        with listener(server.port) as heard:
            topic = f"{PREFIX}/alarms/silent: C 30%2F60"
            wait_for(lambda: heard.last(topic), what="the retained change")
            wait_for(lambda: len(heard.messages) == 3, what="two alarms and the state")
            told = [m for m in heard.messages if m.topic != STATE]
            assert all(message.retain for message in told)
            for message in told:
                validate("alarm", message.payload)
                assert message.properties is not None
                assert getattr(message.properties, "ContentType", None) == "application/json"
            text = heard.last(f"{PREFIX}/alarms/overfill: water level")
            assert text is not None
            assert json.loads(text) == {
                "rig": "render pair",
                "alarm": OVERFILL,
                "title": "water above the stop line",
                "state": "acknowledged, still standing",
                "standing": True,
                "hiding": None,
                "until": None,
                "priority": "high",
                "at": "2026-05-04T09:00:02.000Z",
                "at_known": True,
                "value": None,
                "unit": None,
                "says": "acknowledged by ada",
                "by": "ada",
                "invented": True,
            }


def test_an_outage_loses_no_change_and_publishes_none_twice(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        listener(server.port) as heard,
        notices(keeper.record, server.port) as outlet,
    ):
        keeper.change(OVERFILL, NORMAL, NEW, says="1")
        position = send_all(outlet, 0)
        server.kill()
        for number in range(2, 6):
            keeper.change(OVERFILL, NEW, GONE, says=str(number))
            with pytest.raises(NoticeError) as error:
                outlet.step(position)
        assert position == 1
        wait_for(lambda: _trouble(outlet, position).endswith("Connection refused"), what="why")
        assert f"{HOST}:{server.port}" in str(error.value)
        heard.subscribed.clear()
        server.start()
        assert heard.subscribed.wait(15)
        wait_for(lambda: reaches(outlet, position, 5), what="the connection to be back")
        wait_for(lambda: "recording" in (heard.last(STATE) or ""), what="the state, anew")

        wait_for(lambda: len(_said(heard.live)) >= 5, what="all changes")
        keeper.change(SILENT, NORMAL, NEW, says="last")
        assert outlet.step(5) == 6
        wait_for(lambda: "last" in _said(heard.live), what="the last change")
        # In order after whatever came before it, so nothing can come twice after this.
        assert _said(heard.live) == ["1", "2", "3", "4", "5", "last"]


def test_a_broker_that_lost_its_memory_is_told_again_how_the_alarms_stand(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        notices(keeper.record, server.port) as outlet,
    ):
        keeper.change(SILENT, NORMAL, NEW, says="stands")
        keeper.change(OVERFILL, NORMAL, NEW, says="came")
        keeper.change(OVERFILL, NEW, GONE, says="went")
        keeper.change(OVERFILL, GONE, NORMAL, says="acknowledged")
        assert send_all(outlet, 0) == 4
        server.kill()
        wait_for(lambda: not back(outlet, 4), what="the loss to be noticed")
        keeper.change(SILENT, NEW, ACKNOWLEDGED, says="seen")
        server.start()
        with listener(server.port) as heard:
            wait_for(lambda: back(outlet, 5), what="the connection to be back")
            assert send_all(outlet, 4) == 5
            wait_for(lambda: "seen" in _said(heard.live), what="what came last")
        with listener(server.port) as heard:
            wait_for(lambda: len(heard.messages) == 2, what="the state and what stands")
            assert heard.last(f"{PREFIX}/alarms/overfill: water level") is None


@pytest.mark.parametrize("version", list(MqttVersion))
def test_a_broker_that_knows_us_is_told_nothing_twice(tmp_path: Path, version: MqttVersion) -> None:
    with broker(tmp_path / "broker") as server, Keeper(tmp_path / "record", RIG) as keeper:
        keeper.change(SILENT, NORMAL, NEW, says="stands")
        with listener(server.port) as heard:
            for position in (0, 1):  # a process after another
                with notices(keeper.record, server.port, version=version) as outlet:
                    assert send_all(outlet, position) == 1
            wait_for(lambda: len(heard.live) == 5, what="twice the state and its end, and an alarm")
            assert _said(heard.live) == ["stands"]


def _trouble(outlet: MqttNotices, position: int) -> str:
    try:
        outlet.step(position)
    except NoticeError as error:
        return str(error)
    return ""


def test_a_broker_absent_from_the_start_is_found_when_it_comes(tmp_path: Path) -> None:
    port = free_port()
    with Keeper(tmp_path / "record", RIG) as keeper, notices(keeper.record, port) as outlet:
        assert _trouble(outlet, 0) == (
            f"the broker at {HOST}:{port} can't be reached: Connection refused"
        )
        with broker(tmp_path / "broker", port=port):
            wait_for(lambda: back(outlet, 0), what="the connection")


def test_a_broker_whose_rules_deny_the_topic_keeps_the_position_where_it_is(
    tmp_path: Path,
) -> None:
    # Measured with mosquitto 2.0: the library takes such a message for published.
    rules = f"user rig\ntopic write {STATE}\n"
    with (
        broker(tmp_path / "broker", users={"rig": RIGHT}, acl=rules) as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        notices(keeper.record, server.port, user="rig", password=RIGHT) as outlet,
    ):
        assert outlet.step(0) == 0
        keeper.change(SILENT, NORMAL, NEW)
        for _ in range(2):
            assert _trouble(outlet, 0) == (
                f"the broker at {HOST}:{server.port} refused "
                f"{PREFIX}/alarms/silent: C 30%2F60: Not authorized"
            )


@pytest.mark.parametrize(("user", "password"), [("rig", "wrong"), (None, None)])
def test_a_login_refused_is_told_with_where_to_look(
    tmp_path: Path, user: str | None, password: str | None
) -> None:
    with (
        broker(tmp_path / "broker", users={"rig": RIGHT}) as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        notices(keeper.record, server.port, user=user, password=password) as outlet,
    ):
        keeper.change(SILENT, NORMAL, NEW)
        assert _trouble(outlet, 0) == (
            f"the broker at {HOST}:{server.port} refused the connection: Not authorized. "
            "Look at user and password_file in [notices.mqtt]."
        )


def test_a_frozen_broker_costs_a_limited_wait_and_no_change(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        listener(server.port) as heard,
        notices(keeper.record, server.port, patience=0.3) as outlet,
    ):
        assert outlet.step(0) == 0
        server.freeze()
        keeper.change(OVERFILL, NORMAL, NEW, says="once")
        for _ in range(2):
            assert "did not acknowledge" in _trouble(outlet, 0)
        server.thaw()
        wait_for(lambda: back(outlet, 0), what="the acknowledgement")
        keeper.change(SILENT, NORMAL, NEW, says="last")
        assert send_all(outlet, 1) == 2
        wait_for(lambda: len(_said(heard.live)) >= 2, what="both changes")
        assert _said(heard.live) == ["once", "last"]


def _said(live: list[tuple[str, str]]) -> list[str]:
    return [json.loads(text)["says"] for topic, text in live if "/alarms/" in topic]


def test_a_connection_that_stays_silent_is_thrown_away_and_made_anew(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        notices(keeper.record, server.port, patience=0.3) as outlet,
    ):
        assert outlet.step(0) == 0
        server.freeze()
        keeper.change(OVERFILL, NORMAL, NEW)
        for _ in range(3):
            assert "did not acknowledge" in _trouble(outlet, 0)
        # The new connection gets no answer from the frozen broker either.
        assert _trouble(outlet, 0) == (
            f"the broker at {HOST}:{server.port} did not answer within 0.3 s"
        )
        server.thaw()
        wait_for(lambda: back(outlet, 1), what="the connection")
        assert outlet.step(0) == 1


def test_closing_while_the_broker_is_away_ends_in_time(tmp_path: Path) -> None:
    with Keeper(tmp_path / "record", RIG) as keeper, broker(tmp_path / "broker") as server:
        with notices(keeper.record, server.port) as outlet:
            assert outlet.step(0) == 0
            server.freeze()
        server.thaw()
        with notices(keeper.record, free_port()) as outlet:
            assert _trouble(outlet, 0)


def test_a_record_that_can_not_be_read_is_a_notice_error(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        notices(Record(tmp_path), server.port) as outlet,
        pytest.raises(NoticeError, match="there is no record at"),
    ):
        outlet.step(0)


def test_what_the_broker_took_is_told_of_what_people_are_told_of(tmp_path: Path) -> None:
    told = Told()
    with (
        broker(tmp_path / "broker", port=free_port()) as server,
        Keeper(tmp_path / "record", RIG) as keeper,
        connection(server.port) as line,
    ):
        outlet = MqttNotices(keeper.record, RIG, line, prefix=PREFIX, reports=told.reports())
        keeper.change(OVERFILL, NORMAL, NEW)
        keeper.change(OVERFILL, NEW, ACKNOWLEDGED, by="ada")
        assert send_all(outlet, 0) == 2
        assert told.events == [
            ("notice", "taken: High priority, render pair: water above the stop line")
        ]
