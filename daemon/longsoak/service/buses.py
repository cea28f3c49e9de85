"""One worker per bus: it alone talks to the bus, so a dead or slow one delays no other."""

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from longsoak.core.cadence import next_due
from longsoak.driver import BusDriver, BusKind, BusSettings, Channel
from longsoak.service.clock import Clock
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.rig import UNIT, Bus, Kind, Probe
from longsoak.vocabulary.sample import Absence, Missing, Sample

_log = logging.getLogger(__name__)

BACK_OFF = (1.0, 2.0, 5.0, 10.0, 30.0)  # s between two attempts to open a bus; the last repeats
# What a bus that carries bare numbers is taken to mean by them, UCUM.
_RAW_UNIT = {**UNIT, Kind.PINS: "Ohm"}


@dataclass(frozen=True, slots=True)
class Pass:
    """What one pass over a bus brought, nothing if it only tried to open the bus.

    `down` says why the bus is down, if it is; `opened` what answered, if it was opened just now.
    """

    bus: str
    samples: Sequence[Sample | Missing]
    boottime: float
    down: str | None
    opened: str | None


class BusWorker(threading.Thread):
    """Polls one bus by its probes' periods until told to stop.

    Parameters
    ----------
    bus, probes, kind
        The bus, all probes on it, and its driver.
    deliver : callable
        Takes each `Pass`; called from this thread.
    stop : threading.Event
        Ends the worker within one poll.
    hold : threading.Event
        The first poll waits for it, at most `patience` seconds.
    """

    def __init__(
        self,
        bus: Bus,
        probes: Sequence[Probe],
        kind: BusKind,
        *,
        clock: Clock,
        deliver: Callable[[Pass], None],
        stop: threading.Event,
        hold: threading.Event,
        patience: float,
    ) -> None:
        super().__init__(name=f"bus {bus.name}", daemon=True)
        self._bus = bus
        self._probes = tuple(probes)
        self._kind = kind
        self._clock = clock
        self._deliver = deliver
        self._stop_asked = stop
        self._hold = hold
        self._patience = patience
        self._settings = BusSettings(
            bus.name,
            bus.options,
            tuple(Channel(p.name, _RAW_UNIT[p.kind], p.address) for p in probes),
        )
        self._driver: BusDriver | None = None
        self._down: str | None = "not opened yet"
        self._failures = 0
        self._retry_at = 0.0

    def run(self) -> None:
        """Poll until stopped; the bus is closed at the end."""
        opened = self._open()  # before the hold: opening takes as long as what it waits for
        self._hold.wait(self._patience)
        start = self._clock.monotonic()
        due = {probe.every: start for probe in self._probes}
        while not self._stop_asked.is_set():
            now = self._clock.monotonic()
            tried = self._driver is None and now >= self._retry_at
            if tried:
                opened = self._open()
                if opened is not None:  # whatever was missed meanwhile is asked at once
                    due = dict.fromkeys(due, now)
            asked = [probe.name for probe in self._probes if due[probe.every] <= now]
            if asked or tried:  # a vain try is told too: the next poll may be a quarter hour off
                samples = self._poll(asked)
                self._deliver(
                    Pass(
                        self._bus.name,
                        samples,
                        self._clock.boottime_ms() / 1000,
                        self._down,
                        opened,
                    )
                )
                opened = None
                after = self._clock.monotonic()
                due = {
                    period: next_due(at, period=period, now=after) if at <= now else at
                    for period, at in due.items()
                }
            wake = min(due.values())
            if self._driver is None:
                wake = min(wake, self._retry_at)
            self._stop_asked.wait(max(0.0, wake - self._clock.monotonic()))
        self._close()

    def _open(self) -> str | None:
        """Try to open the bus; return what answered."""
        try:
            self._driver = self._kind.open_bus(self._settings)
            answered = self._driver.describe()
        except BusError as error:
            self._lose(str(error))
        except Exception as error:  # a bug in a driver must not end the worker
            _log.exception("bus %s: the driver failed while opening", self._bus.name)
            self._lose(f"the driver {self._bus.driver!r} failed: {error!r}")
        else:
            self._down, self._failures = None, 0
            return answered
        return None

    def _poll(self, asked: list[str]) -> Sequence[Sample | Missing]:
        if self._driver is not None and asked:
            try:
                samples = self._driver.poll(asked)
                if [sample.probe for sample in samples] == asked:
                    return samples
                self._lose(f"the driver {self._bus.driver!r} answered for other probes than asked")
            except BusError as error:
                self._lose(str(error))
            except Exception as error:  # as above
                _log.exception("bus %s: the driver failed while polling", self._bus.name)
                self._lose(f"the driver {self._bus.driver!r} failed: {error!r}")
        return [Missing(name, Absence.BUS_DOWN, self._down or "") for name in asked]

    def _lose(self, why: str) -> None:
        self._close()
        self._down = why
        self._retry_at = self._clock.monotonic() + BACK_OFF[min(self._failures, len(BACK_OFF) - 1)]
        self._failures += 1

    def _close(self) -> None:
        if self._driver is not None:
            try:
                self._driver.close()
            except Exception:  # a port that is gone may fail to close; it is gone either way
                _log.exception("bus %s: closing failed", self._bus.name)
            self._driver = None
