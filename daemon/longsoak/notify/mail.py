"""Notices by e-mail."""

import contextlib
import smtplib
import ssl
from collections.abc import Callable, Mapping, Sequence
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import localtime
from typing import TypeVar

from longsoak.notify.notice import Carried, Notice
from longsoak.notify.words import error_words, one_line
from longsoak.vocabulary.destinations import Mail
from longsoak.vocabulary.errors import NoticeError, PartlyError

_T = TypeVar("_T")
_Refused = Mapping[str, tuple[int, bytes]]  # by address, as smtplib tells it
_LATER = range(400, 500)  # RFC 5321, 4.2.1: transient; from 500 on it is for good


class _RefusedError(Exception):
    """The server refused the message itself, for good."""


class MailCarrier:
    """Mails notices to one or more addresses. See `longsoak.notify.notice.Carrier`.

    An address that the server refuses for good holds back no other. One that it refuses for now,
    such as a server that wants to be asked twice, is tried again by itself, until another notice is
    to be carried: then it is told as refused, for an alarm may not wait behind it.

    Parameters
    ----------
    settings : Mail
        Which server, and how.
    to : sequence of str
        Who gets it.
    password : str or None
        The secret.
    tls : ssl.SSLContext or None
        Whom to believe where the connection is encrypted.
    patience : float
        Longest wait for each of the server's answers, s.
    """

    def __init__(
        self,
        settings: Mail,
        to: Sequence[str],
        *,
        password: str | None,
        tls: ssl.SSLContext | None = None,
        patience: float = 10.0,
    ) -> None:
        self._settings = settings
        self._to = tuple(to)
        self._password = password
        self._tls = tls
        self._patience = patience
        self._key = ""  # of the notice that some took
        self._left: dict[str, str] = {}  # who did not, with what the server said
        self._took = False  # whether anybody did
        self._late: list[str] = []  # what is to be told as refused, in words

    def carry(self, notice: Notice) -> Carried:
        """Mail it to everybody who has not taken it yet."""
        if notice.key != self._key:
            self._late += [f"{who}: {said} (not tried again)" for who, said in self._left.items()]
            self._left, self._key, self._took = {}, "", False
        to = tuple(self._left) or self._to
        try:
            refused = self._talk("sending", lambda server: self._send(server, notice, to))
        except _RefusedError as error:
            return self._done(str(error))
        said = {who: _answer(*answer) for who, answer in refused.items()}
        left = {who: said[who] for who, (code, _) in refused.items() if code in _LATER}
        self._took = self._took or len(refused) < len(to)
        if left and len(left) == len(self._to):  # nobody has it
            raise NoticeError(self._failed("sending", _listed(left)))
        self._late += [f"{who}: {said[who]}" for who in refused if who not in left]
        self._left = left
        if left:
            self._key = notice.key
            raise PartlyError(self._failed("sending", _listed(left)), some_took=self._took)
        return self._done()

    def _done(self, *refused: str) -> Carried:
        """All that can be told of a notice is known."""
        done, self._late, self._left = [*self._late, *refused], [], {}
        took, self._took, self._key = self._took, False, ""
        return Carried(took, done)

    def probe(self) -> None:
        """Name the sender and take it back: a server that wants a login says so there."""
        self._talk("naming the sender", self._try)

    def close(self) -> None:
        """Do nothing: no connection outlives a notice."""

    def _send(self, server: smtplib.SMTP, notice: Notice, to: Sequence[str]) -> _Refused:
        """Send it; what comes back are those who did not get it."""
        try:
            return server.send_message(self._message(notice), to_addrs=to)
        except smtplib.SMTPRecipientsRefused as error:
            return error.recipients
        except smtplib.SMTPDataError as error:  # as a filter of spam does
            if error.smtp_code in _LATER:
                raise
            raise _RefusedError(f"the message: {_reason(error)}") from error
        except (smtplib.SMTPServerDisconnected, TimeoutError) as error:
            raise PartlyError(self._failed("sending", _reason(error)), some_took=False) from error

    def _talk(self, doing_last: str, ask: Callable[[smtplib.SMTP], _T]) -> _T:
        """Connect, log in as far as configured, ask, say good-bye."""
        settings = self._settings
        doing = "connecting"
        try:
            # Not as a context: a QUIT that fails would make a mail that went count as not sent.
            server = self._connect()
            try:
                if settings.starttls:
                    doing = "starting encryption"
                    server.starttls(context=self._tls)
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
            raise NoticeError(self._failed(doing, _reason(error))) from error
        return answer

    def _connect(self) -> smtplib.SMTP:
        settings = self._settings
        if settings.tls:
            return smtplib.SMTP_SSL(
                settings.host, settings.port, timeout=self._patience, context=self._tls
            )
        return smtplib.SMTP(settings.host, settings.port, timeout=self._patience)

    def _failed(self, doing: str, why: str) -> str:
        settings = self._settings
        return f"the mail server {settings.host}:{settings.port} failed at {doing}: {why}"

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

    def _message(self, notice: Notice) -> EmailMessage:
        message = EmailMessage(policy=SMTP)
        message["From"] = self._settings.sender
        message["To"] = ", ".join(self._to)
        message["Subject"] = notice.subject
        message["Date"] = localtime()
        # The same if it is sent again, so that a mailbox may know it.
        message["Message-ID"] = f"<{notice.key}@{self._settings.sender.rpartition('@')[2]}>"
        message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday replies, please
        if notice.high:
            message["Importance"] = "high"  # RFC 4021, 2.1.54 (registered by RFC 2156), from memory
        message.set_content(notice.text)
        return message

    def _needed_password(self) -> str:
        if self._password is None:
            raise ValueError("there is a user but no password; name password_file beside it")
        return self._password


def _reason(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        return _answer(error.smtp_code, error.smtp_error)
    if isinstance(error, UnicodeError):
        return "only plain ASCII can be sent here (addresses, user and password)"
    return error_words(error)


def _listed(said: Mapping[str, str]) -> str:
    return "; ".join(f"{who}: {answer}" for who, answer in said.items())


def _answer(code: int, says: bytes | str) -> str:
    text = says.decode(errors="replace") if isinstance(says, bytes) else says
    return f"{code} {one_line(text)}"
