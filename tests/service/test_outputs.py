"""A bus's worker with outputs, over the shipped GPIO driver on faked lines."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import gpiod
import pytest
from gpiod.line import Direction, Value

from drivers.heldlines import Held
from longsoak.service.buses import BusWorker, Pass
from longsoak.service.clock import SystemClock
from longsoak.service.switchboard import RENEWED, Pattern
from longsoak.vocabulary.rig import Bus, Kind, Output, OutputKind, Probe
from longsoak_drivers import gpio
from waiting import wait_for

VALVE = Output("valve", OutputKind.FILL_VALVE, "panel", {"line": 24, "active": "low"}, longest=60)
FLOAT = Probe("high float", Kind.FLOAT, "panel", {"line": 17}, every=0.2, record=300, resolution=1)


class Panel:
    """The lines of a chip, and the worker that has them."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.held: list[Held] = []
        monkeypatch.setattr(gpiod, "request_lines", self._request)
        self.stop = threading.Event()
        hold = threading.Event()
        hold.set()
        self.passes: list[Pass] = []
        self.worker = BusWorker(
            Bus("panel", "gpio", {"chip": "/dev/gpiochip0"}),
            [FLOAT],
            gpio,
            clock=SystemClock(),
            deliver=self.passes.append,
            stop=self.stop,
            hold=hold,
            patience=1,
            outputs=[VALVE],
        )

    def _request(self, _: str, config: dict[int | str, gpiod.LineSettings], **__: object) -> Held:
        self.held.append(Held(config))
        return self.held[-1]

    @property
    def valve(self) -> Held:
        """The newest hold on the valve's line."""
        return [h for h in self.held if h.config[h.lines[0]].direction is Direction.OUTPUT][-1]

    @property
    def is_open(self) -> bool:
        return self.valve.values[24] is Value.ACTIVE


@contextmanager
def panel(monkeypatch: pytest.MonkeyPatch) -> Iterator[Panel]:
    made = Panel(monkeypatch)
    made.worker.start()
    try:
        wait_for(lambda: made.passes, what="a first pass")
        yield made
    finally:
        made.stop.set()
        made.worker.join(5)
        assert not made.worker.is_alive()


def test_an_output_is_on_only_while_it_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SystemClock()
    with panel(monkeypatch) as made:
        assert not made.is_open
        made.worker.order("valve", Pattern.STEADY)
        asked = clock.monotonic()
        wait_for(lambda: made.is_open, what="the valve to open", limit=2)
        wait_for(lambda: not made.is_open, what="it to shut by itself", limit=RENEWED + 2)
        assert RENEWED - 0.1 <= clock.monotonic() - asked <= RENEWED + 1
        made.worker.order("valve", Pattern.STEADY)
        wait_for(lambda: made.is_open, what="the valve to open", limit=2)
        made.worker.order("valve", None)
        wait_for(lambda: not made.is_open, what="it to shut", limit=1)


def test_a_stop_shuts_before_the_lines_are_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    with panel(monkeypatch) as made:
        made.worker.order("valve", Pattern.STEADY)
        wait_for(lambda: made.is_open, what="the valve to open", limit=2)
    assert not made.is_open
    assert all(held.released for held in made.held)


def test_a_bus_that_is_lost_lets_go_and_does_not_open_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with panel(monkeypatch) as made:
        made.worker.order("valve", Pattern.STEADY)
        wait_for(lambda: made.is_open, what="the valve to open", limit=2)
        lost = made.valve
        for held in made.held:
            held.gone = True
        wait_for(lambda: lost.released, what="the lines to be let go", limit=3)
        made.worker.order("valve", Pattern.STEADY)
        wait_for(lambda: made.valve is not lost, what="the bus to come back", limit=10)
        made.worker.order("valve", Pattern.STEADY)
        wait_for(lambda: made.worker.why_off("valve") is not None, what="a reason", limit=2)
        assert not made.is_open
