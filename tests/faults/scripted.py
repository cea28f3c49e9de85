"""A scripted HTTP server in a database's place: what no server we can have here does to a sender.

It is a script, no database. It keeps the good lines of a partial write and names a bad one, refuses
the token for a while, asks to be left alone, breaks off before and after it has kept what came, and
forgets what it acknowledged in the seconds before it lets its connections drop.

The words of the answers are in the manner of the InfluxDB v2 API reference, from memory.
"""

import contextlib
import gzip
import json
import socket
import tempfile
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from random import Random

from line_protocol_parser import LineFormatError, parse_line  # type: ignore[import-untyped]  # ships none

from faults.chance import drawn_from
from faults.outcome import Outcome
from faults.sending import Sending, come_to_rest
from longsoak.store.reader import Record
from servers import HOST

SECONDS, SHORT_SECONDS = 120.0, 1.0
BACKLOG, SHORT_BACKLOG = 2400, 200
FORGETS = 10.0  # s before it drops its connections, of which nothing is left
BAD_EVERY = 97  # scans of which one reading has what this server never takes
TOKEN = "t0ken"  # noqa: S105 - made up
LASTING = ("refuse the token", "too many", "broken", "slow")
PASSING = ("break off before", "break off after", "forget")  # for one request
LONGEST_BAD, LONGEST_GOOD = 1.5, 3.0  # s that a mood lasts


def campaign(*, seed: int, short: bool) -> Outcome:
    """Send to it while its mood changes with each request; compare what it has kept."""
    with (
        tempfile.TemporaryDirectory(prefix="longsoak-scripted-") as place,
        scripted_server(drawn_from("scripted", seed)) as server,
    ):
        folder = Path(place) / "record"
        folder.mkdir()
        (folder / "token").write_text(TOKEN)
        settings = {"url": server.url, "token_file": "token"}
        sending = Sending(folder, settings, backlog=SHORT_BACKLOG if short else BACKLOG)
        record = Record(folder)

        def bad() -> int:
            return sum(_is_bad(*point) for point in _expected(record))

        def look() -> list[str]:
            told = not bad() or "kind='refused'" in sending.said()
            untold = [] if told else ["what it never takes was left out, and nobody was told"]
            return missing_from(record, server) + untold

        try:
            time.sleep(SHORT_SECONDS if short else SECONDS)
            sending.write_no_more()
            server.calm = True
            missing = come_to_rest(look)
        finally:
            sending.kill()
        moods = ", ".join(f"{count} times {mood}" for mood, count in sorted(server.moods.items()))
        return Outcome(
            "scripted",
            f"a scripted server, no database, in many moods ({moods}), while "
            f"{len(_expected(record))} readings were measured",
            len(missing),
            missing[0]
            if missing
            else f"It has each in the end but the {bad()} it never takes, which were told",
        )


def _expected(record: Record) -> dict[tuple[str, int, int], tuple[float | None, float | None]]:
    return {
        (reading.probe, scan.id, reading.utc_ms): (reading.raw, reading.value)
        for scan in record.scans_after(0, limit=10_000_000)
        for reading in scan.readings
    }


def _is_bad(probe: str, scan: int, _utc_ms: int) -> bool:
    return probe == "RH room" and scan % BAD_EVERY == 0


def missing_from(record: Record, server: "ScriptedServer") -> list[str]:
    there = {}
    for line in server.kept():
        try:
            parsed = parse_line(line.decode())
        except LineFormatError as error:
            return [f"{line!r} is no line: {error}"]
        fields = parsed["fields"]
        numbers = fields.get("raw"), fields.get("value")
        there[parsed["tags"]["probe"].replace("\\ ", " "), int(parsed["time"])] = numbers
    return [
        f"{probe} of scan {scan} is {there.get((probe, utc_ms))}, not {numbers}"
        for (probe, scan, utc_ms), numbers in _expected(record).items()
        if there.get((probe, utc_ms)) != numbers and not _is_bad(probe, scan, utc_ms)
    ]


