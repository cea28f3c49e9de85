"""Notices by e-mail."""

import contextlib
import logging
import smtplib
import ssl
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import localtime, make_msgid

from longsoak.notify.words import body, is_news, one_line, subject
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import NoticeError, StoreError
from longsoak.vocabulary.rig import Mail, Rig

MOST = 200  # alarm changes looked at for one mail

_log = logging.getLogger(__name__)


class MailNotices:
    """Mails alarms that came and alarms that went. See `longsoak.vocabulary.outlet`.

    What waits together goes in one mail; acknowledgements don't go at all. A mail counts as sent
    once the server has taken it; an answer lost after that sends it twice, never not at all.

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
    """

    name = "mail"

    def __init__(
        self,
        record: Record,
        rig: Rig,
        settings: Mail,
        *,
        password: str | None,
        patience: float = 10.0,
    ) -> None:
        self._record = record
        self._rig = rig
        self._settings = settings
        self._password = password
        self._patience = patience

    def step(self, position: int) -> int:
        """Send one mail about the alarm changes after `position`; return the last looked at."""
        try:
            changes = self._record.alarm_changes_after(position, limit=MOST)
        except StoreError as error:
            raise NoticeError(f"nothing could be read to send: {error}") from error
        if not changes:
            return position
        if news := [change for change in changes if is_news(change)]:
            self._send(subject(self._rig, news), body(self._rig, news))
        return changes[-1].id

    def close(self) -> None:
        """Do nothing: no connection outlives a step."""

    def _send(self, about: str, text: str) -> None:
        settings = self._settings
        doing = "connecting"
        try:
            message = self._message(about, text)
            # Not as a context: a QUIT that fails would make a mail that went count as not sent.
            server = smtplib.SMTP(settings.host, settings.port, timeout=self._patience)
            try:
                if settings.starttls:
                    doing = "starting encryption"
                    server.starttls(context=ssl.create_default_context())
                if settings.user is not None:
                    doing = f"logging in as {settings.user}"
                    server.login(settings.user, self._needed_password())
                doing = "sending"
                refused = server.send_message(message)
                with contextlib.suppress(OSError):
                    server.quit()
            finally:
                server.close()
        except (OSError, ValueError) as error:  # smtplib's own errors are OSErrors
            raise NoticeError(
                f"the mail server {settings.host}:{settings.port} failed at {doing}: "
                f"{_reason(error)}"
            ) from error
        for address, answer in refused.items():
            _log.warning("the mail server refused %s and took the others: %s", address, answer)

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
