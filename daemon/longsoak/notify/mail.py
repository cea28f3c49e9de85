"""Notices by e-mail."""

import contextlib
import logging
import smtplib
import ssl
from collections.abc import Callable
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import localtime, make_msgid
from typing import TypeVar

from longsoak.notify.digest import DailyDigest
from longsoak.notify.words import body, one_line, subject
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import NoticeError, StoreError
from longsoak.vocabulary.rig import Mail, Rig

MOST = 200  # alarm changes looked at for one mail
TRIED_EVERY = 3600.0  # s between two looks at a server that nothing is sent to

_log = logging.getLogger(__name__)
_T = TypeVar("_T")


class MailNotices:
    """Mails alarms that came and alarms that went, and a digest. See `longsoak.vocabulary.outlet`.

    What waits together goes in one mail; acknowledgements don't go at all. A mail counts as sent
    once the server has taken it; an answer lost after that sends it twice, never not at all.

    While there is nothing to send the server is tried at the first step and every hour, so that a
    wrong setting or a dead server shows now and not at the first alarm.

    Parameters
    ----------
    record : Record
        Alarm changes are sent once they are committed there.
    rig : Rig
        Says what the alarms mean.
    settings : Mail
        Where to.
    password : str or None
        The secret.
    patience : float
        Longest wait for each of the server's answers, s.
    monotonic : callable
        The monotonic clock, s.
    digest : DailyDigest or None
        What goes once a day besides, behind whatever alarms there are.
    """

    name = "mail"

    def __init__(
        self,
        record: Record,
        rig: Rig,
        settings: Mail,
        *,
        password: str | None,
        monotonic: Callable[[], float],
        patience: float = 10.0,
        digest: DailyDigest | None = None,
    ) -> None:
        self._digest = digest
        self._record = record
        self._rig = rig
        self._settings = settings
        self._password = password
        self._patience = patience
        self._monotonic = monotonic
        self._answered: float | None = None  # when the server last took all it was asked

    def step(self, position: int) -> int:
        """Send one mail about the alarm changes after `position`; return the last looked at.

        Where there is none, what is due of the day goes instead.

        Raises
        ------
        NoticeError
            The record can't be read, or the server failed: at sending, or at being tried.
        """
        try:
            changes = self._record.alarm_changes_after(position, limit=MOST)
            news = [change for change in changes if change.told]
            due = None if news or self._digest is None else self._digest.due()
        except StoreError as error:
            raise NoticeError(f"nothing could be read to send: {error}") from error
        if news:
            self._send(subject(self._rig, news), body(self._rig, news))
        elif due is not None and self._digest is not None:
            self._send(due.subject, due.text)
            self._digest.went(due.number)
        elif self._answered is None or self._monotonic() - self._answered >= TRIED_EVERY:
            self._talk("naming the sender", self._try)
            self._answered = self._monotonic()
        return changes[-1].id if changes else position

    def close(self) -> None:
        """Do nothing: no connection outlives a step."""

    def _send(self, about: str, text: str) -> None:
        refused = self._talk(
            "sending", lambda server: server.send_message(self._message(about, text))
        )
        for address, answer in refused.items():
            _log.warning("the mail server refused %s and took the others: %s", address, answer)
        self._answered = self._monotonic()

    def _talk(self, doing_last: str, ask: Callable[[smtplib.SMTP], _T]) -> _T:
        """Connect, log in as far as configured, ask, say good-bye."""
        settings = self._settings
        doing = "connecting"
        try:
            # Not as a context: a QUIT that fails would make a mail that went count as not sent.
            server = smtplib.SMTP(settings.host, settings.port, timeout=self._patience)
            try:
                if settings.starttls:
                    doing = "starting encryption"
                    server.starttls(context=ssl.create_default_context())
                if settings.user is not None:
                    doing = f"logging in as {settings.user}"
                    server.login(settings.user, self._needed_password())
                doing = doing_last
                answer = ask(server)
                with contextlib.suppress(OSError):
                    server.quit()
            finally:
                server.close()
        except (OSError, ValueError) as error:  # smtplib's own errors are OSErrors
            raise NoticeError(
                f"the mail server {settings.host}:{settings.port} failed at {doing}: "
                f"{_reason(error)}"
            ) from error
        return answer

    def _try(self, server: smtplib.SMTP) -> None:
        """Name the sender and take it back: a server that wants a login says so there.

        No recipient is named. To be asked for one again and again without a mail looks like
        somebody guessing addresses, and gets a sender blocked.
        """
        server.ehlo_or_helo_if_needed()
        sender = self._settings.sender
        code, says = server.mail(sender, () if sender.isascii() else ("SMTPUTF8",))
        if code != 250:
            raise smtplib.SMTPSenderRefused(code, says, sender)
        code, says = server.rset()
        if code != 250:
            raise smtplib.SMTPResponseException(code, says)

    def _message(self, about: str, text: str) -> EmailMessage:
        message = EmailMessage(policy=SMTP)
        message["From"] = self._settings.sender
        message["To"] = ", ".join(self._settings.to)
        message["Subject"] = about
        message["Date"] = localtime()
        # A domain given, or the resolver is asked for one and may take its time.
        message["Message-ID"] = make_msgid(domain=self._settings.sender.rpartition("@")[2])
        message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday replies, please
        message.set_content(text)
        return message

    def _needed_password(self) -> str:
        if self._password is None:
            raise ValueError("there is a user but no password; name password_file beside it")
        return self._password


def _reason(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        answers = (f"{who}: {_answer(*said)}" for who, said in error.recipients.items())
        return "; ".join(answers)
    if isinstance(error, smtplib.SMTPResponseException):
        return _answer(error.smtp_code, error.smtp_error)
    if isinstance(error, UnicodeError):
        return "only plain ASCII can be sent here (addresses, user and password)"
    if isinstance(error, OSError) and error.strerror:
        return one_line(error.strerror)
    return one_line(str(error)) or type(error).__name__


def _answer(code: int, says: bytes | str) -> str:
    text = says.decode(errors="replace") if isinstance(says, bytes) else says
    return f"{code} {one_line(text)}"
