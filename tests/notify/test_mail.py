"""Mail notices against a real mail server."""

import email
import socket
from dataclasses import replace
from pathlib import Path

import pytest

from longsoak.notify.mail import MailNotices
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import NoticeError
from longsoak.vocabulary.rig import Mail, Rig
from rigs import ACKNOWLEDGED, GONE, NEW, NORMAL, Keeper, small_rig
from servers import HOST, Mailbox, free_port, mail_server, make_certificate

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
) -> MailNotices:
    settings = Mail(host, port, "rig@example.org", to, starttls, user, password_file=None)
    return MailNotices(record, rig, settings, password=password, patience=patience)


def test_an_alarm_goes_out_as_one_mail_that_no_robot_answers(tmp_path: Path) -> None:
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        keeper.change(OVERFILL, NORMAL, NEW, value=112.0, says="112 mm, setpoint 100 mm")
        assert notices(keeper.record, box.port).step(0) == 1
        (mail,) = box.mails
        assert mail["Subject"] == "render pair: water above the stop line"
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
            "render pair: 2 alarms",
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
        assert mail.get_content().count("water above the stop line") == 2


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


def test_one_refused_address_does_not_keep_the_mail_from_the_others(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    box = Mailbox(free_port(), refuse=("gone@example.org",))
    with mail_server(mailbox=box), Keeper(tmp_path, RIG) as keeper:
        keeper.change(OVERFILL, NORMAL, NEW)
        outlet = notices(keeper.record, box.port, to=("gone@example.org", "keeper@example.org"))
        assert outlet.step(0) == 1
        assert box.recipients == [("keeper@example.org",)]
        assert "refused gone@example.org" in caplog.text


def test_addresses_all_refused_are_told_by_name(tmp_path: Path) -> None:
    box = Mailbox(free_port(), refuse=("gone@example.org",))
    with mail_server(mailbox=box), Keeper(tmp_path, RIG) as keeper:
        keeper.change(OVERFILL, NORMAL, NEW)
        with pytest.raises(NoticeError, match=r"gone@example\.org: 550 5\.1\.1 no such user"):
            notices(keeper.record, box.port, to=("gone@example.org",)).step(0)


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
        assert mail["Subject"] == "pair X-Evil: yes: water Bcc: thief@example.org Send money"
        assert mail["Bcc"] is None
        assert mail["X-Evil"] is None
        assert box.recipients == [("keeper@example.org",)]
        raw = email.message_from_bytes(box.raw[0])
        assert set(raw.keys()) >= {"From", "To", "Subject", "Date", "Message-ID"}
        assert "thief@example.org" not in str(raw["To"])


def test_a_record_that_can_not_be_read_is_a_notice_error(tmp_path: Path) -> None:
    with pytest.raises(NoticeError, match="there is no record at"):
        notices(Record(tmp_path), 1).step(0)
