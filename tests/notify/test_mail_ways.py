"""Mail to people and lists: encryption, refusals of all sorts, and answers that are lost."""

import socket
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from aiosmtpd.smtp import SMTP, Envelope, Session

from longsoak.notify.mail import MailCarrier
from longsoak.notify.route import RouteNotices
from longsoak.service.tls import trusting
from longsoak.vocabulary.destinations import Mail
from longsoak.vocabulary.errors import NoticeError, PartlyError
from notify.routing import TO_ALL, Clocks, Told, a_route
from rigs import GONE, NEW, NORMAL, START_MS, Keeper, small_rig
from servers import HOST, Mailbox, free_port, mail_server, make_certificates

HIGH, MEDIUM = "overfill: water level", "silent: C 30/60"
RIG = small_rig(name="pair")
A, B = "a@example.org", "b@example.org"
PLAIN = Mail(HOST, 25, "rig@example.org", (A, B), False, None, None)


@dataclass(slots=True)
class Odd(Mailbox):
    """A mailbox that answers a mail as it likes, after it has kept it."""

    answers: list[str | None] = field(default_factory=list)  # None hangs up without one

    async def handle_DATA(  # noqa: N802 - the library's name
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        """Take a mail, and say what is next."""
        took = await super(Odd, self).handle_DATA(server, session, envelope)
        answer = self.answers.pop(0) if self.answers else took
        if answer is None:
            assert server.transport is not None
            server.transport.close()
            return took
        return answer


def route(
    keeper: Keeper,
    port: int,
    *,
    to: tuple[str, ...] = (A, B),
    told: Told | None = None,
    settings: Mail = PLAIN,
    password: str | None = None,
    tls: ssl.SSLContext | None = None,
    patience: float = 10.0,
) -> RouteNotices:
    carrier = MailCarrier(
        replace(settings, port=port), to, password=password, tls=tls, patience=patience
    )
    return a_route(TO_ALL, keeper.record, RIG, carrier, now=Clocks(START_MS), told=told)


# The test's server asks for a login inside encryption that it does not ask for itself.
@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS:UserWarning")
def test_mail_encrypted_from_the_first_byte_logs_in_and_believes_the_authority_it_is_given(
    tmp_path: Path,
) -> None:
    made = make_certificates(tmp_path)
    both = tmp_path / "both.pem"
    both.write_bytes(made.server.read_bytes() + made.server_key.read_bytes())
    settings = replace(PLAIN, host="localhost", tls=True, user="rig")
    with (
        mail_server(certificate=both, users={"rig": "right"}, from_the_start=True) as box,
        Keeper(tmp_path / "record", RIG) as keeper,
    ):
        keeper.change(HIGH, NORMAL, NEW)
        for ca_file, password, fails in (
            (None, "right", "certificate verify failed"),
            ("ca.pem", "wrong", "logging in as rig: 535"),
            ("ca.pem", "right", None),
        ):
            tls = trusting(ca_file, table="[notices.mail]", beside=tmp_path)
            outlet = route(keeper, box.port, settings=settings, password=password, tls=tls)
            if fails is None:
                assert outlet.step(0) == 1
            else:
                with pytest.raises(NoticeError, match=fails):
                    outlet.step(0)
        assert len(box.mails) == 1
        assert box.recipients == [(A, B)]


def test_a_server_that_does_not_encrypt_is_told(tmp_path: Path) -> None:
    tls = ssl.create_default_context()
    with mail_server() as box, Keeper(tmp_path, RIG) as keeper:
        keeper.change(HIGH, NORMAL, NEW)
        with pytest.raises(NoticeError, match="failed at connecting"):
            route(keeper, box.port, settings=replace(PLAIN, tls=True), tls=tls, patience=2.0).step(
                0
            )


@pytest.mark.parametrize(
    ("file", "says"),
    [("none.pem", "can't be read: No such file"), ("rig.toml", "holds no certificate in PEM")],
)
def test_an_authority_that_can_not_be_read_is_told(tmp_path: Path, file: str, says: str) -> None:
    (tmp_path / "rig.toml").write_text("[rig]\n")
    with pytest.raises(NoticeError, match=says) as error:
        trusting(file, table="[notices.mail]", beside=tmp_path)
    assert "ca_file of [notices.mail]" in str(error.value)


def test_an_address_that_is_refused_for_now_gets_it_later_and_the_other_no_second_time(
    tmp_path: Path,
) -> None:
    box, told = Mailbox(free_port(), later=[B]), Told()
    with mail_server(mailbox=box), Keeper(tmp_path, RIG) as keeper:
        outlet = route(keeper, box.port, told=told)
        keeper.change(HIGH, NORMAL, NEW)
        with pytest.raises(PartlyError, match=r"b@example\.org: 451 4\.7\.1 come again later"):
            outlet.step(0)
        assert outlet.step(0) == 1
        assert box.recipients == [(A,), (B,)]
        assert told.refused == [None]


def test_an_address_refused_for_now_does_not_hold_back_the_next_alarm(tmp_path: Path) -> None:
    box, told = Mailbox(free_port(), later=[B] * 3), Told()
    with mail_server(mailbox=box), Keeper(tmp_path, RIG) as keeper:
        outlet = route(keeper, box.port, told=told)
        keeper.change(MEDIUM, NORMAL, NEW)
        for _ in range(2):
            with pytest.raises(PartlyError):
                outlet.step(0)
        keeper.change(HIGH, NORMAL, NEW)
        with pytest.raises(PartlyError):  # the second goes to those who take it, at once
            outlet.step(0)
        assert [str(mail["Subject"]) for mail in box.mails] == [
            "pair: C 30/60 is silent",
            "High priority, pair: water above the stop line",
        ]
        assert outlet.step(0) == 2
        assert box.recipients == [(A,), (A,), (B,)]
        assert str(box.mails[-1]["Subject"]).startswith("High priority")
        assert told.refused == [f"{B}: 451 4.7.1 come again later (not tried again)"]
        assert [says for _, says in told.events] == [
            "taken by some: pair: C 30/60 is silent",
            "taken by some: High priority, pair: water above the stop line",
            "taken: High priority, pair: water above the stop line",
        ]


def test_an_address_all_refuse_for_now_is_tried_again_with_what_comes(tmp_path: Path) -> None:
    box = Mailbox(free_port(), later=[A, B])
    with mail_server(mailbox=box), Keeper(tmp_path, RIG) as keeper:
        outlet = route(keeper, box.port)
        keeper.change(MEDIUM, NORMAL, NEW)
        with pytest.raises(NoticeError, match="come again later"):
            outlet.step(0)
        keeper.change(HIGH, NORMAL, NEW)
        assert outlet.step(0) == 2
        assert len(box.mails) == 1


def test_a_mail_that_is_refused_for_what_it_says_is_told_and_holds_back_nothing(
    tmp_path: Path,
) -> None:
    box, told = Odd(free_port(), answers=["554 5.7.1 looks like spam"]), Told()
    with mail_server(mailbox=box), Keeper(tmp_path, RIG) as keeper:
        outlet = route(keeper, box.port, told=told)
        keeper.change(HIGH, NORMAL, NEW)
        assert outlet.step(0) == 1
        assert told.refused == ["the message: 554 5.7.1 looks like spam"]
        keeper.change(HIGH, NEW, GONE)
        assert outlet.step(1) == 2
        assert told.refused[1:] == [None]


@pytest.mark.parametrize("answer", ["451 4.3.0 disk full", None])
def test_a_mail_whose_answer_was_bad_or_lost_goes_again_as_the_same_mail(
    tmp_path: Path, answer: str | None
) -> None:
    box = Odd(free_port(), answers=[answer])
    with mail_server(mailbox=box), Keeper(tmp_path, RIG) as keeper:
        outlet = route(keeper, box.port)
        keeper.change(HIGH, NORMAL, NEW)
        with pytest.raises(NoticeError):
            outlet.step(0)
        assert outlet.step(0) == 1
        first, again = box.mails
        assert first["Message-ID"] == again["Message-ID"]


@pytest.mark.parametrize("at", [0, 1, 2])
def test_a_server_that_stops_answering_is_given_up_in_time(tmp_path: Path, at: int) -> None:
    greeted: list[Callable[[socket.socket], object]] = [
        lambda line: line.sendall(b"220 here\r\n"),
        lambda line: line.sendall(b"250 yes\r\n"),
    ]

    def serve() -> None:
        line, _ = server.accept()
        with line:
            for say in greeted[:at]:
                say(line)
                line.recv(1000)
            over.wait(10)

    over = threading.Event()
    with socket.create_server((HOST, 0)) as server, Keeper(tmp_path, RIG) as keeper:
        thread = threading.Thread(target=serve)
        thread.start()
        keeper.change(HIGH, NORMAL, NEW)
        with pytest.raises(NoticeError, match="timed out"):
            route(keeper, server.getsockname()[1], patience=0.3).step(0)
        over.set()
        thread.join(10)
