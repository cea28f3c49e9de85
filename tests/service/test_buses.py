"""A bus worker survives everything its driver can do, and never stops asking."""

import queue
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from itertools import pairwise

import pytest
from pydantic import BaseModel

from longsoak.driver import BusDriver, BusSettings
from longsoak.service import buses
from longsoak.service.buses import BusWorker, Pass
from longsoak.service.clock import SystemClock
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.rig import Bus, Kind, Probe
from longsoak.vocabulary.sample import Absence, Missing, Sample

Answer = Callable[[Sequence[str]], Iterable[Sample | Missing]]


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

    def poll(self, probes: Sequence[str]) -> Iterable[Sample | Missing]:
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
        first, second = passes.get(timeout=5), passes.get(timeout=5)
        assert (names(first), first.opened, first.down) == (["fast"], "scripted", None)
        assert (names(second), second.opened, second.down) == (["slow"], None, None)
        for _ in range(3):
            later = passes.get(timeout=5)
            assert (names(later), later.opened) == (["fast"], None)


def test_a_bus_that_is_missing_is_told_with_its_reason_and_asked_in_full_once_it_is_there() -> None:
    kind = Scripted(opens=[BusError("no such port"), None], polls=[good])
    with worker(kind, probe("slow", 60), probe("fast", 0.2)) as passes:
        first = passes.get(timeout=5)
        assert first.down == "no such port"
        assert first.samples[0] == Missing("fast", Absence.BUS_DOWN, "no such port")
        assert names(passes.get(timeout=5)) == ["slow"]
        while (taken := passes.get(timeout=5)).down is not None:
            assert names(taken) in (["fast"], [])
        assert taken.opened == "scripted"
        assert {*names(taken), *names(passes.get(timeout=5))} == {"fast", "slow"}


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


def slow_pair(names: Sequence[str]) -> Iterator[Sample | Missing]:
    """A meter that loses itself over one pair, and reads the others."""
    for name in names:
        if name == "bad":
            raise BusError("the meter doesn't answer")
        yield Sample(name, 1e6, "Ohm")


def test_what_came_before_a_bus_was_lost_is_kept_and_only_the_rest_is_asked_again() -> None:
    kind = Scripted(opens=[None], polls=[slow_pair])
    probes = [probe(name, 60) for name in ("one", "bad", "two", "three")]
    with worker(kind, *probes) as passes:
        before, told, after = (passes.get(timeout=5) for _ in range(3))
        assert before.samples == [Sample("one", 1e6, "Ohm")]
        assert before.down == "the meter doesn't answer"
        # Opened again, it answers, so the pair is at fault and the bus is not; and the pair waits
        # for its next turn, or nobody behind it would ever be read.
        assert told.samples == [Missing("bad", Absence.NO_ANSWER, "the meter doesn't answer")]
        assert after.samples == [Sample("two", 1e6, "Ohm"), Sample("three", 1e6, "Ohm")]
        assert (told.down, told.opened, after.down) == (None, "scripted", None)
        with pytest.raises(queue.Empty):
            passes.get(timeout=1.5)
        assert kind.opened == 2


def test_a_bus_that_is_lost_at_every_poll_is_asked_ever_more_rarely() -> None:
    asked: list[str] = []

    def dead(names: Sequence[str]) -> Iterable[Sample | Missing]:
        asked.append(names[0])
        raise BusError("it hung up")

    kind = Scripted(opens=[None], polls=[dead])
    with worker(kind, *(probe(f"p{n}", 900) for n in range(12))) as passes:
        times: list[float] = []
        while len(times) < 3:
            passes.get(timeout=10)
            if len(asked) > len(times):
                times.append(time.monotonic())
        assert times[1] - times[0] == pytest.approx(1.0, abs=0.3)
        assert times[2] - times[1] == pytest.approx(2.0, abs=0.3)
        assert asked == ["p0", "p1", "p2"]  # one pair of pins a try, and each its turn


def test_a_float_is_looked_at_between_the_probes_of_a_long_pass() -> None:
    def sluggish(names: Sequence[str]) -> Iterator[Sample | Missing]:
        for name in names:
            if name != "float":
                time.sleep(0.2)
            yield Sample(name, 0.0, "1")

    kind = Scripted(opens=[None], polls=[sluggish])
    pins = [probe(f"p{n}", 900) for n in range(8)]
    with worker(kind, *pins, probe("float", 0.3)) as passes:
        read: list[str] = []
        at: list[float] = []
        while sum(name != "float" for name in read) < 8:
            taken = passes.get(timeout=5)
            read += names(taken)
            at += [taken.boottime] * names(taken).count("float")
        assert [name for name in read if name != "float"] == [f"p{n}" for n in range(8)]
        assert max(b - a for a, b in pairwise(at)) < 0.8


def test_a_stop_ends_a_long_pass_between_two_probes_and_what_came_is_delivered() -> None:
    asked = threading.Event()
    go_on = threading.Event()

    def waits(names: Sequence[str]) -> Iterator[Sample | Missing]:
        for name in names:
            asked.set()
            assert go_on.wait(5)
            yield Sample(name, 1.0, "Cel")

    kind = Scripted(opens=[None], polls=[waits])
    with worker(kind, probe("one", 60), probe("two", 60)) as passes:
        assert asked.wait(5)
        stopper = threading.Timer(0.1, go_on.set)
        stopper.start()
    assert names(passes.get_nowait()) == ["one"]
    with pytest.raises(queue.Empty):
        passes.get_nowait()


