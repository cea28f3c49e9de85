"""A bus worker survives everything its driver can do, and never stops asking."""

import queue
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

import pytest
from pydantic import BaseModel

from longsoak.driver import BusDriver, BusSettings
from longsoak.service.buses import BusWorker, Pass
from longsoak.service.clock import SystemClock
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.rig import Bus, Kind, Probe
from longsoak.vocabulary.sample import Absence, Missing, Sample

Answer = Callable[[Sequence[str]], Sequence[Sample | Missing]]


def good(names: Sequence[str]) -> Sequence[Sample | Missing]:
    return [Sample(name, 21.0, "Cel") for name in names]


class Scripted:
    """A driver kind whose openings and polls follow a script; the last entry repeats."""

    class Options(BaseModel):
        pass

    class Address(BaseModel):
        pass

    def __init__(self, *, opens: Sequence[Exception | None], polls: Sequence[Answer]) -> None:
        self.opens = list(opens)
        self.polls = list(polls)
        self.opened = self.closed = 0

    def open_bus(self, settings: BusSettings) -> BusDriver:
        outcome = self.opens.pop(0) if len(self.opens) > 1 else self.opens[0]
        if outcome is not None:
            raise outcome
        self.opened += 1
        return self

    def poll(self, probes: Sequence[str]) -> Sequence[Sample | Missing]:
        answer = self.polls.pop(0) if len(self.polls) > 1 else self.polls[0]
        return answer(probes)

    def describe(self) -> str:
        return "scripted"

    def close(self) -> None:
        self.closed += 1


def probe(name: str, every: float) -> Probe:
    return Probe(name, Kind.TEMPERATURE, "b", {}, every, every, 0.0)


@contextmanager
def worker(
    kind: Scripted, *probes: Probe, hold: threading.Event | None = None, patience: float = 0.0
) -> Iterator["queue.SimpleQueue[Pass]"]:
    passes: queue.SimpleQueue[Pass] = queue.SimpleQueue()
    stop = threading.Event()
    thread = BusWorker(
        Bus("b", "scripted", {}),
        probes,
        kind,
        clock=SystemClock(),
        deliver=passes.put,
        stop=stop,
        hold=hold or threading.Event(),
        patience=patience,
    )
    thread.start()
    try:
        yield passes
    finally:
        stop.set()
        thread.join(10)
    assert not thread.is_alive()
    assert kind.closed >= kind.opened  # whatever was opened is closed


def names(taken: Pass) -> list[str]:
    return [sample.probe for sample in taken.samples]


def test_all_probes_are_asked_at_once_and_then_by_their_periods() -> None:
    kind = Scripted(opens=[None], polls=[good])
    with worker(kind, probe("slow", 60), probe("fast", 0.2)) as passes:
        first = passes.get(timeout=5)
        assert (names(first), first.opened, first.down) == (["slow", "fast"], "scripted", None)
        for _ in range(3):
            later = passes.get(timeout=5)
            assert (names(later), later.opened) == (["fast"], None)


def test_a_bus_that_is_missing_is_told_with_its_reason_and_asked_in_full_once_it_is_there() -> None:
    kind = Scripted(opens=[BusError("no such port"), None], polls=[good])
    with worker(kind, probe("slow", 60), probe("fast", 0.2)) as passes:
        first = passes.get(timeout=5)
        assert first.down == "no such port"
        assert first.samples[0] == Missing("slow", Absence.BUS_DOWN, "no such port")
        while (taken := passes.get(timeout=5)).down is not None:
            assert names(taken) in (["fast"], [])
        assert names(taken) == ["slow", "fast"]
        assert taken.opened == "scripted"


def test_a_bus_lost_while_polling_is_closed_and_opened_again() -> None:
    def lost(_: Sequence[str]) -> Sequence[Sample | Missing]:
        raise BusError("unplugged")

    kind = Scripted(opens=[None], polls=[good, lost, good])
    with worker(kind, probe("fast", 0.2)) as passes:
        assert passes.get(timeout=5).down is None
        assert passes.get(timeout=5).down == "unplugged"
        while (taken := passes.get(timeout=5)).down is not None:
            pass
        assert taken.opened == "scripted"
        assert kind.opened == 2
        assert kind.closed == 1


def test_a_bug_in_a_driver_is_a_bus_that_is_down_and_not_the_end() -> None:
    def bug(_: Sequence[str]) -> Sequence[Sample | Missing]:
        raise ZeroDivisionError

    kind = Scripted(opens=[RuntimeError("at open"), None], polls=[bug, good])
    with worker(kind, probe("fast", 0.2)) as passes:
        assert "RuntimeError('at open')" in (passes.get(timeout=5).down or "")
        while "ZeroDivisionError()" not in (passes.get(timeout=5).down or ""):
            pass
        while passes.get(timeout=5).down is not None:
            pass


@pytest.mark.parametrize(
    "wrong",
    [
        lambda asked: [*good(asked), *good(asked)],
        lambda asked: [],
        lambda asked: good(["other"]),
    ],
)
def test_answers_for_other_probes_than_asked_are_never_taken(wrong: Answer) -> None:
    kind = Scripted(opens=[None], polls=[wrong])
    with worker(kind, probe("fast", 0.2)) as passes:
        taken = passes.get(timeout=5)
        assert taken.down is not None
        assert "answered for other probes" in taken.down
        assert names(taken) == ["fast"]
        assert isinstance(taken.samples[0], Missing)


def test_pins_wait_for_their_temperature_but_not_for_ever() -> None:
    hold = threading.Event()
    kind = Scripted(opens=[None], polls=[good])
    with worker(kind, probe("p", 60), hold=hold, patience=30) as passes:
        with pytest.raises(queue.Empty):
            passes.get(timeout=0.3)
        hold.set()
        assert names(passes.get(timeout=5)) == ["p"]
    kind = Scripted(opens=[None], polls=[good])
    with worker(kind, probe("p", 60), patience=0.3) as passes:
        assert names(passes.get(timeout=5)) == ["p"]


def test_each_vain_try_to_open_a_bus_is_told_though_no_poll_is_due() -> None:
    kind = Scripted(opens=[BusError("no such port")], polls=[good])
    with worker(kind, probe("slow", 900)) as passes:
        assert names(passes.get(timeout=5)) == ["slow"]
        for _ in range(2):
            vain = passes.get(timeout=10)
            assert (names(vain), vain.down) == ([], "no such port")