class ScriptedServer(ThreadingHTTPServer):
    """Answers as its mood is; `calm` takes all it ever takes."""

    daemon_threads = True

    def __init__(self, chance: Random) -> None:
        self.calm = False
        self.moods: dict[str, int] = {}
        self._chance = chance
        self._mood, self._until = "take", 0.0
        self._lock = threading.Lock()
        self._kept: dict[bytes, float] = {}  # line: when it was acknowledged
        self._open: set[socket.socket] = set()
        super().__init__((HOST, 0), _Handler)
        self.url = f"http://{HOST}:{self.server_port}"

    def mood(self) -> str:
        """The mood for one request: a good one follows each bad one, for a while."""
        with self._lock:
            now = time.monotonic()
            if self.calm:
                self._mood = "take"
            elif now >= self._until:
                bad = self._mood == "take"
                self._mood = self._chance.choice(LASTING + PASSING) if bad else "take"
                lasts = self._chance.uniform(0.2, LONGEST_BAD if bad else LONGEST_GOOD)
                self._until = now if self._mood in PASSING else now + lasts
            self.moods[self._mood] = self.moods.get(self._mood, 0) + 1
            return self._mood

    def keep(self, lines: list[bytes]) -> list[bytes]:
        """Keep the good lines; return the others."""
        bad = [line for line in lines if self._never_takes(line)]
        with self._lock:
            now = time.monotonic()
            self._kept |= dict.fromkeys(set(lines) - set(bad), now)
        return bad

    def kept(self) -> list[bytes]:
        """All it has now."""
        with self._lock:
            return list(self._kept)

    def forget(self) -> None:
        """What a crash does to what is not on disk yet, and to connections."""
        with self._lock:
            since = time.monotonic() - FORGETS
            self._kept = {line: at for line, at in self._kept.items() if at < since}
            for connection in self._open:
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)

    def opened(self, connection: socket.socket) -> None:
        """Somebody has connected."""
        with self._lock:
            self._open.add(connection)

    def closed(self, connection: socket.socket) -> None:
        """Somebody has gone."""
        with self._lock:
            self._open.discard(connection)

    def handle_error(self, request: object, client_address: object) -> None:
        """Stay quiet: connections break on purpose."""

    @staticmethod
    def _never_takes(line: bytes) -> bool:
        head, _, fields = line.partition(b" raw=") if b" raw=" in line else line.partition(b"raw=")
        return b"probe=RH\\ room" in head and int(float(fields.split(b",")[0])) % BAD_EVERY == 0


class _Handler(BaseHTTPRequestHandler):
    server: ScriptedServer  # type: ignore[mutable-override]  # set once, by the server
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True  # head and body go in two writes

    def setup(self) -> None:
        super().setup()
        self.server.opened(self.connection)

    def finish(self) -> None:
        self.server.closed(self.connection)
        super().finish()

    def do_POST(self) -> None:
        mood = self.server.mood()
        if mood == "forget":
            self.server.forget()
        if mood in ("forget", "break off before"):
            self._break_off()
            return
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if self.headers.get("Content-Encoding") == "gzip":
            body = gzip.decompress(body)
        if self.headers["Authorization"] != f"Token {TOKEN}" or mood == "refuse the token":
            self._answer(401, "unauthorized: unauthorized access")
        elif mood == "too many":
            self._answer(429, "too many requests", {"Retry-After": "1"})
        elif mood == "broken":
            self._answer(500, "internal error")
        else:
            lines = body.split(b"\n")
            bad = self.server.keep(lines)
            if mood == "break off after":
                self._break_off()
                return
            if mood == "slow":
                time.sleep(0.5)
            if bad:
                where = lines.index(bad[0]) + 1
                says = f"partial write: line {where}: field type conflict dropped={len(bad)}"
                self._answer(400, says)
            else:
                self._answer(204, "")

    def _break_off(self) -> None:
        self.close_connection = True
        with contextlib.suppress(OSError):
            self.connection.shutdown(socket.SHUT_RDWR)

    def _answer(self, status: int, says: str, more: dict[str, str] | None = None) -> None:
        text = json.dumps({"code": "scripted", "message": says}).encode() if says else b""
        self.send_response(status)
        self.send_header("Content-Length", str(len(text)))
        for name, value in (more or {}).items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(text)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base's word
        """Stay quiet."""


@contextlib.contextmanager
def scripted_server(chance: Random) -> Iterator[ScriptedServer]:
    server = ScriptedServer(chance)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