def test_on_a_bus_that_cannot_keep_up_nobody_waits_for_ever() -> None:
    def sluggish(names: Sequence[str]) -> Iterator[Sample | Missing]:
        for name in names:
            time.sleep(0.05)
            yield Sample(name, 1.0, "Cel")

    kind = Scripted(opens=[None], polls=[sluggish])
    slow = [probe(f"p{n}", 0.3) for n in range(8)]  # 0.4 s of work each 0.3 s, and the fast one
    with worker(kind, *slow, probe("fast", 0.1), probe("rare", 900)) as passes:
        read: list[str] = []
        while read.count("fast") < 30:
            read += names(passes.get(timeout=5))
    counts = [read.count(f"p{n}") for n in range(8)]
    assert read.count("rare") == 1
    assert max(counts) - min(counts) <= 1


def test_a_probe_that_loses_its_bus_never_keeps_the_others_from_being_read() -> None:
    kind = Scripted(opens=[None], polls=[slow_pair])
    with worker(kind, *(probe(name, 1.0) for name in ("bad", "one", "two"))) as passes:
        read: list[str] = []
        while read.count("bad") < 3:
            read += names(passes.get(timeout=10))
    assert min(read.count("one"), read.count("two")) >= 2


def test_a_probe_that_loses_its_bus_for_long_is_asked_after_all_others(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A meter busy with one channel doesn't open at once, and by then every turn has come."""
    monkeypatch.setattr(buses, "BACK_OFF", (0.2,))
    gone = BusError("nothing answered")
    kind = Scripted(opens=[None, gone, None, gone, None, gone, None], polls=[slow_pair])
    with worker(kind, *(probe(name, 0.5) for name in ("bad", "one", "two"))) as passes:
        good = 0
        while good < 6:
            taken = passes.get(timeout=30)
            good += sum(isinstance(sample, Sample) for sample in taken.samples)
            assert kind.opened <= 8


def test_what_came_before_a_slow_answer_keeps_its_own_date() -> None:
    def waits(asked: Sequence[str]) -> Iterator[Sample | Missing]:
        for name in asked:
            if name == "slow":
                time.sleep(1.2)
            yield Sample(name, 1.0, "Cel")

    kind = Scripted(opens=[None], polls=[waits])
    with worker(kind, *(probe(name, 60) for name in ("one", "two", "slow", "three"))) as passes:
        early, late = passes.get(timeout=5), passes.get(timeout=5)
    assert (names(early), names(late)) == (["one", "two"], ["slow", "three"])
    assert late.boottime - early.boottime == pytest.approx(1.2, abs=0.2)
    assert (early.opened, late.opened) == ("scripted", None)


@pytest.mark.parametrize(
    "item",
    [
        Sample("p", "12", "Cel"),  # type: ignore[arg-type]
        Sample("p", None, "Cel"),  # type: ignore[arg-type]
        Sample("p", 10**400, "Cel"),
        Sample("p", 1.0, None),  # type: ignore[arg-type]
        Missing("p", "no answer", ""),  # type: ignore[arg-type]
        "p",
    ],
)
def test_an_item_no_record_could_take_is_the_drivers_fault_and_its_probes_alone(
    item: Sample | Missing,
) -> None:
    def odd(asked: Sequence[str]) -> Iterator[Sample | Missing]:
        for name in asked:
            yield item if name == "p" else Sample(name, 21, "Cel")

    kind = Scripted(opens=[None], polls=[odd])
    with worker(kind, probe("p", 60), probe("q", 60)) as passes:
        read: dict[str, Sample | Missing] = {}
        while "q" not in read or not isinstance(read["q"], Sample):
            taken = passes.get(timeout=5)
            read |= {sample.probe: sample for sample in taken.samples}
    assert isinstance(read["p"], Missing)
    assert read["q"] == Sample("q", 21.0, "Cel")
    assert type(read["q"].value) is float


def test_a_drivers_text_is_one_line_that_can_be_kept() -> None:
    def told(asked: Sequence[str]) -> Iterable[Sample | Missing]:
        return [Missing("p", Absence.NO_ANSWER, "lone \ud800 \x1b[2J\nand on" + "x" * 5000)]

    kind = Scripted(opens=[BusError("gone\nfor good \udcff"), None], polls=[told])
    with worker(kind, probe("p", 60)) as passes:
        assert passes.get(timeout=5).down == "gone for good"
        while not (taken := passes.get(timeout=5)).samples:
            pass
    (missing,) = taken.samples
    assert isinstance(missing, Missing)
    assert missing.detail.startswith("lone    [2J and onxxx")
    assert len(missing.detail) < 310


def test_a_driver_that_ends_its_thread_is_a_bus_that_is_down() -> None:
    def leave(asked: Sequence[str]) -> Iterable[Sample | Missing]:
        raise SystemExit(3)

    kind = Scripted(opens=[None], polls=[leave, good])
    with worker(kind, probe("p", 0.2)) as passes:
        assert "SystemExit(3)" in (passes.get(timeout=5).down or "")
        while passes.get(timeout=5).down is not None:
            pass


def test_a_probe_that_is_wanted_closer_is_polled_so_for_a_while_and_no_longer() -> None:
    kind = Scripted(opens=[None], polls=[good])
    passes: queue.SimpleQueue[Pass] = queue.SimpleQueue()
    stop, hold = threading.Event(), threading.Event()
    thread = BusWorker(
        Bus("b", "scripted", {}),
        [probe("pins", 900), probe("other", 900)],
        kind,
        clock=SystemClock(),
        deliver=passes.put,
        stop=stop,
        hold=hold,
        patience=0.0,
    )
    thread.start()
    assert names(passes.get(timeout=5)) == ["pins", "other"]
    thread.closer(["pins"], every=0.2, seconds=1.0)
    closer = []
    with suppress(queue.Empty):
        while True:
            closer.append(passes.get(timeout=1.5))
    stop.set()
    thread.join(10)
    assert {name for taken in closer for name in names(taken)} == {"pins"}
    assert 4 <= len(closer) <= 6
