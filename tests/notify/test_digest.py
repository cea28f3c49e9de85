"""The mail of every day, against a real mail server."""

import re
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from email.message import EmailMessage
from pathlib import Path

import pytest

from longsoak.notify.digest import CURSOR, DailyDigest, digest_cursor
from longsoak.notify.route import RouteNotices
from longsoak.rigfile.load import parse
from longsoak.service.clock import SystemClock
from longsoak.service.dayclosing import DayClosing
from longsoak.service.messages import CursorMoved, OutletNews
from longsoak.service.outlets import OutletWorker
from longsoak.store.audit import audit
from longsoak.store.ledger import Ledger
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmChange, AlarmState, Hiding
from longsoak.vocabulary.destinations import Database, Mail
from longsoak.vocabulary.errors import NoticeError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.notices import Person, Weekly
from longsoak.vocabulary.rig import Rig
from notify.routing import by_mail
from rigs import NEW, NORMAL, Keeper, small_rig
from servers import HOST, Mailbox, free_port, mail_server
from store.auditrecord import altered, close_days
from waiting import wait_for

RIG = small_rig(name="render pair", database=Database("http://x", "-", "rig", None, 60.0))
HOUR_MS = 3_600_000
SEVEN = 7 * 60  # min after midnight


class Wall:
    """A clock on the wall that is set by hand."""

    def __init__(self, utc_ms: int) -> None:
        self.utc_ms = utc_ms
        self.known = True

    def now(self) -> int:
        return self.utc_ms

    def synchronised(self) -> bool:
        return self.known


def notices(
    keeper: Keeper, port: int, wall: Wall, *, sent: Callable[[int], None] | None = None
) -> RouteNotices:
    """The shipped outlet; what it sent is saved as the service does."""

    def save(number: int) -> None:
        keeper.writer.commit(Batch(cursors={CURSOR: (number, wall.utc_ms)}))

    settings = Mail(HOST, port, "rig@example.org", ("k@example.org",), False, None, None, SEVEN)
    digest = DailyDigest(
        keeper.record,
        RIG,
        at=SEVEN,
        utc_ms=wall.now,
        synchronised=wall.synchronised,
        sent=sent or save,
    )
    return by_mail(keeper.record, RIG, settings, digest=digest)


def subjects(box: Mailbox) -> list[str]:
    return [str(mail["Subject"]) for mail in box.mails]


def text_of(mail: EmailMessage) -> str:
    return str(mail.get_content()).replace("\r\n", "\n")


def measured(keeper: Keeper) -> None:
    """Three scans on 4 May at 9 h, one of a probe that is silent; a fourth on 5 May at 6 h."""
    keeper.scans([{"C 10/60": 17.5, "C 30/60": 18.0}] * 2)
    keeper.scan({"C 10/60": 17.5, "C 30/60": None}, flags={"C 10/60": (Flag.SUSPECT, Reason.NONE)})
    keeper.scan({"C 10/60": 17.5}, after=21 * 3600)
    close_days(DayClosing(keeper.record.folder, keeper.writer), keeper)


def test_it_tells_how_the_rig_stands_and_gives_the_root_whole(tmp_path: Path) -> None:
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        measured(keeper)
        keeper.change("silent: C 30/60", NORMAL, NEW)
        wall = Wall(keeper.now_ms + 2 * HOUR_MS)
        position = keeper.record.version()[1]
        notices(keeper, box.port, wall).step(position)
        (mail,) = box.mails
        head = Ledger(tmp_path).last_head()
        assert head is not None
        assert mail["Subject"] == "render pair, day by day: 1 alarm stands"
        assert mail["Auto-Submitted"] == "auto-generated"
        text = text_of(mail)
        assert "Standing alarms:\n  C 30/60 is silent, since 5 May 2026, 06:00:04 UTC\n" in text
        assert "2026-05-04: 6 readings in 3 scans, 4 of them a pass (66.7 %).\n" in text
        assert "The last reading was taken 2 h 00 before this.\n" in text
        assert "Not sent to the database yet: 4 scans, the oldest 23 h 00 old.\n" in text
        assert f"Closed day: 2026-05-04\nRoot: {head.root}\n" in text
        assert "All data of this rig are invented." in text
        assert all(len(line) <= 78 for line in text.splitlines())


def test_what_it_says_proves_the_record_weeks_later(tmp_path: Path) -> None:
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        measured(keeper)
        notices(keeper, box.port, Wall(keeper.now_ms + 2 * HOUR_MS)).step(0)
        keeper.scan({"C 10/60": 17.5}, after=20 * 86_400)
        (mail,) = box.mails
        said = re.search(r"--date (\S+) \\\n +--root (\S+)\n", text_of(mail))
        assert said is not None
        proof = audit(tmp_path, noted=(date.fromisoformat(said[1]), said[2])).proof
        assert proof is not None
        assert proof.proved


