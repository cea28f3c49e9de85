"""Notices posted to an address of the web."""

import contextlib
import http.client
import json
import re
import socket
import ssl
import threading
from collections.abc import Mapping
from email.utils import parsedate_to_datetime
from ipaddress import ip_address
from urllib.parse import urlsplit

from longsoak.notify.notice import Carried, Notice
from longsoak.notify.words import error_words, one_line
from longsoak.vocabulary.errors import NoticeError, PartlyError

_MOST = 4096  # bytes of an answer that are read
_SHOWN = 120  # characters of an answer that are told
_TRIED_AGAIN = (408, 429)  # RFC 9110, 15.5.9; RFC 6585, 4: not now
_HEADER = re.compile(r"([!#$%&'*+.^_`|~0-9A-Za-z-]+):[ \t]*([\x20-\x7e]*)")  # RFC 9110, 5.6.2
_OURS = ("content-type", "content-length", "host", "idempotency-key", "connection")


class WebhookCarrier:
    """Posts notices as ``notice.schema.json`` says. See `longsoak.notify.notice.Carrier`.

    Any answer of 200 to 299 has taken it. From 400 to 499 it is refused for good, but for 408 and
    429; all else is tried again. No redirect is followed: what is posted would go to whoever it
    leads to. The address is a secret and never told.

    Parameters
    ----------
    url : str
        Where to, as the file holds it: https, or http to this very computer.
    headers : mapping
        What is sent beside, such as a token.
    tls : ssl.SSLContext
        Whom to believe.
    patience : float
        Longest wait for all of an answer, s.

    Raises
    ------
    NoticeError
        The address is none, or would send a secret in the clear.
    """

    def __init__(
        self,
        url: str,
        *,
        headers: Mapping[str, str],
        tls: ssl.SSLContext,
        patience: float = 10.0,
    ) -> None:
        parts = urlsplit(url)
        try:
            host, port = parts.hostname, parts.port
        except ValueError:
            host = None
        if not url.isascii() or not url.isprintable() or " " in url or not host:
            raise NoticeError(
                "the file of the webhook's address holds no address. Write one line: https://, "
                "a host and a path."
            )
        if parts.scheme != "https" and not (parts.scheme == "http" and _is_here(host)):
            raise NoticeError(
                "the webhook's address is not https, and would be told in the clear. Write "
                "https:// in its file."
            )
        self._host, self._port = host, port
        self._target = f"{parts.path or '/'}{'?' + parts.query if parts.query else ''}"
        self._headers = dict(headers)
        self._tls = tls if parts.scheme == "https" else None
        self._patience = patience

    def carry(self, notice: Notice) -> Carried:
        """Post it."""
        status, says, after = self._post(notice)
        answer = f"{status} {says}".rstrip()
        if 200 <= status < 300:
            return Carried(True)
        if 300 <= status < 400:
            raise NoticeError(
                f"the webhook's server {self._host} answers {status}, a redirect, which is not "
                "followed. Write the address it leads to into the file."
            )
        if 400 <= status < 500 and status not in _TRIED_AGAIN:
            return Carried(False, [f"the webhook's server {self._host}: {answer}"])
        raise NoticeError(f"the webhook's server {self._host} answers {answer}", again_after=after)

    def probe(self) -> None:
        """Do nothing: there is nothing to be asked that would not be taken for a notice."""

    def close(self) -> None:
        """Do nothing: no connection outlives a notice."""

    def _post(self, notice: Notice) -> tuple[int, str, float | None]:
        """Status, what is said of it, and for how long the server asked to be left alone, s."""
        body = json.dumps(notice.fields, ensure_ascii=False, allow_nan=False).encode()
        sent = False
        server = self._connection()
        # A server that says a byte now and then never makes one wait too long for the next.
        over = threading.Timer(self._patience, _cut, (server,))
        over.daemon = True
        over.start()
        try:
            server.connect()
            sent = True
            server.request(
                "POST",
                self._target,
                body,
                {
                    **self._headers,
                    "Content-Type": "application/json",
                    "Idempotency-Key": notice.key,
                    "Connection": "close",
                },
            )
            answer = server.getresponse()
            says = answer.read(_MOST).decode(errors="replace")
            wait = _wait(answer.getheader("Retry-After"), date=answer.getheader("Date"))
            return answer.status, one_line(says)[:_SHOWN], wait
        except (OSError, http.client.HTTPException) as error:
            failed = f"the webhook's server {self._host} failed: {_reason(error)}"
            if sent:
                raise PartlyError(failed, some_took=False) from error
            raise NoticeError(failed) from error
        finally:
            over.cancel()
            server.close()

    def _connection(self) -> http.client.HTTPConnection:
        if self._tls is None:
            return http.client.HTTPConnection(self._host, self._port, timeout=self._patience)
        return http.client.HTTPSConnection(
            self._host, self._port, timeout=self._patience, context=self._tls
        )


def headers_of(text: str) -> dict[str, str]:
    """Headers as a file holds them, a line each; empty lines and those that begin with # are not.

    Raises
    ------
    NoticeError
        A line is no header, or one that is not for the file to say.
    """
    found = {}
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.startswith("#"):
            continue
        match = _HEADER.fullmatch(line.rstrip())
        if match is None or match[1].lower() in _OURS:
            raise NoticeError(
                f"line {number} of headers_file of [notices.webhook] is no header that can be "
                "added. Write for example Authorization: Bearer TOKEN."
            )
        found[match[1]] = match[2]
    return found


def _is_here(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _cut(server: http.client.HTTPConnection) -> None:
    if server.sock is not None:
        with contextlib.suppress(OSError):  # it has ended by itself
            server.sock.shutdown(socket.SHUT_RDWR)


def _wait(said: str | None, *, date: str | None) -> float | None:
    """How long a server asked to be left alone, s (RFC 9110, 10.2.3: seconds, or a date).

    A date is held against the server's own, for this computer's clock may not be known.
    """
    if said is None:
        return None
    if said.isdecimal() and len(said) < 10:
        return float(said)
    try:
        if date is None:
            return None
        return max(0.0, (parsedate_to_datetime(said) - parsedate_to_datetime(date)).total_seconds())
    except (ValueError, TypeError):  # neither form, or one of the two without its zone
        return None


def _reason(error: Exception) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return one_line(f"its certificate is not believed: {error.verify_message}")
    if isinstance(error, TimeoutError):
        return "no answer came in time"
    return error_words(error)
