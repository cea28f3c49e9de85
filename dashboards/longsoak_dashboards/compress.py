"""Text goes out under gzip, where whoever asks takes that; streams of events as they are.

A page under compression tells by its length how much of what somebody put into its address stands
in it already, letter by letter, and so could give away a secret in it (the attack is called
BREACH). What is done about it: a gzip file may carry a name (RFC 1952, 2.3.1), which nobody looks
at; that of a page is as many letters long as chance has it. That makes guessing slow, not
impossible: a secret in a page has to be written anew in each answer, as under a mask of chance.
"""

import secrets
import zlib
from collections.abc import Iterable

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

TEXTS = (
    *("text/html", "text/css", "text/javascript", "text/plain", "text/csv", "image/svg+xml"),
    *("application/json", "application/problem+json", "application/vnd.oai.openapi+json"),
)
LEAST = 600  # bytes; what is shorter travels in one packet anyway
_LEVEL = 4  # a third more quickly than the usual 6, for a twentieth more bytes
_LEVEL_OF_NUMBERS = 1  # which hardly get smaller, whatever pains are taken
_MOST_NAME = 100  # letters
_MUCH = 16_000  # bytes that are worth a thread of their own: others wait for their events
_NO_BODY = (204, 206, 304)


class Gzip:
    """One answer, as it comes, as a gzip file. Sources: RFC 1952, from memory; zlib's manual."""

    def __init__(self, *, level: int = _LEVEL, name: str = "") -> None:
        self._head = b"\x1f\x8b\x08" + (b"\x08" if name else b"\0") + b"\0\0\0\0\0\xff"
        if name:
            self._head += name.encode("latin-1") + b"\0"
        self._body = zlib.compressobj(level, zlib.DEFLATED, -zlib.MAX_WBITS)
        self._sum = self._length = 0

    def feed(self, part: bytes, *, last: bool) -> bytes:
        """What can be sent once `part` has come."""
        out, self._head = self._head + self._body.compress(part), b""
        self._sum = zlib.crc32(part, self._sum)
        self._length += len(part)
        if not last:
            return out
        length = self._length & 0xFFFFFFFF
        return (
            out
            + self._body.flush()
            + self._sum.to_bytes(4, "little")
            + length.to_bytes(4, "little")
        )


def whole(text: bytes) -> bytes:
    """All of it at once, as small as it gets: for what is compressed once."""
    return Gzip(level=9).feed(text, last=True)


def takes_gzip(accepted: Iterable[str]) -> bool:
    """Whether the values of ``Accept-Encoding`` allow for gzip (RFC 9110, 12.5.3; from memory)."""
    weights = weighed(accepted)
    return weights.get("gzip", weights.get("*", 0.0)) > 0


def weighed(accepted: Iterable[str]) -> dict[str, float]:
    """What the values of a header such as ``Accept`` name, in lower case, each with its weight."""
    weights: dict[str, float] = {}
    for each in ",".join(accepted).split(","):
        named, *more = (part.strip().lower() for part in each.split(";"))
        weight = next((part[2:] for part in more if part.startswith("q=")), "1")
        try:
            weights[named] = float(weight)
        except ValueError:
            weights[named] = 0.0
    return weights


class Compressed:
    """Compresses answers that are text, come without an ETag and are not too short."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and its answer back compressed."""
        if scope["type"] == "http":
            accepted = Headers(scope=scope).getlist("accept-encoding")
            wanted = scope["method"] != "HEAD" and takes_gzip(accepted)
            send = _Answer(send, wanted=wanted).send
        await self._app(scope, receive, send)


class _Answer:
    """One answer on its way out."""

    def __init__(self, send: Send, *, wanted: bool) -> None:
        self._send = send
        self._wanted = wanted
        self._start: Message | None = None
        self._gzip: Gzip | None = None

    async def send(self, message: Message) -> None:
        """Send on what comes; the head waits for the beginning of the body."""
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            if _is_text(message["status"], headers):
                headers.add_vary_header("Accept-Encoding")
                if self._wanted:
                    self._start = message
                    return
        elif message["type"] == "http.response.body":
            message = await self._body(message)
        await self._send(message)

    async def _body(self, message: Message) -> Message:
        part, last = message.get("body", b""), not message.get("more_body", False)
        if self._start is not None:
            await self._begin(self._start, part, last=last)
            self._start = None
        if self._gzip is None:
            return message
        if len(part) > _MUCH:
            part = await run_in_threadpool(self._gzip.feed, part, last=last)
        else:
            part = self._gzip.feed(part, last=last)
        return {**message, "body": part}

    async def _begin(self, start: Message, part: bytes, *, last: bool) -> None:
        if not last or len(part) >= LEAST:
            headers = MutableHeaders(scope=start)
            media = headers.get("content-type", "").partition(";")[0]
            page = media == "text/html"
            name = secrets.token_hex(_MOST_NAME)[: secrets.randbelow(_MOST_NAME)] if page else ""
            numbers = media == "application/json"
            self._gzip = Gzip(level=_LEVEL_OF_NUMBERS if numbers else _LEVEL, name=name)
            headers["Content-Encoding"] = "gzip"
            if "content-length" in headers:
                del headers["content-length"]  # sent in chunks
        await self._send(start)


def _is_text(status: int, headers: Headers) -> bool:
    media = headers.get("content-type", "").partition(";")[0].strip()
    settled = "etag" in headers or "content-encoding" in headers
    return media in TEXTS and not settled and status not in _NO_BODY
