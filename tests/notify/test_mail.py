"""Mail notices against a real mail server."""

import email
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from aiosmtpd.smtp import SMTP, Envelope, Session

from longsoak.notify.route import TRIED_EVERY, RouteNotices
from longsoak.service.clock import SystemClock
from longsoak.service.messages import CursorMoved, OutletNews
from longsoak.service.outlets import OutletWorker
from longsoak.store.reader import Record
from longsoak.vocabulary.destinations import Mail
from longsoak.vocabulary.errors import NoticeError
from longsoak.vocabulary.rig import Rig
from notify.routing import Told, by_mail
from rigs import ACKNOWLEDGED, GONE, NEW, NORMAL, Keeper, small_rig
from servers import HOST, Mailbox, free_port, mail_server, make_certificate
from waiting import wait_for

OVERFILL, SILENT = "overfill: water level", "silent: C 30/60"
RIG = small_rig(name="render pair")
RIGHT = "secret"


def notices(
    record: Record,
    port: int,
    *,
    rig: Rig = RIG,
    host: str = HOST,
    to: tuple[str, ...] = ("keeper@example.org",),
    starttls: bool = False,
    user: str | None = None,
    password: str | None = None,
    patience: float = 10.0,
    sender: str = "rig@example.org",
    monotonic: Callable[[], float] = lambda: 0.0,
    told: Told | None = None,
) -> RouteNotices:
    settings = Mail(host, port, sender, to, starttls, user, password_file=None)
    return by_mail(
        record, rig, settings, password=password, patience=patience, monotonic=monotonic, told=told
    )


