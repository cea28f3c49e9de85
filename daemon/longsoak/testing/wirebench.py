"""An instrument at the far end of a wire: it hears questions, and answers well or badly."""

import queue
import select
import socket
import threading
import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from itertools import cycle
from typing import Self, TypeVar

from longsoak.driver import BusKind, BusSettings
from longsoak.testing.bench import Mischief, Reads, bus_settings
from longsoak.vocabulary.sample import Sample

T = TypeVar("T")

_LATE = 1.4  # time limits after the question; what is later still is `CROSSED`
_PIECES = 4  # of an answer that comes in pieces
_SHORT_GAP = 0.1  # time limits between two pieces: the whole is in time
_GAP = 0.6  # each piece is in time, the whole is not
_NOISE = b"U"  # half of its bits are set, so that it looks like a wrong speed
# Between two portions of noise, s: a wire of some 10,000 bytes a second.
_PAUSE, _PORTION = 0.005, 50
_GARBAGE: tuple[Callable[[bytes], bytes], ...] = (
    lambda answer: bytes(byte | 0x80 for byte in answer),  # the wrong parity
    lambda _: b"\xfe" * 70 + b"\r\n",
    lambda _: b"\xff\xfe\x00\r\n",
    lambda _: b"\r\n",
    lambda _: b"nan\r\n",
)


