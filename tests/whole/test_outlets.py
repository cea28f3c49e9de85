"""From the water to the mailbox, the broker and the database, all of them real."""

import json
import resource
from functools import partial
from pathlib import Path

import pytest

from brokers import validate
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState
from processes import longsoak, running
from servers import (
    Listener,
    Mailbox,
    broker,
    free_port,
    listener,
    mail_server,
    time_series_server,
)
from service.setclock import ToldClock
from waiting import wait_for
from whole.thermorig import lay_out, pour, tray

pytestmark = pytest.mark.long


def notices(mail_port: int, mqtt_port: int) -> str:
    return f"""
[notices.mail]
host = "127.0.0.1"
port = {mail_port}
from = "rig@example.org"
to = ["keeper@example.org"]

[notices.mqtt]
host = "127.0.0.1"
port = {mqtt_port}
prefix = "rigs/thermometers"

[[alarms]]
watch = "outlet away"
on_delay = 0.5
"""


@pytest.fixture
def known_clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ToldClock:
    """A clock that is known: else nothing is forwarded in a machine's first quarter of an hour."""
    return ToldClock(tmp_path / "clock", monkeypatch, synchronised=True)


def test_an_overfill_reaches_the_mailbox_and_the_broker(tmp_path: Path) -> None:
    with (
        mail_server() as mailbox,
        broker(tmp_path / "broker") as server,
        listener(server.port) as heard,
    ):
        rig_file = lay_out(tmp_path, more=tray(tmp_path) + notices(mailbox.port, server.port))
        topic = "rigs/thermometers/alarms/overfill:water level"
        with running(rig_file) as run:
            wait_for(lambda: heard.last("rigs/thermometers/state"), what="the state")
            pour(tmp_path, 104.0)
            wait_for(lambda: heard.last(topic), what="the notice on the broker")
            told = json.loads(heard.last(topic) or "")
            assert (told["state"], told["value"], told["unit"]) == (AlarmState.NEW, 104.0, "mm")
            wait_for(lambda: mailbox.mails, what="the mail")
            text = mailbox.mails[0].get_content()
            assert "104 mm" in text
            assert "invented" in text

            pour(tmp_path, 90.0)
            wait_for(
                lambda: json.loads(heard.last(topic) or "")["state"] == AlarmState.GONE,
                what="the end on the broker",
            )
            wait_for(lambda: len(mailbox.mails) == 2, what="the mail of its end")
            assert run.stop() == 0
        wait_for(lambda: state_of(heard) == "stopped", what="the clean stop")
        validate("state", heard.last("rigs/thermometers/state") or "")


def state_of(heard: Listener) -> str:
    told = heard.last("rigs/thermometers/state")
    return "" if told is None else str(json.loads(told)["state"])


def states(heard: Listener) -> list[bytes | bytearray]:
    """All that was told of the state, in order."""
    return [m.payload for m in heard.messages if m.topic == "rigs/thermometers/state"]


def mailed(mailbox: Mailbox, words: str) -> bool:
    return any(words in mail.get_content() for mail in mailbox.mails)


def test_an_overfill_goes_out_though_the_disk_is_full_and_so_does_that(tmp_path: Path) -> None:
    with (
        mail_server() as mailbox,
        broker(tmp_path / "broker") as server,
        listener(server.port) as heard,
    ):
        more = tray(tmp_path) + notices(mailbox.port, server.port)
        more += '[[alarms]]\nwatch = "record refused"\non_delay = 1\n'
        rig_file = lay_out(tmp_path, more=more)
        topic = "rigs/thermometers/alarms"
        with running(rig_file) as run:
            wait_for(lambda: heard.last("rigs/thermometers/state"), what="the state")
            # No file of the process may grow any more: to SQLite that is a disk that is full.
            limits = resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, (1, -1))
            run.says("could not be kept")
            pour(tmp_path, 104.0)
            for key in ("record refused:record", "overfill:water level"):
                wait_for(partial(heard.last, f"{topic}/{key}"), what=f"{key} on the broker")
            for words in ("104 mm", "free some space"):
                wait_for(partial(mailed, mailbox, words), what=f"{words!r} by mail")
            record = Record(tmp_path / "record")
            assert "overfill:water level" not in record.alarms()
            mails = len(mailbox.mails)
            resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, limits)
            run.says("none was lost")
            wait_for(
                lambda: record.alarms()["record refused:record"].new is AlarmState.GONE,
                what="the end of the refusal",
            )
            # What went out is kept under the number it went out with, and so isn't sent again.
            wait_for(lambda: len(mailbox.mails) > mails, what="the mail of its end")
            assert run.stop() == 0
        assert record.alarms()["overfill:water level"].new is AlarmState.NEW
        subjects = [str(mail["Subject"]) for mail in mailbox.mails]
        assert len(set(subjects)) == len(subjects)


