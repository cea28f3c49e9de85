"""A shipped driver under the real worker of its bus, and what the worker told so far."""

import queue
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TypeVar

import pytest

from drivers.ptys import Script
from longsoak.driver import BusKind
from longsoak.service import buses
from longsoak.service.buses import BusWorker, Pass
from longsoak.service.clock import SystemClock
from longsoak.vocabulary.rig import Bus, Kind, Probe
from longsoak.vocabulary.sample import Absence, Missing, Sample

T = TypeVar("T")
EVERY = 0.03  # s between two polls of each probe
Addresses = dict[str, dict[str, object]]


class Told:
    """What a worker delivers, looked through once and in order.

    `samples` keeps every value that was delivered, so that a test can say that none was wrong.
    """

    def __init__(self, thread: BusWorker, passes: "queue.SimpleQueue[Pass]") -> None:
        self.thread = thread
        self.samples: set[Sample] = set()
        self._passes = passes

    def until(self, look: Callable[[Pass], T | None], *, what: str, limit: float = 10.0) -> T:
        """What `look` finds in the first pass in which it finds something."""
        until = time.monotonic() + limit
        seen: list[Pass] = []
        while (left := until - time.monotonic()) > 0:
            try:
                seen.append(self._passes.get(timeout=left))
            except queue.Empty:
                break
            self.samples |= {s for s in seen[-1].samples if isinstance(s, Sample)}
            if (found := look(seen[-1])) is not None:
                return found
        raise AssertionError(f"waited {limit:g} s in vain for {what}; told: {seen[-10:]}")

    def first(self) -> Sample:
        """The first value that comes."""
        return self.until(
            lambda taken: next((s for s in taken.samples if isinstance(s, Sample)), None),
            what="a value",
        )

    def value(self, expected: Sample) -> Pass:
        """Wait for a good reading on a bus that is up."""
        return self.until(
            lambda taken: taken if expected in taken.samples and taken.down is None else None,
            what=f"{expected}",
        )

    def down(self, *words: str) -> str:
        """Wait until the bus is told down in a sentence with these words; return it."""

        def look(taken: Pass) -> str | None:
            says = taken.down or ""
            return says if says and all(word in says for word in words) else None

        return self.until(look, what=f"a bus down with {words}")

    def missing(self, probe: str, why: Absence) -> str:
        """Wait until a probe is told missing for this reason; return the sentence beside it."""

        def look(taken: Pass) -> str | None:
            for item in taken.samples:
                if isinstance(item, Missing) and (item.probe, item.why) == (probe, why):
                    return item.detail
            return None

        return self.until(look, what=f"{probe} missing, {why.value}")

    def forget(self) -> None:
        """Skip what waits, so that what is told next happened after now."""
        while not self._passes.empty():
            self.until(lambda taken: taken, what="a pass that is there")


def held(name: str) -> int:
    """How often this process has a terminal open, one that is gone included."""
    links = []
    for handle in Path("/proc/self/fd").iterdir():
        with suppress(OSError):  # closed meanwhile
            links.append(str(handle.readlink()))
    return sum(link.split(" ")[0] == name for link in links)


class Says:
    """What a device answers, changed at will: a table of questions, or a script."""

    def __init__(self, answers: Mapping[bytes, bytes]) -> None:
        self._answers = answers
        self.instead: Script | None = None

    def __call__(self, question: bytes) -> Iterable[bytes | float]:
        if self.instead is not None:
            return self.instead(question)
        return [self._answers.get(question, b"")]


@contextmanager
def working(kind: BusKind, addresses: Addresses, **options: object) -> Iterator[Told]:
    """Run the worker of one bus for the length of a block; it starts without a wait."""
    passes: queue.SimpleQueue[Pass] = queue.SimpleQueue()
    stop = threading.Event()
    plain = {key: str(v) if isinstance(v, Path) else v for key, v in options.items()}
    thread = BusWorker(
        Bus("bus", kind.__name__.rpartition(".")[2], plain),  # type: ignore[attr-defined]
        [
            Probe(name, Kind.TEMPERATURE, "bus", address, EVERY, EVERY, 0.0)
            for name, address in addresses.items()
        ],
        kind,
        clock=SystemClock(),
        deliver=passes.put,
        stop=stop,
        hold=threading.Event(),
        patience=0.0,
    )
    thread.start()
    try:
        yield Told(thread, passes)
    finally:
        stop.set()
        thread.join(10)
    assert not thread.is_alive()  # whatever happened on the bus, the worker did not end before


@pytest.fixture
def _soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Try a lost bus again soon: how long a worker waits is no matter of these tests."""
    monkeypatch.setattr(buses, "BACK_OFF", (0.05,))
