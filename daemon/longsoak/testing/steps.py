"""What the checks are made of: judging a pass, waiting with a limit, losing and finding a bus."""

import queue
import threading
import time
from collections.abc import Callable, Sequence
from math import isclose
from unittest import SkipTest

from longsoak.service.buses import BusWorker, Pass
from longsoak.service.clock import SystemClock
from longsoak.testing.bench import Bench, Mischief, SwitchBench
from longsoak.testing.handle import Handle, Polled, fail
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.rig import Bus, Kind, Probe
from longsoak.vocabulary.sample import Sample

TRIES = 5  # passes a driver may need to be in step again, or to notice that a bus is lost
_PERIOD = 0.1  # s between two polls
_EXACT = 1e-9  # relative; a scale in the rig file may round in the last digit
_LOOK = 0.005  # s between two looks


def judge(bench: Bench, got: Polled) -> None:
    """See that every value is the one its probe has, and not another's or nobody's."""
    for sample in got.samples:
        meant = bench.reads[sample.probe]
        if sample.unit != meant.unit or not isclose(sample.value, meant.value, rel_tol=_EXACT):
            fail(f"poll gave {sample!r}, expected {meant!r} or a Missing: no other was ever sent")


def must_hold(got: Polled, after: str) -> None:
    """See that the bus was not lost over something that concerns one answer."""
    if got.lost is not None:
        fail(f"the bus was lost ({got.lost}) after {after}, expected a Missing", cause=got.lost)


def until_right(bench: Bench, driver: Handle, probes: Sequence[str] | None = None) -> None:
    """Poll until every probe gives its value, and open a lost bus again, as the service does."""
    asked = list(bench.reads) if probes is None else probes
    got: Polled | None = None
    for _ in range(TRIES):
        if driver.is_open or try_to_open(driver) is None:
            got = driver.poll(asked)
            judge(bench, got)
            if len(got.samples) == len(asked):
                return
            if got.lost is not None:
                driver.close()
        threading.Event().wait(_PERIOD)
    fail(f"in {TRIES} passes not every probe gave its value, the last brought {got}")


def must_open(driver: Handle) -> None:
    """Open a bus with which all is well."""
    why = try_to_open(driver)
    if why is not None:
        fail(f"the bus could not be opened although it is there: {why}", cause=why)


def try_to_open(driver: Handle) -> BusError | None:
    """Open the bus; why that can't be done now."""
    try:
        driver.open()
    except BusError as error:
        return error
    return None


def must_be_lost(bench: Bench, driver: Handle) -> None:
    """See that a bus that is gone is said to be, soon, and that nothing is read from it."""
    for _ in range(TRIES):
        got = driver.poll(list(bench.reads))
        if got.samples:
            fail(f"poll gave {got.samples[0]!r} from a bus that is gone")
        if got.lost is not None:
            return
    fail(f"{TRIES} passes over a bus that is gone raised nothing, expected a BusError")


def keep_waiting(bench: Bench) -> None:
    """Make the instruments let whoever reads wait."""
    hangs = bench.cannot(Mischief.HANG) is None
    mischief = Mischief.HANG if hangs else Mischief.SILENCE
    if (why := bench.cannot(mischief)) is not None:
        raise SkipTest(f"not shown: {why}")
    bench.misbehave(mischief)


def under_way(bench: Bench) -> None:
    """Wait until a read is under way."""
    until(bench.asked, limit=bench.longest, what="a read that is under way")


def until(look: Callable[[], bool], *, limit: float, what: str) -> None:
    """Wait until something is so.

    Parameters
    ----------
    look : callable
        Says whether it is.
    limit : float
        Longest wait, s.
    what : str
        What is waited for, in words.
    """
    end = time.monotonic() + limit
    pause = threading.Event()
    while not look():
        if time.monotonic() > end:
            fail(f"waited {limit:g} s in vain for {what}")
        pause.wait(_LOOK)


def in_service(
    bench: Bench, *, passes: "queue.SimpleQueue[Pass]", stop: threading.Event
) -> BusWorker:
    """Make the service's own worker for the bus, which polls every probe all the time."""
    settings = bench.settings
    probes = [
        Probe(
            channel.probe, Kind.TEMPERATURE, settings.name, channel.address, _PERIOD, _PERIOD, 0.0
        )
        for channel in settings.channels
    ]
    return BusWorker(
        Bus(settings.name, "under test", settings.options),
        probes,
        bench.kind,
        clock=SystemClock(),
        deliver=passes.put,
        stop=stop,
        hold=threading.Event(),
        patience=0.0,
    )


def brought(passes: "queue.SimpleQueue[Pass]") -> bool:
    """Whether the service has brought a value since the last look."""
    found = False
    while not passes.empty():
        found |= any(isinstance(item, Sample) for item in passes.get().samples)
    return found


def must_be_on(bench: Bench, outputs: Sequence[str], *, on: str | None, when: str) -> None:
    """See that one output is on and no other, or none at all."""
    found = [o for o in outputs if isinstance(bench, SwitchBench) and bench.is_on(o)]
    if found != ([] if on is None else [on]):
        told = ", ".join(found) or "none"
        fail(f"once {when}, on are: {told}; expected: {on or 'none'}")
