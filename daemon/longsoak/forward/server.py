"""The database's end of the wire. Slow to import (0.4 s): only where a database is configured."""

import socket
import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from email.utils import parsedate_to_datetime
from typing import ClassVar

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3 import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.exceptions import HTTPError
from urllib3.exceptions import TimeoutError as WireTimeoutError

from longsoak.vocabulary.destinations import Database
from longsoak.vocabulary.errors import ForwardError

# Answers that say nothing about the lines sent: who asks, where, or how often is at fault.
_NOT_ABOUT_THE_LINES = frozenset({401, 403, 404, 405, 407, 408, 429})


class _Counted:
    """Counts connections made, of the whole process: one counted too many costs a replay.

    The pool's own count won't do: a connection found dropped is opened again inside the same
    object, which the pool doesn't count.
    """

    made: ClassVar[int] = 0
    newest: ClassVar[socket.socket | None] = None

    def connect(self) -> None:
        super().connect()  # type: ignore[misc]  # a mixin; both connections have it
        _Counted.made += 1
        _Counted.newest = self.sock  # type: ignore[attr-defined]  # as above


class _Plain(_Counted, HTTPConnection):
    pass


class _Secure(_Counted, HTTPSConnection):
    pass


class _PlainPool(HTTPConnectionPool):
    ConnectionCls = _Plain  # type: ignore[mutable-override]  # set once, here


class _SecurePool(HTTPSConnectionPool):
    ConnectionCls = _Secure  # type: ignore[mutable-override]  # as above


class Server:
    """Writes to one bucket over one kept connection, one request at a time.

    Retrying is the caller's: the client's own would drop what it could not deliver in time.

    Parameters
    ----------
    settings : Database
        As in the rig file.
    token : str or None
        The secret, never logged.
    patience : float
        Longest wait for an answer, s.
    """

    def __init__(self, settings: Database, *, token: str | None, patience: float) -> None:
        self._settings = settings
        self._patience = patience
        self._hung_up = threading.Event()
        self._client = InfluxDBClient(
            url=settings.url,
            org=settings.org,
            token=token or "",  # sends none
            timeout=round(patience * 1000),
            enable_gzip=True,
            retries=False,
        )
        pools = self._client.api_client.rest_client.pool_manager
        pools.pool_classes_by_scheme = {"http": _PlainPool, "https": _SecurePool}
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)

    @property
    def connections(self) -> int:
        """How often a connection was made; grows when one had to be made anew."""
        return _Counted.made

    def write(self, lines: Sequence[bytes]) -> str | None:
        """Write lines with times in ms.

        Returns
        -------
        str or None
            None if all were taken, else what the server said against them.

        Raises
        ------
        ForwardError
            The server is away, or has something against us rather than the lines.
        """
        self._hung_up.clear()
        # A limit on each read alone lets a server that trickles hold us for ever.
        deadline = threading.Timer(2 * self._patience, self._hang_up)
        deadline.start()
        try:
            self._writer.write(
                self._settings.bucket,
                self._settings.org,
                record=b"\n".join(lines),
                write_precision="ms",  # type: ignore[arg-type]  # its constants are strings
            )
        except ApiException as error:
            says = _short(getattr(error, "message", None) or error.reason)
            status = int(error.status or 0)
            if 400 <= status < 500 and status not in _NOT_ABOUT_THE_LINES:
                return f"{status} {says}"
            raise ForwardError(
                self._complaint(status, says), again_after=_again_after(error.headers)
            ) from error
        except (HTTPError, OSError, ValueError) as error:  # ValueError: an answer that is no UTF-8
            raise ForwardError(f"{self._whose} {self._trouble(error)}") from error
        finally:
            deadline.cancel()
        if self._hung_up.is_set():  # what was cut off may have looked whole
            raise ForwardError(f"{self._whose} {self._trouble(TimeoutError())}")
        return None

    def close(self) -> None:
        """Close the connection."""
        self._writer.close()  # type: ignore[no-untyped-call]  # the library's
        self._client.close()  # type: ignore[no-untyped-call]  # as above

    def _hang_up(self) -> None:
        self._hung_up.set()
        if _Counted.newest is not None:
            with suppress(OSError):
                _Counted.newest.shutdown(socket.SHUT_RDWR)

    @property
    def _whose(self) -> str:
        return f"the database at {self._settings.url}"

    def _complaint(self, status: int, says: str) -> str:
        if status in (401, 403):
            return (
                f"{self._whose} refuses the token ({status} {says}). "
                "Look at token_file in [forward.database]."
            )
        if status in (404, 405):
            return (
                f"{self._whose} has no bucket {self._settings.bucket!r}, or takes no v2 writes "
                f"({status} {says}). Look at url, org and bucket in [forward.database]."
            )
        return f"{self._whose} could not take it: {f'{status} {says}' if status else says}"

    def _trouble(self, error: Exception) -> str:
        if self._hung_up.is_set():
            return f"did not end its answer within {2 * self._patience:g} s"
        cause: BaseException | None = error
        while cause is not None:
            if isinstance(cause, OSError) and cause.strerror:
                return f"can't be reached: {cause.strerror}"
            if isinstance(cause, WireTimeoutError | TimeoutError) and cause.__cause__ is None:
                return f"did not answer within {self._patience:g} s"
            if isinstance(cause, ConnectionError):
                return "closed the connection without an answer"
            cause = cause.__cause__ or cause.__context__
        return f"did not answer as it should: {_short(error)}"


def _again_after(headers: Mapping[str, str] | None) -> float | None:
    """How long the server asks to be left alone, s, if it does.

    In seconds, or until a date, which is taken by the server's own clock (RFC 9110, 10.2.3, from
    memory). What is neither is passed over.
    """
    asked = {name.lower(): text for name, text in (headers or {}).items()}
    until = asked.get("retry-after", "").strip()
    if until.isascii() and until.isdecimal():
        return float(until)
    try:
        seconds = parsedate_to_datetime(until) - parsedate_to_datetime(asked.get("date", ""))
    except (TypeError, ValueError):
        return None
    return max(0.0, seconds.total_seconds())


def _short(says: object) -> str:
    return " ".join(str(says).split())[:200]
