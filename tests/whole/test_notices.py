"""People, a webhook and the weekly trial, by the real process and real servers."""

import json
from functools import partial
from pathlib import Path

import pytest
from aiosmtpd.smtp import SMTP, Envelope, Session
from jsonschema import Draft202012Validator

from brokers import schema
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState
from pages.serving import serve
from processes import Running, longsoak, running
from scripted import Answer, Asked, Scripted, scripted_server
from servers import Mailbox, broker, free_port, listener, mail_server
from service.setclock import SetClock
from waiting import wait_for
from whole.thermorig import lay_out, pour, tray

NOTICE = Draft202012Validator(schema("notice"))
DAY = 86_400
MAIL = """
[notices.mail]
host = "127.0.0.1"
port = {port}
from = "rig@example.org"
to = ["keeper@example.org"]

[[people]]
name = "mk"
mail = "mk@example.org"
"""
HOOK = """
[notices.webhook]
url_file = "hook"

[[alarms]]
watch = "outlet away"
on_delay = 0.5
"""


def taken(_asked: Asked) -> Answer:
    return 200, ""


def posted(server: Scripted, words: str) -> bool:
    return any(words in asked.body.decode() for asked in server.asked)


def subjects(box: Mailbox, to: str) -> list[str]:
    return [
        str(mail["Subject"])
        for mail, who in zip(box.mails, box.recipients, strict=True)
        if who == (to,)
    ]


def hook(folder: Path, server: Scripted) -> None:
    folder.mkdir(exist_ok=True)
    (folder / "hook").write_text(f"{server.url}/hook\n")


@pytest.mark.long
def test_a_trial_goes_by_every_way_once_and_is_answered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    topic = "rigs/thermometers/trial"
    with (
        mail_server() as box,
        scripted_server(taken) as server,
        broker(tmp_path / "broker") as mqtt,
        listener(mqtt.port) as heard,
    ):
        hook(tmp_path, server)
        more = f"""
[notices]
trial = "Mon 09:00"
[notices.mqtt]
host = "127.0.0.1"
port = {mqtt.port}
prefix = "rigs/thermometers"
[[alarms]]
watch = "trial not answered"
within = {2 * DAY}
"""
        rig_file = lay_out(tmp_path, more=more + MAIL.format(port=box.port) + HOOK)
        clock = SetClock(tmp_path / "clock", monkeypatch)
        ways = ("keeper@example.org", "mk@example.org")
        with running(rig_file) as run:
            wait_for(lambda: heard.last("rigs/thermometers/state"), what="the state")
            run.says("recording thermometers")
            # Longer than the recorder and the routes take to look: the clock is not known yet.
            wait_for(
                lambda: Record(tmp_path / "record").version()[0] > 40,
                what="some seconds of scans",
                limit=60.0,
            )
            assert not box.mails
            assert not server.asked
            clock.synchronised(True)
            for way in ways:
                wait_for(partial(subjects, box, way), what=f"the trial to {way}")
            wait_for(lambda: heard.last(topic), what="the trial on the broker")
            wait_for(lambda: server.asked, what="the trial at the webhook")
            for text in (heard.last(topic) or "", server.asked[0].body.decode()):
                NOTICE.validate(json.loads(text))
                assert json.loads(text)["notice"] == "trial"
            wait_for(lambda: "Not by" not in trial_of(rig_file), what="what came of it")
            assert "nobody has answered it yet" in trial_of(rig_file)
            assert "Taken by: mail, mqtt, webhook, mail to mk." in trial_of(rig_file)
            assert run.stop() == 0
        assert longsoak("ack", "--rig", rig_file).stdout.startswith("trial  the weekly trial")
        with running(rig_file) as run:
            run.says("recording thermometers")
            with serve(rig_file) as pages:
                assert "Weekly trial of the notices" in pages.get("/alarms").text
                sent = pages.post("/alarms/acknowledge", {"key": "trial", "by": "mk"})
                assert sent.status == 303
                wait_for(lambda: "Weekly trial" not in pages.get("/alarms").text, what="the answer")
            again = longsoak("ack", "trial", "--by", "mk", "--rig", rig_file)
            assert "refused: no trial waits for an answer" in again.stdout
            wait_for(lambda: "answered by mk" in trial_of(rig_file), what="who answered")
            assert [len(subjects(box, way)) for way in ways] == [1, 1]
            # A week on the next one goes; nobody answers that.
            clock.set(7 * DAY)
            for way in ways:
                wait_for(lambda way=way: len(subjects(box, way)) == 2, what=f"the next to {way}")  # type: ignore[misc]  # bound here
            clock.set(9 * DAY + 60)
            wait_for(lambda: posted(server, "Nobody answered the trial"), what="the alarm")
            longsoak("ack", "trial", "--by", "mk", "--rig", rig_file)
            record = Record(tmp_path / "record")
            wait_for(
                lambda: not record.alarms()["trial not answered:computer"].new.standing,
                what="the end of the alarm",
            )
            assert run.stop() == 0


