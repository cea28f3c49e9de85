"""What nobody means well by: bytes as they are, dribbled, and many at once; loopback only."""

import re
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import urlsplit

from longsoak_dashboards.access.passwords import Passwords, Role, load, path_of
from longsoak_dashboards.access.rights import Access
from longsoak_dashboards.access.sessions import Session, Visit
from pages.serving import Served, now_ms

PATIENCE = 20.0  # s for an answer


def connect(served: Served) -> socket.socket:
    """A connection, and nothing sent."""
    parts = urlsplit(served.address)
    assert parts.hostname is not None
    return socket.create_connection((parts.hostname, parts.port or 0), timeout=PATIENCE)


def sent(served: Served, data: bytes) -> bytes:
    """What comes back for some bytes until the other end closes."""
    with connect(served) as connection:
        with suppress(OSError):  # it may be shut in the midst of it
            connection.sendall(data)
        return rest_of(connection)


def rest_of(connection: socket.socket) -> bytes:
    """All that comes until the other end closes."""
    found = b""
    with suppress(ConnectionError):
        while part := connection.recv(65_536):
            found += part
    return found


def status_of(answer: bytes) -> int:
    """The status of an answer; 0 where the connection was closed without one."""
    found = re.match(rb"HTTP/1\.[01] (\d{3}) ", answer)
    return int(found[1]) if found else 0


def is_clean(answer: bytes) -> bool:
    """Whether an answer is one, and no failure of ours; or none, the connection being closed."""
    return status_of(answer) < 500


class Keepers:
    """Any number of sessions for changes, so that no limit of one of them gets in the way."""

    def __init__(self, rig_file: Path) -> None:
        found = load(path_of(rig_file))
        assert found is not None
        self._passwords: Passwords = found
        self._name = Access(rig_file).cookie(encrypted=False)

    def another(self) -> tuple[str, str]:
        """A new one: its cookie, and what its forms bring along."""
        now = now_ms()
        session = Session.opened(Role.KEEPER, self._passwords.changes.number, now_ms=now)
        cookie = session.signed(self._passwords.secret, now_ms=now)
        visit = Visit(Role.KEEPER, session, session.key(self._passwords.secret), asks=True)
        return f"{self._name}={cookie}", visit.token()


def request(
    target: str, *, method: str = "GET", more: str = "", cookie: str = "", body: bytes = b""
) -> bytes:
    """A request as bytes, one for a connection."""
    head = f"{method} {target} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n{more}"
    cookies = f"Cookie: {cookie}\r\n" if cookie else ""
    length = f"Content-Length: {len(body)}\r\n" if body else ""
    return f"{head}{cookies}{length}\r\n".encode("latin-1") + body


def sockets_of(served: Served) -> int:
    """How many sockets the pages have open."""
    found = 0
    for link in Path(f"/proc/{served.process.pid}/fd").iterdir():
        with suppress(OSError):
            found += str(link.readlink()).startswith("socket:")
    return found


def memory_kb(served: Served) -> int:
    """The proportional share of memory that the pages hold."""
    text = Path(f"/proc/{served.process.pid}/smaps_rollup").read_text()
    found = re.search(r"^Pss: +(\d+) kB", text, re.MULTILINE)
    assert found is not None
    return int(found[1])


@contextmanager
def opened(served: Served, count: int, data: bytes = b"") -> Iterator[list[socket.socket]]:
    """So many connections at once, on each of which some bytes were sent."""
    found: list[socket.socket] = []
    try:
        for _ in range(count):
            found.append(connect(served))
            with suppress(OSError):
                found[-1].sendall(data)
        yield found
    finally:
        for connection in found:
            connection.close()


def dribbled(connections: list[socket.socket], part: bytes, *, limit: float) -> list[bytes]:
    """What came of connections on which a few bytes are sent twice a second until they are shut."""
    answers: dict[socket.socket, bytes] = {}
    until = time.monotonic() + limit
    for connection in connections:
        connection.settimeout(0.01)
    while len(answers) < len(connections):
        assert time.monotonic() < until, f"{len(connections) - len(answers)} are open after {limit}"
        for connection in connections:
            if connection in answers:
                continue
            try:
                connection.sendall(part)
                found = connection.recv(4096)
            except TimeoutError:
                continue
            except OSError:
                found = b""
            answers[connection] = found
        time.sleep(0.5)
    return list(answers.values())
