"""Notices of a boot that began in 1970, sent before and after its clock is known."""

import json
from pathlib import Path

from brokers import PREFIX, connection, validate
from longsoak.notify.digest import DailyDigest
from longsoak.notify.mqtt import MqttNotices
from longsoak.vocabulary.destinations import Mail
from notify.routing import by_mail
from rigs import GONE, NEW, NORMAL, START_MS, Keeper, small_rig
from servers import HOST, Mailbox, broker, free_port, listener, mail_server
from waiting import wait_for

SILENT = "silent: C 30/60"
TOPIC = f"{PREFIX}/alarms/silent: C 30%2F60"
RIG = small_rig(name="render pair")


def in_1970(folder: Path) -> Keeper:
    """A scan and an alarm, 1 s and 2 s after the machine started."""
    keeper = Keeper(folder, RIG, start_ms=0, known=False)
    keeper.scan({"C 10/60": 17.5})
    keeper.change(SILENT, NORMAL, NEW, says="no answer")
    return keeper


def set_right(keeper: Keeper) -> None:
    keeper.set_clock(START_MS)
    keeper.scan({"C 10/60": 17.5})


def texts(box: Mailbox) -> list[str]:
    return [str(mail.get_content()).replace("\r\n", "\n") for mail in box.mails]


def test_a_mail_says_that_its_time_may_be_wrong_and_is_not_sent_again(tmp_path: Path) -> None:
    with mail_server() as box, in_1970(tmp_path) as keeper:
        settings = Mail(HOST, box.port, "rig@example.org", ("k@example.org",), False, None, None)
        outlet = by_mail(keeper.record, RIG, settings)
        assert outlet.step(0) == 1
        (said,) = texts(box)
        assert "  Standing since 1 Jan 1970, 00:00:02 UTC (the clock was not known yet)\n" in said
        set_right(keeper)
        assert outlet.step(1) == 1
        assert len(box.mails) == 1
        keeper.change(SILENT, NEW, GONE)
        assert outlet.step(1) == 2
        assert "  Over since 4 May 2026, 09:00:04 UTC\n" in texts(box)[1]


def test_a_mail_that_waited_until_the_clock_was_known_gives_the_right_time(tmp_path: Path) -> None:
    with mail_server() as box, in_1970(tmp_path) as keeper:
        set_right(keeper)
        settings = Mail(HOST, box.port, "rig@example.org", ("k@example.org",), False, None, None)
        outlet = by_mail(keeper.record, RIG, settings)
        assert outlet.step(0) == 1
        (said,) = texts(box)
        assert "  Standing since 4 May 2026, 09:00:02 UTC\n" in said


def test_the_mail_of_the_day_gives_the_right_time_of_an_alarm_from_1970(tmp_path: Path) -> None:
    with in_1970(tmp_path) as keeper:
        set_right(keeper)
        digest = DailyDigest(
            keeper.record,
            RIG,
            at=0,
            utc_ms=lambda: keeper.now_ms,
            synchronised=lambda: True,
            sent=lambda _: None,
        ).due()
        assert digest is not None
        assert "C 30/60 is silent, since 4 May 2026, 09:00:02 UTC\n" in digest.text


def test_a_broker_is_told_that_the_time_may_be_wrong_and_another_one_the_right_one(
    tmp_path: Path,
) -> None:
    def told(port: int, position: int) -> dict[str, object]:
        with connection(port) as line, listener(port) as heard:
            outlet = MqttNotices(keeper.record, RIG, line, prefix=PREFIX)
            assert outlet.step(position) == 1
            wait_for(lambda: heard.last(TOPIC) is not None, what="the alarm")
            text = heard.last(TOPIC)
            assert text is not None
            validate("alarm", text)
            found: dict[str, object] = json.loads(text)
            assert sum(message.topic == TOPIC for message in heard.messages) == 1
            return found

    with in_1970(tmp_path / "record") as keeper:
        with broker(tmp_path / "broker", port=free_port()) as server:
            first = told(server.port, 0)
        set_right(keeper)
        with broker(tmp_path / "other", port=free_port()) as server:
            again = told(server.port, 1)  # it knows nothing of us, so what stands is told to it
    assert (first["at"], first["at_known"]) == ("1970-01-01T00:00:02.000Z", False)
    assert (again["at"], again["at_known"]) == ("2026-05-04T09:00:02.000Z", True)