class WireBench(ABC):
    """One instrument, or several on one wire, that answer when they are asked.

    All it does it does in a thread of its own; the methods hand it their wishes.

    Parameters
    ----------
    kind : BusKind
        The driver under test.
    reads : sequence of (Sample, Mapping)
        What each probe gives in good order, and its address.
    answer : callable
        What the instrument answers to a question in good order; nothing is no answer.
    end : bytes or int
        How a question ends, or how many bytes it has.
    timeout : float
        How long the driver waits for an answer, as `options` has it, s.
    longest : float
        Longest time the driver may take for one item, to open the bus, or to close it, s.
    options : Mapping
        The driver's options but for those that name the wire.
    cannot : Mapping
        Why no driver of this bus could bear a mischief, as its documentation has it.
    """

    def __init__(
        self,
        kind: BusKind,
        reads: Reads,
        *,
        answer: Callable[[bytes], bytes],
        end: bytes | int,
        timeout: float,
        longest: float,
        options: Mapping[str, object] | None = None,
        cannot: Mapping[Mischief, str] | None = None,
    ) -> None:
        self.kind = kind
        self.longest = longest
        self._pairs = reads
        self._options = dict(options or {})
        self._cannot = {
            Mischief.HANG: "a read from a wire comes back when its time limit is over",
            **(cannot or {}),
        }
        self._answer = answer
        self._end = end
        self._timeout = timeout
        self._mischief: Mischief | None = None
        self._only: int | None = None
        self._asked = self._answered = self._taken = 0
        self._garbage = cycle(_GARBAGE)
        self._got = bytearray()
        self._held = b""  # an answer that waits for the next question
        self._due: deque[tuple[float, bytes]] = deque()  # what is sent when, in that order
        self._wishes: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._ending = False
        self._failed: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="bench", daemon=True)

    @property
    def reads(self) -> Mapping[str, Sample]:
        """See `Bench.reads`."""
        return {sample.probe: sample for sample, _ in self._pairs}

    @property
    def settings(self) -> BusSettings:
        """See `Bench.settings`."""
        return bus_settings(self._pairs, {**self._options, **self._way()})

    def __enter__(self) -> Self:
        """Plug the instrument in."""
        self._woken, self._waker = socket.socketpair()
        self._plug(renamed=False)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Take it away, and say what its `answer` failed with, if it did."""
        self._wish(self._stop)
        self._thread.join()
        self._clear()
        self._woken.close()
        self._waker.close()
        if self._failed is not None:
            raise AssertionError(f"the bench's answer failed: {self._failed!r}") from self._failed

    def cannot(self, mischief: Mischief) -> str | None:
        """See `Bench.cannot`."""
        return self._cannot.get(mischief)

    def misbehave(self, mischief: Mischief, *, only: int | None = None) -> None:
        """See `Bench.misbehave`."""
        self._wish(lambda: self._turn(mischief, only))

    def behave(self) -> None:
        """See `Bench.behave`; what is under way still comes."""
        self._wish(lambda: self._turn(None, None))

    def asked(self) -> bool:
        """See `Bench.asked`."""
        return self._wish(lambda: self._asked > 0)

    def stolen(self) -> int:
        """See `Bench.stolen`."""
        return self._wish(lambda: self._taken)

    def lose(self) -> None:
        """See `Bench.lose`."""
        self._wish(self._pull)

    def bring_back(self, *, renamed: bool = False) -> None:
        """See `Bench.bring_back`."""
        self._wish(lambda: self._plug(renamed=renamed))

    @abstractmethod
    def occupy(self) -> bool:
        """See `Bench.occupy`."""

    @abstractmethod
    def vacate(self) -> None:
        """See `Bench.vacate`."""

    @abstractmethod
    def _way(self) -> Mapping[str, object]:
        """The options that name the wire."""

    @abstractmethod
    def _plug(self, *, renamed: bool) -> None:
        """Make the wire."""

    @abstractmethod
    def _unplug(self) -> None:
        """Break the wire; safe to call twice."""

    @abstractmethod
    def _clear(self) -> None:
        """Remove what is left of it."""

    @abstractmethod
    def _sources(self) -> list[int]:
        """What to listen at."""

    @abstractmethod
    def _take(self, source: int) -> bytes:
        """Take what came there; may raise `OSError`."""

    @abstractmethod
    def _send(self, data: bytes) -> None:
        """Send what fits, without waiting."""

    def _wish(self, wish: Callable[[], T]) -> T:
        """Have something done by the thread, and wait until it is."""
        done: Future[T] = Future()

        def do() -> None:
            try:
                done.set_result(wish())
            except Exception as error:  # told to whoever wished
                done.set_exception(error)

        self._wishes.put(do)
        self._waker.send(b".")
        return done.result()

    def _turn(self, mischief: Mischief | None, only: int | None) -> None:
        self._mischief, self._only = mischief, only
        self._asked = self._answered = 0
        self._held = b""

    def _pull(self) -> None:
        self._unplug()
        self._due.clear()
        self._got.clear()
        self._held = b""

    def _stop(self) -> None:
        self._pull()
        self._ending = True

    def _run(self) -> None:
        while not self._ending:
            self._make_noise()
            wait = max(0.0, self._due[0][0] - time.monotonic()) if self._due else None
            waker = self._woken.fileno()
            ready, _, _ = select.select([waker, *self._sources()], [], [], wait)
            if waker in ready:
                self._woken.recv(1)
                self._wishes.get()()
                continue  # what there is to listen at may be other now
            for source in ready:
                self._hear(source)
            while self._due and self._due[0][0] <= time.monotonic():
                self._send(self._due.popleft()[1])

    def _make_noise(self) -> None:
        if self._due or self._mischief not in (Mischief.TRICKLE, Mischief.BABBLE):
            return
        if self._mischief is Mischief.TRICKLE:
            self._later(self._timeout * _GAP, _NOISE)
        else:
            self._later(_PAUSE, _NOISE * _PORTION)

    def _hear(self, source: int) -> None:
        try:
            self._got += self._take(source)
        except OSError:  # nobody holds the near end just now
            return
        while (question := self._question()) is not None:
            self._asked += 1
            try:
                answer = self._answer(question)
            except Exception as error:  # said at the end of the block, for this thread goes on
                self._failed = self._failed or error
                continue
            if answer:
                self._give(answer)
                self._answered += 1

    def _question(self) -> bytes | None:
        """Take one whole question out of what came."""
        if isinstance(self._end, int):
            size = skip = self._end
        else:
            size = self._got.find(self._end)
            skip = size + len(self._end)
        if size < 0 or len(self._got) < skip:
            return None
        question = bytes(self._got[:size])
        del self._got[:skip]
        return question

    def _give(self, answer: bytes) -> None:
        """Send an answer, as well or as badly as it is wished."""
        held, self._held = self._held, b""
        bad = self._mischief if self._only in (None, self._answered) else None
        if bad is Mischief.CROSSED:
            self._held = answer
            self._later(0, held)
        elif bad is Mischief.GARBAGE:
            self._later(0, next(self._garbage)(answer))
        elif bad is Mischief.HALF:
            self._later(0, answer[: len(answer) // 2])
        elif bad is Mischief.LATE:
            self._later(self._timeout * _LATE, answer)
        elif bad in (Mischief.PIECES, Mischief.SLOW):
            gap = self._timeout * (_GAP if bad is Mischief.SLOW else _SHORT_GAP)
            size = -(-len(answer) // _PIECES)
            for n, start in enumerate(range(0, len(answer), size)):
                self._later(n * gap, answer[start : start + size])
        elif bad in (None, Mischief.THEFT):
            self._later(0, held + answer)

    def _later(self, delay: float, data: bytes) -> None:
        """Send something after a delay, and after all that is on its way already."""
        when = max(time.monotonic() + delay, self._due[-1][0] if self._due else 0.0)
        self._due.append((when, data))
