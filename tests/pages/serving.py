"""`longsoak pages` as a real process, and plain requests to it."""

import re
import signal
import subprocess
import time
import urllib.parse
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from email.message import Message
from http.client import HTTPConnection, HTTPResponse
from pathlib import Path

from longsoak_dashboards.moments import time_ms
from processes import COMMAND


def ms_of(words: str) -> int:
    """A time of RFC 3339 as UTC ms."""
    found = time_ms(words)
    assert found is not None, words
    return found


def now_ms() -> int:
    """UTC now, ms since 1970."""
    return time.time_ns() // 1_000_000


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back."""

    status: int
    headers: Message
    text: str


@dataclass(frozen=True, slots=True)
class Served:
    """The process and its address."""

    process: subprocess.Popen[str]
    address: str

    def get(self, path: str, **headers: str) -> Answer:
        """GET `path`."""
        return self._ask(path, None, headers)

    def post(self, path: str, form: Mapping[str, str], **headers: str) -> Answer:
        """POST a form; an underscore in a header's name stands for a hyphen."""
        return self.send(path, urllib.parse.urlencode(form).encode(), **headers)

    def send(self, path: str, body: bytes, **headers: str) -> Answer:
        """POST bytes as they are."""
        return self._ask(path, body, {n.replace("_", "-"): v for n, v in headers.items()})

    def open(self, path: str, **headers: str) -> HTTPResponse:
        """An answer to read from as it comes."""
        connection = HTTPConnection(urllib.parse.urlsplit(self.address).netloc, timeout=20)
        connection.request("GET", path, headers={"Connection": "close", **headers})
        return connection.getresponse()

    def _ask(self, path: str, body: bytes | None, headers: Mapping[str, str]) -> Answer:
        connection = HTTPConnection(urllib.parse.urlsplit(self.address).netloc, timeout=20)
        with closing(connection):
            connection.request("GET" if body is None else "POST", path, body, dict(headers))
            reply = connection.getresponse()
            return Answer(reply.status, reply.headers, reply.read().decode())


@contextmanager
def serve(rig_file: Path, *options: str | Path, port: int = 0) -> Iterator[Served]:
    """Run `longsoak pages` on a port, any that is free by default, and end it."""
    process = subprocess.Popen(
        [COMMAND, "pages", rig_file, "--port", str(port), *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    with served_by(process) as served:
        yield served


@contextmanager
def served_by(process: subprocess.Popen[str]) -> Iterator[Served]:
    """A `longsoak pages` that was just started, once it says where it listens; ended after."""
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        found = re.search(r"https?://\S+(?=/)", line)
        assert found, line + process.stdout.read()
        yield Served(process, found[0])
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdout is not None:
            process.stdout.close()
