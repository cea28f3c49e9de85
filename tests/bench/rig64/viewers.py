"""People who look at a page: each has it open, hears of what is new, and fetches it again then."""

import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, contextmanager, suppress
from http.client import HTTPConnection, HTTPException

SHEETS = ("/", "/traces", "/alarms", "/logbook")
LIMIT = 60  # s for one page; the streams say something each half minute


class Viewers:
    """So many of them, each at an address of its own; what is counted is of all together."""

    def __init__(self, port: int, number: int) -> None:
        self._port = port
        self._lock = threading.Lock()
        self._streams: list[socket.socket] = []
        self._leaving = False
        self.open = self.heard = self.fetched = 0
        self.late_ms: list[float] = []  # of each news, after the pages saw it in the record
        self._pool, self._fetchers = ThreadPoolExecutor(number), ThreadPoolExecutor(number)
        self._looks = [
            self._pool.submit(self._look, SHEETS[n % len(SHEETS)], f"127.0.1.{n + 1}")
            for n in range(number)
        ]

    def leave(self) -> None:
        """Close every page; raises what went wrong for any."""
        with self._lock:
            self._leaving = True
            for stream in self._streams:
                with suppress(OSError):  # the server was faster
                    stream.shutdown(socket.SHUT_RDWR)
        self._pool.shutdown()
        for look in self._looks:
            look.result()
        self._fetchers.shutdown()

    def _look(self, sheet: str, address: str) -> None:
        every, fetched = self._fetch(sheet, address), time.monotonic()
        fetching: Future[float] | None = None
        with closing(self._connection(address)) as connection:
            connection.request("GET", "/events")
            with self._lock:
                self._streams.append(connection.sock)
            answer = connection.getresponse()
            first, late = True, 0.0
            for line in self._lines(answer.readline):
                if line.startswith(b": looked "):
                    late = time.time_ns() / 1e6 - int(line[9:])
                if not line.startswith(b"data:"):
                    continue
                with self._lock:
                    self.open += first
                    self.heard += not first
                    if not first:
                        self.late_ms.append(late)
                if fetching is not None and fetching.done():
                    every, fetching = fetching.result(), None
                # The stream is read on meanwhile, as a browser does.
                if not first and fetching is None and time.monotonic() - fetched >= every:
                    begun = self._fetchers.submit(self._fetch, sheet, address)
                    fetching, fetched = begun, time.monotonic()
                first = False
        if fetching is not None:
            fetching.result()

    def _lines(self, read: Callable[[], bytes]) -> Iterator[bytes]:
        while True:
            try:
                line = read()
            except (OSError, HTTPException):
                line = b""
            if not line:
                assert self._leaving, "a stream ended by itself"
                return
            yield line

    def _connection(self, address: str) -> HTTPConnection:
        source = (address, 0)
        return HTTPConnection("127.0.0.1", self._port, timeout=LIMIT, source_address=source)

    def _fetch(self, sheet: str, address: str) -> float:
        """Fetch a sheet; return how often it is worth fetching, s."""
        with closing(self._connection(address)) as connection:
            connection.request("GET", sheet)
            answer = connection.getresponse()
            page = answer.read()
        assert answer.status == 200, (sheet, answer.status)
        assert page.rstrip().endswith(b"</html>"), sheet
        with self._lock:
            self.fetched += 1
        every = re.search(rb'<main[^>]* data-every="(\d+)"', page)
        return float(every[1]) if every else 1.0


@contextmanager
def viewers(port: int, number: int) -> Iterator[Viewers]:
    """So many people for the length of a block."""
    some = Viewers(port, number)
    try:
        yield some
    finally:
        some.leave()