def test_it_goes_once_a_day_even_over_restarts(tmp_path: Path) -> None:
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        measured(keeper)
        wall = Wall(keeper.now_ms + 2 * HOUR_MS)  # 5 May, 8 h
        notices(keeper, box.port, wall).step(0)
        for _ in range(3):
            notices(keeper, box.port, wall).step(0)
            wall.utc_ms += 7 * HOUR_MS
        wall.utc_ms += HOUR_MS + 59 * 60_000  # 6 May, 6:59
        outlet = notices(keeper, box.port, wall)
        outlet.step(0)
        assert len(box.mails) == 1
        wall.utc_ms += 60_000
        outlet.step(0)
        outlet.step(0)
        assert len(box.mails) == 2


def test_none_goes_before_the_clock_is_known(tmp_path: Path) -> None:
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        wall = Wall(0)
        wall.known = False
        outlet = notices(keeper, box.port, wall)
        outlet.step(0)
        assert box.mails == []
        wall.utc_ms, wall.known = keeper.now_ms, True
        outlet.step(0)
        (mail,) = box.mails
        assert "No day is closed yet" in mail.get_content()
        assert "Nothing was measured yet." in mail.get_content()


def test_a_clock_that_was_years_ahead_does_not_silence_it_for_years(tmp_path: Path) -> None:
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        wall = Wall(keeper.now_ms + 9 * 365 * 24 * HOUR_MS)
        outlet = notices(keeper, box.port, wall)
        outlet.step(0)
        wall.utc_ms = keeper.now_ms
        outlet.step(0)
        outlet.step(0)
        assert len(box.mails) == 2


def test_an_alarm_goes_before_it_and_a_server_that_is_away_gets_both_later(tmp_path: Path) -> None:
    port = free_port()
    with Keeper(tmp_path, RIG) as keeper:
        keeper.change("silent: C 30/60", NORMAL, NEW)
        outlet = notices(keeper, port, Wall(keeper.now_ms))
        for _ in range(2):
            with pytest.raises(NoticeError, match="Connection refused"):
                outlet.step(0)
        with mail_server(port=port) as box:
            assert outlet.step(0) == 1
            assert outlet.step(1) == 1
            assert outlet.step(1) == 1
            assert subjects(box) == [
                "render pair: C 30/60 is silent",
                "render pair, day by day: 1 alarm stands",
            ]


def test_a_day_that_can_not_be_counted_does_not_keep_the_root_back(tmp_path: Path) -> None:
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        measured(keeper)
        wall = Wall(keeper.now_ms)
        outlet = notices(keeper, box.port, wall)
        altered(tmp_path, "UPDATE layout SET probes = 'no list' WHERE id = 1")
        outlet.step(0)
        (mail,) = box.mails
        assert "Not known: 2026-05-04:" in mail.get_content()
        head = Ledger(tmp_path).last_head()
        assert head is not None
        assert head.root in mail.get_content()


def test_the_outlet_s_own_thread_sends_it(tmp_path: Path) -> None:
    told: list[object] = []
    done = threading.Event()

    def tell(news: OutletNews | CursorMoved) -> None:
        told.append(news)
        done.set()

    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        measured(keeper)
        wall = Wall(keeper.now_ms)
        worker = OutletWorker(
            "mail",
            build=lambda: notices(keeper, box.port, wall, sent=told.append),
            record=keeper.record,
            clock=SystemClock(),
            settle=0.0,
            report=tell,
        )
        worker.start()
        wait_for(lambda: len(box.mails) == 1, what="a digest", limit=10)
        worker.stop()
        worker.join(10)
        assert len(box.mails) == 1
    assert [number for number in told if isinstance(number, int)] == [20_577]  # 4 May's, at 7 h


def test_the_rig_file_says_when(tmp_path: Path) -> None:
    text = (Path(__file__).parents[1] / "rigfile" / "good.toml").read_text()
    there = "[notices.mail]\n"
    assert there in text
    rig = parse(text.replace(there, f'{there}digest = "07:30"\n'), file="rig.toml", find_kind=None)
    assert rig.mail is not None
    assert rig.mail.digest == 450
    assert replace(rig.mail, digest=None) == parse(text, file="rig.toml", find_kind=None).mail


def day_mail(keeper: Keeper, rig: Rig, utc_ms: int) -> str:
    """The text of the mail that is due then."""
    due = DailyDigest(
        keeper.record,
        rig,
        at=0,
        utc_ms=lambda: utc_ms,
        synchronised=lambda: True,
        sent=lambda _: None,
    ).due()
    assert due is not None
    return due.text


