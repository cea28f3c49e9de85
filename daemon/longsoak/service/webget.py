"""One question to a web server, and in a sentence why there was no answer."""

import http.client
import ssl
import urllib.error
import urllib.request
from base64 import b64encode
from http import HTTPStatus
from importlib.metadata import version
from pathlib import Path
from urllib.parse import urlsplit

PATIENCE = 10.0  # s for a connection, and again for each part of the answer
LARGEST = 1_000_000  # bytes of an answer
_OF_TIME = (9, 10)  # not yet valid, expired: as `openssl verify -attime` gives them


class NoAnswerError(Exception):
    """A web server was not reached, or did not give what was asked for.

    The sentence names the server and never the whole address: that may be a secret.
    """


def get(
    url: str,
    *,
    ca_file: Path | None = None,
    password: str | None = None,
    patience: float = PATIENCE,
    most: int = LARGEST,
) -> bytes:
    """What an address holds.

    Parameters
    ----------
    url : str
        ``http://`` or ``https://``.
    ca_file : Path or None
        The authority that signed the server's certificate, PEM; None is the system's own.
    password : str or None
        Sent by HTTP Basic (RFC 7617, from memory), and never on to where a redirect leads.
    patience : float
        Longest wait for a part of the answer, s.
    most : int
        Bytes of it that are read; 0 where it matters only that it was given.

    Raises
    ------
    NoAnswerError
        There is no answer, or one that says no.
    """
    try:
        host = urlsplit(url).netloc.rpartition("@")[2]
    except ValueError as error:
        raise NoAnswerError("the address is none that can be understood") from error
    try:
        request = urllib.request.Request(  # noqa: S310 - checked to be a web address
            url, headers={"User-Agent": f"longsoak/{version('longsoak')}"}
        )
        if password is not None:
            said = b64encode(f"longsoak:{password}".encode()).decode()
            request.add_unredirected_header("Authorization", f"Basic {said}")
        with urllib.request.urlopen(  # noqa: S310 - as above
            request, timeout=patience, context=_context(url, ca_file)
        ) as answer:
            found: bytes = answer.read(most)
    except urllib.error.HTTPError as error:
        with error:
            if error.code == HTTPStatus.UNAUTHORIZED:
                how = "asks for a password" if password is None else "does not take this password"
                raise NoAnswerError(f"{host} {how}") from error
            raise NoAnswerError(f"{host} answered {error.code} {error.reason}") from error
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise NoAnswerError(f"{host} {_why(error)}") from error
    return found


def _context(url: str, ca_file: Path | None) -> ssl.SSLContext | None:
    if not url.startswith("https:"):
        return None
    try:
        return ssl.create_default_context(cafile=ca_file)
    except ssl.SSLError as error:
        raise NoAnswerError(f"{ca_file} holds no certificate in PEM") from error
    except OSError as error:
        raise NoAnswerError(f"{ca_file} can't be read: {error.strerror}") from error


def _why(error: Exception) -> str:
    cause = error.reason if isinstance(error, urllib.error.URLError) else error
    if isinstance(cause, ssl.SSLCertVerificationError):
        hint = "Look at its name and at ca_file."
        if cause.verify_code in _OF_TIME:
            hint = "Look first whether this computer's clock is right, then at the certificate."
        return f"shows a certificate that is not trusted: {cause.verify_message}. {hint}"
    if isinstance(cause, TimeoutError):
        return "did not answer in time"
    if isinstance(cause, OSError):
        return f"can't be reached: {cause.strerror or cause}"
    return "gave no answer that can be understood"  # the error may quote the address