@dataclass(slots=True)
class Counting(Mailbox):
    """A mailbox that also notes who came to try the door: the senders that were taken back."""

    tried: list[str] = field(default_factory=list)
    said_good_bye: int = 0
    sender: str = ""

    async def handle_MAIL(  # noqa: N802 - the library's name
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        """Note the sender."""
        envelope.mail_from = address
        self.sender = address
        return "250 OK"

    async def handle_RSET(  # noqa: N802 - as above
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        """Note the sender that is taken back."""
        self.tried.append(self.sender)
        return "250 OK"

    async def handle_QUIT(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802 - as above
        """Count good-byes."""
        self.said_good_bye += 1
        return "221 Bye"


class Hours:
    """A monotonic clock that is set by hand."""

    now = 1000.0

    def __call__(self) -> float:
        return self.now


def test_an_alarm_goes_out_as_one_mail_that_no_robot_answers(tmp_path: Path) -> None:
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        keeper.change(OVERFILL, NORMAL, NEW, value=112.0, says="112 mm, setpoint 100 mm")
        assert notices(keeper.record, box.port).step(0) == 1
        (mail,) = box.mails
        assert mail["Subject"] == "High priority, render pair: water above the stop line"
        assert mail["Importance"] == "high"
        assert mail["From"] == "rig@example.org"
        assert mail["To"] == "keeper@example.org"
        assert mail["Auto-Submitted"] == "auto-generated"
        assert mail["Message-ID"].endswith("@example.org>")
        assert mail["Date"].datetime.tzinfo is not None
        assert mail.get_content_type() == "text/plain"
        assert "    1. Stop the top-up." in mail.get_content().splitlines()
        assert box.recipients == [("keeper@example.org",)]


def test_what_waited_goes_in_one_mail_and_acknowledgements_in_none(tmp_path: Path) -> None:
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        outlet = notices(keeper.record, box.port)
        keeper.change(OVERFILL, NORMAL, NEW)
        keeper.change(OVERFILL, NEW, ACKNOWLEDGED, by="keeper")
        keeper.change(SILENT, NORMAL, NEW)
        assert outlet.step(0) == 3
        assert outlet.step(3) == 3
        keeper.change(SILENT, NEW, ACKNOWLEDGED, by="keeper")
        assert outlet.step(3) == 4
        keeper.change(SILENT, ACKNOWLEDGED, NORMAL)
        assert outlet.step(4) == 5
        outlet.close()
        assert [mail["Subject"] for mail in box.mails] == [
            "High priority, render pair: 2 alarms (water level, C 30/60)",
            "render pair: over: C 30/60 is silent",
        ]


def test_a_mail_server_that_was_down_gets_everything_once_when_it_is_back(tmp_path: Path) -> None:
    port = free_port()
    with Keeper(tmp_path, RIG) as keeper:
        outlet = notices(keeper.record, port)
        keeper.change(OVERFILL, NORMAL, NEW)
        for _ in range(2):
            with pytest.raises(NoticeError) as error:
                outlet.step(0)
        assert str(error.value) == (
            f"the mail server {HOST}:{port} failed at connecting: Connection refused"
        )
        keeper.change(OVERFILL, NEW, GONE)
        with mail_server(port=port) as box:
            assert outlet.step(0) == 2
            assert outlet.step(2) == 2
            (mail,) = box.mails
        text = mail.get_content()
        assert text.count("water above the stop line") == 1
        assert (
            "water above the stop line: came 4 May 2026, 09:00:01 UTC, "
            "over 4 May 2026, 09:00:02 UTC"
        ) in text


def test_an_encrypted_login_is_made_where_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    certificate = make_certificate(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    with (
        mail_server(users={"rig": RIGHT}, certificate=certificate) as box,
        Keeper(tmp_path / "record", RIG) as keeper,
    ):
        keeper.change(OVERFILL, NORMAL, NEW)
        outlet = notices(
            keeper.record, box.port, host="localhost", starttls=True, user="rig", password=RIGHT
        )
        assert outlet.step(0) == 1
        assert box.encrypted == [True]


def test_a_certificate_nobody_vouches_for_is_refused_before_the_password_is_sent(
    tmp_path: Path,
) -> None:
    with (
        mail_server(users={"rig": RIGHT}, certificate=make_certificate(tmp_path)) as box,
        Keeper(tmp_path / "record", RIG) as keeper,
    ):
        keeper.change(OVERFILL, NORMAL, NEW)
        outlet = notices(
            keeper.record, box.port, host="localhost", starttls=True, user="rig", password=RIGHT
        )
        with pytest.raises(NoticeError, match=r"failed at starting encryption: .*certificate"):
            outlet.step(0)
        assert box.mails == []


@pytest.mark.parametrize(
    ("user", "password", "sentence"),
    [
        ("rig", "wrong", "failed at logging in as rig: 535 5.7.8 Authentication"),
        ("rig", None, "failed at logging in as rig: there is a user but no password; "),
        ("rig", "pässword", "failed at logging in as rig: only plain ASCII"),
        (None, None, "failed at sending: 530 5.7.0 Authentication required"),
    ],
)
def test_a_login_that_fails_is_told_and_nothing_moves(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    user: str | None,
    password: str | None,
    sentence: str,
) -> None:
    certificate = make_certificate(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    with (
        mail_server(users={"rig": RIGHT}, certificate=certificate) as box,
        Keeper(tmp_path / "record", RIG) as keeper,
    ):
        keeper.change(OVERFILL, NORMAL, NEW)
        outlet = notices(
            keeper.record, box.port, host="localhost", starttls=True, user=user, password=password
        )
        with pytest.raises(NoticeError) as error:
            outlet.step(0)
        assert sentence in str(error.value)
        assert RIGHT not in str(error.value)
        assert box.mails == []


def test_one_refused_address_does_not_keep_the_mail_from_the_others(tmp_path: Path) -> None:
    box, told = Mailbox(free_port(), refuse=("gone@example.org",)), Told()
    with mail_server(mailbox=box), Keeper(tmp_path, RIG) as keeper:
        keeper.change(OVERFILL, NORMAL, NEW)
        outlet = notices(
            keeper.record, box.port, to=("gone@example.org", "keeper@example.org"), told=told
        )
        assert outlet.step(0) == 1
        assert box.recipients == [("keeper@example.org",)]
        assert told.refused == ["gone@example.org: 550 5.1.1 no such user here"]
        assert [kind for kind, _ in told.events] == ["notice"]


def test_addresses_all_refused_for_good_are_told_by_name_and_not_asked_again(
    tmp_path: Path,
) -> None:
    box, told = Mailbox(free_port(), refuse=("gone@example.org",)), Told()
    with mail_server(mailbox=box), Keeper(tmp_path, RIG) as keeper:
        keeper.change(OVERFILL, NORMAL, NEW)
        outlet = notices(keeper.record, box.port, to=("gone@example.org",), told=told)
        assert outlet.step(0) == 1
        assert told.refused == ["gone@example.org: 550 5.1.1 no such user here"]
        assert told.events == []
        box.refuse = ()
        keeper.change(OVERFILL, NEW, GONE)
        assert outlet.step(1) == 2
        assert told.refused[1:] == [None]


def test_a_server_that_takes_the_call_and_says_nothing_is_given_up(tmp_path: Path) -> None:
    with socket.create_server((HOST, 0)) as mute, Keeper(tmp_path, RIG) as keeper:
        keeper.change(OVERFILL, NORMAL, NEW)
        outlet = notices(keeper.record, mute.getsockname()[1], patience=0.3)
        with pytest.raises(NoticeError, match=r"failed at connecting: .*timed out"):
            outlet.step(0)


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r", "\x0b", "\x85", "\u2028"])
def test_a_title_can_not_add_a_header_or_a_recipient(tmp_path: Path, end: str) -> None:
    evil = f"water{end}Bcc: thief@example.org{end}{end}Send money"
    plan = replace(RIG.alarms[0], title=evil)
    rig = small_rig(name=f"pair{end}X-Evil: yes", alarms=(plan,))
    with mail_server() as box, Keeper(tmp_path, rig) as keeper:
        keeper.change(OVERFILL, NORMAL, NEW, says=f"wet{end}.{end}QUIT{end}")
        assert notices(keeper.record, box.port, rig=rig).step(0) == 1
        (mail,) = box.mails
        told = "pair X-Evil: yes: water Bcc: thief@example.org Send money"
        assert mail["Subject"].strip() == f"High priority, {told}"  # on a line of its own
        assert mail["Bcc"] is None
        assert mail["X-Evil"] is None
        assert box.recipients == [("keeper@example.org",)]
        raw = email.message_from_bytes(box.raw[0])
        assert set(raw.keys()) >= {"From", "To", "Subject", "Date", "Message-ID"}
        assert "thief@example.org" not in str(raw["To"])


def test_a_server_nothing_is_sent_to_is_tried_at_the_start_and_every_hour(tmp_path: Path) -> None:
    hours = Hours()
    box = Counting(free_port())
    with mail_server(mailbox=box), Keeper(tmp_path, RIG) as keeper:
        outlet = notices(keeper.record, box.port, monotonic=hours)
        for _ in range(3):
            assert outlet.step(0) == 0
        assert box.tried == ["rig@example.org"]
        hours.now += TRIED_EVERY - 1.0
        assert outlet.step(0) == 0
        assert len(box.tried) == 1
        hours.now += 1.0
        assert outlet.step(0) == 0
        assert len(box.tried) == 2
        wait_for(lambda: box.said_good_bye == 2, what="two good-byes")
        assert box.mails == []


def test_a_mail_that_went_counts_as_a_try(tmp_path: Path) -> None:
    hours = Hours()
    box = Counting(free_port())
    with mail_server(mailbox=box), Keeper(tmp_path, RIG) as keeper:
        outlet = notices(keeper.record, box.port, monotonic=hours)
        keeper.change(OVERFILL, NORMAL, NEW)
        assert outlet.step(0) == 1
        hours.now += TRIED_EVERY - 1.0
        assert outlet.step(1) == 1
        keeper.change(OVERFILL, NEW, ACKNOWLEDGED, by="keeper")
        assert outlet.step(1) == 2
        assert box.tried == []
        hours.now += 1.0
        assert outlet.step(2) == 2
        assert len(box.tried) == 1
        assert len(box.mails) == 1


def test_a_dead_server_is_told_before_any_alarm_and_tried_until_it_is_back(tmp_path: Path) -> None:
    port = free_port()
    with Keeper(tmp_path, RIG) as keeper:
        outlet = notices(keeper.record, port)
        for _ in range(2):
            with pytest.raises(NoticeError) as error:
                outlet.step(0)
            assert str(error.value) == (
                f"the mail server {HOST}:{port} failed at connecting: Connection refused"
            )
        box = Counting(port)
        with mail_server(mailbox=box):
            assert outlet.step(0) == 0
        assert outlet.step(0) == 0  # it is gone again, which the next hour will show
        assert len(box.tried) == 1


@pytest.mark.parametrize(
    ("user", "password", "sentence"),
    [
        ("rig", "wrong", "failed at logging in as rig: 535 5.7.8 Authentication"),
        (None, None, "failed at naming the sender: 530 5.7.0 Authentication required"),
    ],
)
def test_a_login_that_will_fail_is_told_before_any_alarm(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    user: str | None,
    password: str | None,
    sentence: str,
) -> None:
    certificate = make_certificate(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    with (
        mail_server(users={"rig": RIGHT}, certificate=certificate) as box,
        Keeper(tmp_path / "record", RIG) as keeper,
    ):
        outlet = notices(
            keeper.record, box.port, host="localhost", starttls=True, user=user, password=password
        )
        with pytest.raises(NoticeError) as error:
            outlet.step(0)
        assert sentence in str(error.value)


def test_a_server_without_encryption_is_told_before_the_password_is_sent(tmp_path: Path) -> None:
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        outlet = notices(keeper.record, box.port, starttls=True, user="rig", password=RIGHT)
        with pytest.raises(NoticeError, match="failed at starting encryption: STARTTLS"):
            outlet.step(0)


def test_a_right_login_is_tried_over_encryption(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    certificate = make_certificate(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    box = Counting(free_port())
    with (
        mail_server(users={"rig": RIGHT}, certificate=certificate, mailbox=box),
        Keeper(tmp_path / "record", RIG) as keeper,
    ):
        outlet = notices(
            keeper.record, box.port, host="localhost", starttls=True, user="rig", password=RIGHT
        )
        assert outlet.step(0) == 0
        assert box.tried == ["rig@example.org"]


def test_the_service_hears_of_a_dead_server_without_an_alarm_and_of_its_return(
    tmp_path: Path,
) -> None:
    port = free_port()
    heard: list[OutletNews | CursorMoved] = []
    with Keeper(tmp_path, RIG) as keeper:
        worker = OutletWorker(
            "mail",
            build=lambda: notices(keeper.record, port),
            record=keeper.record,
            clock=SystemClock(),
            settle=0.0,
            report=heard.append,
        )
        worker.start()
        try:
            wait_for(lambda: bool(heard), what="the first report")
            assert isinstance(heard[0], OutletNews)
            assert "Connection refused" in str(heard[0].away)
            box = Counting(port)
            with mail_server(mailbox=box):
                wait_for(
                    lambda: OutletNews("mail", None) in heard, what="the report that it is back"
                )
            assert len(box.tried) == 1
        finally:
            worker.stop()
            worker.join(10)
        assert worker not in threading.enumerate()


def test_a_record_that_can_not_be_read_is_a_notice_error(tmp_path: Path) -> None:
    with pytest.raises(NoticeError, match="there is no record at"):
        notices(Record(tmp_path), 1).step(0)
