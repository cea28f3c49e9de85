"""A web server that answers by a script.

For what only a server we can't have here does: a partial write, a token refused, a redirect.
"""

import contextlib
import gzip
import json
import ssl
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from servers import HOST


@dataclass(frozen=True, slots=True)
class Asked:
    """One request to a scripted server."""

    path: str
    headers: dict[str, str]
    body: bytes


# Status, what is said (as a database would, or these bytes), headers.
Answer = tuple[int, str] | tuple[int, bytes] | tuple[int, str, dict[str, str]]


class Scripted(ThreadingHTTPServer):
    """A scripted HTTP server: `answer` decides, `asked` keeps what came."""

    daemon_threads = True

    def __init__(
        self, answer: Callable[[Asked], Answer], *, keep_alive: bool, certificate: Path | None
    ) -> None:
        self.answer = answer
        self.keep_alive = keep_alive
        self.asked: list[Asked] = []
        super().__init__((HOST, 0), _ScriptedHandler)
        if certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificate)
            self.socket = context.wrap_socket(self.socket, server_side=True)
        self.url = f"http{'s' if certificate else ''}://{HOST}:{self.server_port}"

    def handle_error(self, request: object, client_address: object) -> None:
        """Stay quiet: a client that trusts us not hangs up."""


class _ScriptedHandler(BaseHTTPRequestHandler):
    server: Scripted  # type: ignore[mutable-override]  # set once, by the server
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True  # head and body go in two writes

    def do_GET(self) -> None:
        self._take(b"")

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if self.headers.get("Content-Encoding") == "gzip":
            body = gzip.decompress(body)
        self._take(body)

    def _take(self, body: bytes) -> None:
        asked = Asked(self.path, dict(self.headers), body)
        self.server.asked.append(asked)
        status, says, *more = self.server.answer(asked)
        text = says if isinstance(says, bytes) else b""
        if isinstance(says, str) and says:
            text = json.dumps({"code": "scripted", "message": says}).encode()
        with contextlib.suppress(OSError):  # who asked may have lost patience
            self.send_response(status)
            self.send_header("Content-Length", str(len(text)))
            if not self.server.keep_alive:
                self.send_header("Connection", "close")
            for name, value in (more[0] if more else {}).items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(text)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base's word
        """Stay quiet."""


@contextlib.contextmanager
def scripted_server(
    answer: Callable[[Asked], Answer], *, keep_alive: bool = True, certificate: Path | None = None
) -> Iterator[Scripted]:
    """A running scripted server; with `certificate`, a PEM file with its key, it encrypts."""
    server = Scripted(answer, keep_alive=keep_alive, certificate=certificate)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