def test_it_tells_what_is_stale_shelved_and_out_of_service(tmp_path: Path) -> None:
    plans = [replace(RIG.alarms[1], key=f"s{n}", title=f"S{n} is silent") for n in range(4)]
    rig = replace(RIG, alarms=tuple(plans))
    with Keeper(tmp_path, rig) as keeper:
        keeper.change("s0", NORMAL, NEW)
        at = keeper.now_ms
        for key, hiding, until in (
            ("s1", Hiding.SHELVED, at + 80 * HOUR_MS),
            ("s2", Hiding.OUT_OF_SERVICE, None),
            ("s3", Hiding.SUPPRESSED, None),
        ):
            change = AlarmChange(
                *(key, at, 1000, NORMAL, NEW, None, "", None),
                hiding=hiding,
                until_utc_ms=until,
                seconds=None if until is None else 80 * 3600.0,
                news=False,
            )
            keeper.writer.commit(Batch(changes=[change]))
        text = day_mail(keeper, rig, at + 23 * HOUR_MS)
        assert "Standing alarms:\n  S0 is silent, since 4 May 2026, 09:00:01 UTC\nShelved:" in text
        # That somebody has answered it makes it no younger.
        keeper.change("s0", NEW, AlarmState.ACKNOWLEDGED, by="mk")
        text = day_mail(keeper, rig, at + 51 * HOUR_MS)
        # ISA-18.2, second hand: what has stood for more than a day is stale.
        assert "  S0 is silent, since 4 May 2026, 09:00:01 UTC (stale: 2 days)\n" in text
        assert "Shelved:\n  S1 is silent, until 7 May 2026, 17:00:01 UTC\n" in text
        assert "Out of service:\n  S2 is silent, since " in text
        assert "Said by another:\n  S3 is silent, since " in text


def test_it_tells_what_was_not_delivered_and_how_the_trial_stands(tmp_path: Path) -> None:
    mk = Person("mk", ("mk@example.org",))
    mail = Mail(HOST, 1, "rig@example.org", ("k@example.org",), False, None, None)
    rig = replace(RIG, mail=mail, people=(mk,), trial=Weekly(0, 540))
    with Keeper(tmp_path, rig) as keeper:
        at = keeper.now_ms
        text = day_mail(keeper, rig, at)
        assert "Trouble with notices" not in text
        assert "Weekly trial: none went out yet.\n" in text
        happened = [
            ("outlet", "mail", "the mail server failed: Connection refused"),
            ("outlet", "mail", "takes what is sent"),
            ("refused", "mail to mk", "mk@example.org: 550 no such user"),
            ("trial", "sent", "goes to everybody"),
            ("trial", "mail", "taken"),
        ]
        events = [Event(at, kind, subject, says, None) for kind, subject, says in happened]
        keeper.writer.commit(Batch(events=events, cursors={"trial": (1, at)}))
        text = day_mail(keeper, rig, at + HOUR_MS)
        trouble = text[text.index("Trouble with notices and copies since yesterday:") :]
        for line in (
            "  mail, 4 May 2026, 09:00:00 UTC: the mail server failed: Connection refused\n",
            "  mail, 4 May 2026, 09:00:00 UTC: takes what is sent\n",
            "  mail to mk, 4 May 2026, 09:00:00 UTC: mk@example.org: 550 no such user\n",
        ):
            assert line in trouble
        assert "Weekly trial: went out 1 h 00 ago; nobody has answered it yet.\n" in text
        assert "  Taken by: mail. Not by: mail to mk.\n" in text
        answer = Event(at, "trial", "answered", "by mk, 5 min after it went out", None)
        keeper.writer.commit(Batch(events=[answer]))
        text = day_mail(keeper, rig, at + 25 * HOUR_MS)
        assert "answered by mk, 5 min after it went out.\n" in text
        assert "Trouble" not in text


def test_each_person_who_is_mailed_gets_it_once(tmp_path: Path) -> None:
    assert digest_cursor("mail") == CURSOR
    assert digest_cursor("mail to mk") == "digest by mail to mk"
    with Keeper(tmp_path, RIG) as keeper:
        now = keeper.now_ms
        kept: list[int] = []
        for cursor in (CURSOR, digest_cursor("mail to mk")):
            digest = DailyDigest(
                keeper.record,
                RIG,
                at=0,
                utc_ms=lambda: now,
                synchronised=lambda: True,
                sent=kept.append,
                cursor=cursor,
            )
            due = digest.due()
            assert due is not None
            digest.went(due.number)
            assert digest.due() is None
            keeper.writer.commit(Batch(cursors={CURSOR: (due.number, now)}))
        assert len(kept) == 2
