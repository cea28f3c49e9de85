"""A port that babbles, dribbles and answers late, on a clock that costs no time."""

import heapq
import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from unittest.mock import patch

from serial.serialutil import Timeout

from longsoak.vocabulary.errors import BusError

READS = 100_000  # a poll that reads more often than this would read for ever
BYTE_TIME = 0.01  # s between two bytes of a device that never stops


@dataclass(frozen=True, slots=True)
class Piece:
    """What one question brings: bytes, when, and how.

    Parameters
    ----------
    data : bytes
        What comes.
    after : float
        Seconds from the question to the first byte.
    apart : float
        Seconds from one byte to the next.
    for_ever : bool
        The bytes come again and again and never stop.
    lost : bool
        The port is gone instead.
    """

    data: bytes
    after: float = 0.0
    apart: float = 0.0
    for_ever: bool = False
    lost: bool = False


class Wire:
    """A `ByteStream` whose far end sends pieces; waits move its clock on and take no time.

    Parameters
    ----------
    answer : callable
        Question to what it brings.
    timeout : float
        The port's time limit for a whole line, s.

    Attributes
    ----------
    now : float
        Its clock, s.
    questions : list of bytes
        All that was asked.
    line : bytes
        What the last `read_until` took.
    heard : list of pairs
        Every question, and the first line read after it.
    since : bytes
        All that `read_some` took since the last question.
    """

    def __init__(self, answer: Callable[[bytes], list[Piece]], *, timeout: float) -> None:
        self.now = 0.0
        self.questions: list[bytes] = []
        self.line = b""
        self.heard: list[tuple[bytes, bytes]] = []
        self.since = b""
        self._answer = answer
        self._timeout = timeout
        self._coming: list[tuple[float, int, bytes]] = []  # a heap: when, in what order, what
        self._order = 0
        self._babble = b""
        self._said = 0
        self._next_babble = math.inf
        self._lost = False
        self._reads = 0

    def write(self, data: bytes) -> None:
        """Take a question."""
        self._told()
        self.questions.append(data)
        self.since = b""
        for piece in self._answer(data):
            self._send(piece)

    def read_until(self, end: bytes, *, limit: int) -> bytes:
        """Read byte by byte, as the real port does, for one time limit in all."""
        until, got = self.now + self._timeout, b""
        while not got.endswith(end) and len(got) < limit:
            self._told()
            if (byte := self._take(until)) is None:
                break
            got += byte
        self.line = got
        if len(self.heard) < len(self.questions):
            self.heard.append((self.questions[-1], got))
        return got

    def read_some(self, *, within: float) -> bytes:
        """Wait for a byte, then take what has come by then."""
        self._told()
        got = b""
        until = self.now + within
        while (byte := self._take(until)) is not None:
            got += byte
            until = self.now
        self.since += got
        return got

    def drain(self, *, quiet: float, longest: float) -> None:
        """Throw away until it is quiet, or for `longest`."""
        until = self.now + longest
        while self.now < until:
            self._told()
            if self._take(min(self.now + quiet, until)) is None:
                return

    def close(self) -> None:
        """Nothing to release."""

    def _send(self, piece: Piece) -> None:
        if piece.lost:
            self._lost = True
        elif piece.for_ever and piece.data:
            self._babble, self._next_babble = piece.data, self.now + piece.after
        else:
            for i in range(len(piece.data)):
                at = self.now + piece.after + i * piece.apart
                heapq.heappush(self._coming, (at, self._order, piece.data[i : i + 1]))
                self._order += 1

    def _take(self, until: float) -> bytes | None:
        """The next byte if it comes by `until`, which is waited for."""
        at = min(self._coming[0][0] if self._coming else math.inf, self._next_babble)
        if at > until:
            self.now = max(self.now, until)
            return None
        self.now = max(self.now, at)
        if self._coming and self._coming[0][0] <= self._next_babble:
            return heapq.heappop(self._coming)[2]
        self._said += 1
        self._next_babble = max(self.now, self._next_babble) + BYTE_TIME
        return self._babble[(i := (self._said - 1) % len(self._babble)) : i + 1]

    def _told(self) -> None:
        self._reads += 1
        if self._reads > READS:
            raise AssertionError(f"read {READS} times without an end")
        if self._lost:
            raise BusError("the port is gone")


@contextmanager
def one_clock(wire: Wire) -> Iterator[None]:
    """Let pymodbus and pyserial, which read clocks of their own, read that of `wire`."""
    with (
        patch("pymodbus.transaction.transaction.monotonic", lambda: wire.now),
        patch.object(Timeout, "TIME", staticmethod(lambda: wire.now)),
    ):
        yield