def trial_of(rig_file: Path) -> str:
    lines = longsoak("now", rig_file).stdout.splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("Weekly trial"))
    return " ".join(line.strip() for line in lines[start : start + 2])


def test_a_dead_mail_server_is_one_alarm_by_the_webhook_and_a_refused_address_another(
    tmp_path: Path,
) -> None:
    port = free_port()
    with scripted_server(taken) as server:
        hook(tmp_path, server)
        rig_file = lay_out(tmp_path, more=tray(tmp_path) + MAIL.format(port=port) + HOOK)
        record = Record(tmp_path / "record")
        with running(rig_file) as run:
            wait_for(lambda: posted(server, "outlet away:mail"), what="the alarm by the webhook")
            assert not posted(server, "outlet away:mail to mk")
            lines = longsoak("now", rig_file).stdout
            for name in ("Mail", "Mail to mk"):
                assert f"{name}: away for " in lines
            assert "Webhook: well; nothing waits; took the last notice " in lines
            box = Mailbox(port, refuse=("mk@example.org",))
            with mail_server(mailbox=box):
                wait_for(lambda: box.mails, what="the first mail", limit=60.0)
                pour(tmp_path, 104.0)
                wait_for(
                    lambda: posted(server, "outlet away:mail to mk"),
                    what="the alarm about the address",
                    limit=60.0,
                )
                assert posted(server, "refused: mk@example.org: 550 5.1.1 no such user here")
                wait_for(
                    lambda: not record.alarms()["outlet away:mail"].new.standing,
                    what="the end of the server's alarm",
                    limit=60.0,
                )
                # The list is not held back by it.
                wait_for(
                    lambda: any("Overfill" in s for s in subjects(box, "keeper@example.org")),
                    what="the overfill to the list",
                )
                assert record.alarms()["outlet away:mail to mk"].new is AlarmState.NEW
                refused = [e for e in record.events(limit=200) if e.kind == "refused"]
                assert {event.subject for event in refused} == {"mail to mk"}
                assert run.stop() == 0
        for asked in server.asked:
            NOTICE.validate(json.loads(asked.body))


class Killer(Mailbox):
    """A mailbox that ends the process once it has taken the overfill, before it says so."""

    victim: Running | None = None

    async def handle_DATA(  # noqa: N802 - the library's name
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        """Take a mail, and kill."""
        took = await super().handle_DATA(server, session, envelope)
        if self.victim is not None and "Overfill" in str(self.mails[-1]["Subject"]):
            self.victim.process.kill()
            self.victim = None
        return took


def caught_up(record: Record) -> bool:
    """Whether both ways have looked at all there is."""
    newest = record.version()[1]
    return all(record.cursor(way) >= newest for way in ("mail", "mail to mk"))


def test_killed_between_a_mail_and_its_cursor_it_goes_once_more_and_never_again(
    tmp_path: Path,
) -> None:
    box = Killer(free_port())
    with mail_server(mailbox=box):
        # That of the start after the cut waits, or it may come into one mail with the overfill.
        more = '[[alarms]]\nwatch = "restarted"\non_delay = 3600\n'
        rig_file = lay_out(tmp_path, more=tray(tmp_path) + MAIL.format(port=box.port) + more)
        record = Record(tmp_path / "record")
        with running(rig_file) as run:
            run.says("recording thermometers")
            wait_for(lambda: record.has_cursor("mail to mk"), what="the first cursors")
            box.victim = run
            pour(tmp_path, 104.0)
            run.process.wait(60)

        def overfills(way: str) -> list[str]:
            return [s for s in subjects(box, way) if "Overfill" in s and "over: " not in s]

        ways = ("keeper@example.org", "mk@example.org")
        for _ in range(2):
            with running(rig_file) as run:
                run.says("recording thermometers")
                for way in ways:
                    wait_for(partial(overfills, way), what=f"the overfill to {way}")
                wait_for(partial(caught_up, record), what="the cursors at the end")
                assert run.stop() == 0
        found = {way: overfills(way) for way in ways}
        # The one it was killed over, and the other too if that was on its way.
        counts = sorted(len(mails) for mails in found.values())
        assert counts[0] in (1, 2)
        assert counts[1] == 2
        assert all(len(set(mails)) == 1 for mails in found.values())
