"""A driver as the service handles it: from one thread, and here never waited for beyond a limit."""

import queue
import threading
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from math import isfinite
from typing import NoReturn, Self, TypeVar

from longsoak.driver import BusDriver, Switching
from longsoak.service.buses import LONGEST_TEXT
from longsoak.testing.bench import Bench
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Polled:
    """What one pass brought: an item per probe, unless the bus was lost over it."""

    items: Sequence[Sample | Missing]
    lost: BusError | None

    @property
    def samples(self) -> Sequence[Sample]:
        """Those items that are values."""
        return [item for item in self.items if isinstance(item, Sample)]


def fail(says: str, *, cause: BaseException | None = None) -> NoReturn:
    """End a check with a sentence that says what a driver did, and what was expected of it."""
    raise AssertionError(says) from cause


class Handle:
    """One driver on its bench. Whatever breaks the contract is an `AssertionError`.

    Parameters
    ----------
    bench : Bench
        Set up already.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._driver: BusDriver | None = None
        self._jobs: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        # Left behind where a driver never returns: nothing can take a thread out of a call.
        threading.Thread(target=self._run, name="driver under test", daemon=True).start()

    def __enter__(self) -> Self:
        """Nothing is opened yet."""
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        """Close what is open; that must go well unless something else has failed before."""
        try:
            if kind is None:
                self.close()
        finally:
            self._jobs.put(self._let_go)
            self._jobs.put(None)

    def open(self) -> None:
        """Open the bus.

        Raises
        ------
        BusError
            It can't be opened now.
        """
        self._driver = self._call(
            "open_bus", lambda: self._bench.kind.open_bus(self._bench.settings)
        )

    @property
    def is_open(self) -> bool:
        """Whether the bus was opened and not closed since."""
        return self._driver is not None

    def describe(self) -> str:
        """What the driver says it found."""
        said = self._call("describe", self._opened.describe)
        check_words(said, "describe")
        return said

    def close(self) -> None:
        """Close it twice, as a service may that was interrupted. Nothing if it isn't open."""
        if self._driver is not None:
            for _ in range(2):
                try:
                    self._call("close", self._driver.close)
                except BusError as error:
                    fail(
                        f"close raised {error!r}, expected nothing: the bus may be gone",
                        cause=error,
                    )
            self._driver = None

    def poll(self, probes: Sequence[str], *, leave_after: int | None = None) -> Polled:
        """Make one pass, or leave it after some items."""
        items: list[Sample | Missing] = []
        try:
            answers = self._call("poll", lambda: iter(self._opened.poll(probes)), items=len(probes))
            for probe in probes[:leave_after]:
                item = _checked(self._next(answers), probe)
                items.append(item)  # at once: those before a lost bus hold
            if leave_after is None and (more := self._next(answers)) is not None:
                fail(f"poll gave {more!r} beyond the {len(probes)} probes it was asked for")
            if isinstance(answers, Generator):
                self._call("leaving poll", answers.close)
        except BusError as error:
            return Polled(items, error)
        return Polled(items, None)

    def switch(self, output: str, *, on: bool) -> None:
        """Switch an output.

        Raises
        ------
        BusError
            It can't be switched now.
        """
        driver: object = self._opened
        if not isinstance(driver, Switching):
            fail("the bench has outputs, and the driver has no method switch")
        self._call("switch", lambda: driver.switch(output, on=on))

    @property
    def _opened(self) -> BusDriver:
        if self._driver is None:
            raise RuntimeError("the bus is not open")
        return self._driver

    def _next(self, answers: Iterator[Sample | Missing]) -> Sample | Missing | None:
        return self._call("poll", lambda: next(answers, None))

    def _call(self, what: str, call: Callable[[], T], *, items: int = 1) -> T:
        done: Future[T] = Future()

        def job() -> None:
            try:
                done.set_result(call())
            except BaseException as error:  # whatever a driver may raise is judged below
                done.set_exception(error)

        self._jobs.put(job)
        limit = self._bench.longest * max(1, items)
        try:
            error = done.exception(limit)
        except TimeoutError:
            fail(f"{what} took longer than {limit:g} s, expected a limit on every wait")
        if isinstance(error, BusError):
            check_words(str(error), "the sentence of a BusError")
        elif error is not None:
            fail(
                f"{what} raised {error!r}, expected a BusError if the bus is gone, and for a probe "
                "that is silent or garbled a Missing",
                cause=error,
            )
        return done.result()

    def _let_go(self) -> None:
        """Close what a failed check left open; what that brings is nobody's matter any more."""
        if self._driver is not None:
            with suppress(Exception):
                self._driver.close()

    def _run(self) -> None:
        while (job := self._jobs.get()) is not None:
            job()


def check_words(said: object, what: str) -> None:
    """See that a text of a driver fits into a log and onto a page."""
    if not isinstance(said, str) or not said.isprintable() or not 0 < len(said) <= LONGEST_TEXT:
        fail(
            f"{what} is {said!r}, expected one printable line of at most {LONGEST_TEXT} characters"
        )


def _checked(item: object, probe: str) -> Sample | Missing:
    if isinstance(item, Missing):
        if not isinstance(item.why, Absence) or item.why is Absence.BUS_DOWN:
            fail(f"poll gave {item!r}, expected a reason other than {Absence.BUS_DOWN!r}")
        check_words(item.detail, f"the detail of {item!r}")
    elif not isinstance(item, Sample):
        fail(f"poll gave {item!r} for {probe!r}, expected a Sample or a Missing")
    elif (
        not isinstance(item.value, int | float)
        or isinstance(item.value, bool)
        or not isfinite(item.value)
    ):
        fail(f"poll gave {item!r}, expected a finite number: what is none is a Missing")
    if item.probe != probe:
        fail(f"poll gave {item!r} where {probe!r} was asked")
    return item