def test_dead_outlets_stop_nothing_are_alarmed_and_catch_up_by_themselves(tmp_path: Path) -> None:
    mail_port, mqtt_port = free_port(), free_port()
    rig_file = lay_out(tmp_path, more=tray(tmp_path) + notices(mail_port, mqtt_port))
    record = Record(tmp_path / "record")
    with running(rig_file) as run:
        run.says("recording")
        pour(tmp_path, 104.0)
        away = {"outlet away:mail", "outlet away:mqtt"}
        wait_for(
            lambda: run.log.count("recording") and away <= set(record.alarms()),
            what="the alarms of both outlets",
            limit=40,
        )
        assert "[outlet away:mqtt]" in longsoak("now", rig_file).stdout
        with (
            mail_server(port=mail_port) as mailbox,
            broker(tmp_path / "broker", port=mqtt_port) as server,
            listener(server.port) as heard,
        ):
            topic = "rigs/thermometers/alarms/overfill:water level"
            wait_for(lambda: heard.last(topic), what="the late notice", limit=60)
            wait_for(lambda: mailbox.mails, what="the late mail", limit=60)
            assert "104 mm" in mailbox.mails[0].get_content()
            wait_for(
                lambda: all(record.alarms()[key].new is AlarmState.GONE for key in away),
                what="both outlets back",
            )
            assert run.stop() == 0


@pytest.mark.usefixtures("known_clock")
def test_every_reading_is_in_the_database_after_it_was_killed_and_started_again(
    tmp_path: Path,
) -> None:
    with time_series_server(tmp_path / "database") as database:
        more = f'[forward.database]\nurl = "{database.url}"\norg = "-"\nbucket = "rig"\n'
        rig_file = lay_out(tmp_path, more=more)
        record = Record(tmp_path / "record")

        def kept() -> list[int]:
            readings = record.series("T0", since_ms=0, until_ms=2**53)
            return [reading.utc_ms for reading in readings]

        def there() -> set[int]:
            found = database.export("temperature_value", probe="T0")
            return {at for series in found for at in series.points}

        with running(rig_file) as run:
            wait_for(there, what="the first readings in the database")
            database.kill()
            before = len(kept())
            wait_for(lambda: len(kept()) >= before + 10, what="measuring without the database")
            database.start()
            wait_for(lambda: set(kept()[: before + 10]) <= there(), what="the catch-up", limit=60)
            assert run.stop() == 0
        wait_for(lambda: set(kept()) <= there(), what="every reading")


def test_a_notice_that_waits_since_the_first_start_survives_a_restart(tmp_path: Path) -> None:
    mail_port = free_port()
    more = tray(tmp_path) + notices(mail_port, free_port()).split("[notices.mqtt]")[0]
    rig_file = lay_out(tmp_path, more=more)
    record = Record(tmp_path / "record")
    with running(rig_file) as run:
        run.says("recording")
        pour(tmp_path, 104.0)
        wait_for(lambda: "overfill:water level" in run.log, what="the overfill")
        assert run.stop() == 0
    assert "overfill:water level" in record.alarms()
    with mail_server(port=mail_port) as mailbox, running(rig_file) as run:
        wait_for(lambda: mailbox.mails, what="the mail from before the restart", limit=40)
        assert "104 mm" in mailbox.mails[0].get_content()
        assert run.stop() == 0


@pytest.mark.usefixtures("known_clock")
def test_every_reading_and_the_state_reach_a_broker_that_was_killed_and_the_record_knows(
    tmp_path: Path,
) -> None:
    mqtt = notices(25, free_port()).split("[notices.mqtt]")[1].split("[[alarms]]")[0]
    with broker(tmp_path / "broker") as server, listener(server.port) as heard:
        more = "[notices.mqtt]" + mqtt.replace("port =", f"port = {server.port} #")
        rig_file = lay_out(tmp_path, more=more + "[forward.mqtt]\n")
        record = Record(tmp_path / "record")

        def came() -> set[int]:
            return {
                json.loads(m.payload)["scan"]
                for m in heard.messages
                if m.topic == "rigs/thermometers/probes/T0"
            }

        with running(rig_file) as run:
            wait_for(came, what="the first readings")
            # A connection that is made before the first scan begins with that none is recorded.
            wait_for(lambda: state_of(heard) == "recording", what="the state")
            begun = len(states(heard))
            server.kill()
            before = record.version()[0]
            wait_for(lambda: record.version()[0] >= before + 10, what="measuring without a broker")
            server.start()
            wait_for(lambda: before + 10 in came(), what="the catch-up", limit=60)
            assert run.stop() == 0
        kept = set(range(1, record.version()[0] + 1))
        wait_for(lambda: kept <= came(), what="every reading")
        wait_for(lambda: state_of(heard) == "stopped", what="the clean stop")
        told = states(heard)
        said = [json.loads(text)["state"] for text in told]
        assert [word for word in said[:begun] if word != "not recording"] == ["recording"]
        assert said[begun:] == ["recording", "stopped"]
        for text in told:
            validate("state", text)
        last = json.loads(told[-1])
        assert last["unsent"] == {"readings": {"scans": 0, "oldest_age_s": None}}
        assert last["newest_scan"] is not None
