"""One worker per bus: it alone talks to the bus, so a dead or slow one delays no other."""

import logging
import queue
import threading
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from numbers import Real

from longsoak.core.cadence import Turns
from longsoak.driver import BusDriver, BusKind, BusSettings, Channel, Switch, Switching
from longsoak.service.clock import Clock
from longsoak.service.garble import Garble
from longsoak.service.switchboard import Pattern, Switchboard
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.rig import UNIT, Bus, Kind, Output, Probe
from longsoak.vocabulary.sample import Absence, Missing, Sample

_log = logging.getLogger(__name__)

BACK_OFF = (1.0, 2.0, 5.0, 10.0, 30.0)  # s between two attempts to open a bus; the last repeats
SLICE = 10.0  # s a pass may take before what it has is delivered
HELD = 1.0  # s: what came before an item that took longer keeps a date of its own
LISTEN = 0.5  # s between two looks whether somebody wants probes polled closer
LONGEST_TEXT = 300  # characters of a driver's sentence
# What a bus that carries bare numbers is taken to mean by them, UCUM.
_RAW_UNIT = {**UNIT, Kind.PINS: "Ohm"}


@dataclass(frozen=True, slots=True)
class Pass:
    """What one pass over a bus brought, nothing if it only tried to open the bus.

    A pass may leave off before everybody had a turn, for somebody more urgent, or for a bus lost.
    `down` says why the bus is down, if it is, or as good as down: it may bring garble all the same.
    `opened` says what answered, if it was opened, or could be read again, just now.
    """

    bus: str
    samples: Sequence[Sample | Missing]
    boottime: float
    down: str | None
    opened: str | None


@dataclass(slots=True)
class _Brought:
    """Items of one pass that belong together, and when the last came, CLOCK_BOOTTIME in s."""

    samples: list[Sample | Missing]
    at: float


class BusWorker(threading.Thread):
    """Polls one bus by its probes' periods until told to stop.

    Parameters
    ----------
    bus, probes, kind, outputs
        The bus, all probes and outputs on it, and its driver.
    deliver : callable
        Takes each `Pass`; called from this thread.
    stop : threading.Event
        Ends the worker as soon as the probe that is being asked has answered.
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
        outputs: Sequence[Output] = (),
    ) -> None:
        super().__init__(name=f"bus {bus.name}", daemon=True)
        self._bus = bus
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
            tuple(Switch(output.name, output.address) for output in outputs),
        )
        self._board = Switchboard(outputs)
        self._orders: queue.SimpleQueue[tuple[str, Pattern | None]] = queue.SimpleQueue()
        self._garble = Garble(bus, [probe.name for probe in probes], kind=kind)
        self._turns = Turns({probe.name: probe.every for probe in probes}, start=clock.monotonic())
        self._wanted: queue.SimpleQueue[tuple[Sequence[str], float, float]] = queue.SimpleQueue()
        self._driver: BusDriver | None = None
        self._down: str | None = "not opened yet"
        self._answered: str | None = None  # what did when the bus was opened, until it is told
        self._failures = 0
        self._retry_at = 0.0
        self._suspect: Missing | None = None  # the bus was just lost over it
        self._missed: set[str] = set()
        self._doubted: set[str] = set()  # probes the bus was lost over, until they answer
        self.looked_at = clock.monotonic()
        """When it last came round, monotonic, s; a driver that hangs lets it grow old."""

    def run(self) -> None:
        """Poll until stopped; the bus is closed at the end."""
        self._open()  # before the hold: opening takes as long as what it waits for
        self._hold.wait(self._patience)
        while not self._stop_asked.is_set():
            self.looked_at = self._clock.monotonic()
            self._look()
            wake = self._retry_at if self._grace else self._turns.next
            if self._driver is None:
                wake = min(wake, self._retry_at)
            now = self._clock.monotonic()
            wake = min(wake, self._board.next(now))
            if self._orders.empty():
                self._stop_asked.wait(min(LISTEN, max(0.0, wake - now)))
            self._come_closer()
            self._switch()
        self._close()

    def closer(self, probes: Sequence[str], *, every: float, seconds: float) -> None:
        """Poll probes of this bus every `every` s for `seconds` s; called from any thread."""
        self._wanted.put((probes, every, seconds))

    def order(self, output: str, pattern: Pattern | None) -> None:
        """Ask for an output of this bus to be on for the next seconds; called from any thread.

        It goes off by itself unless it is asked for again within `switchboard.RENEWED` s.
        """
        self._orders.put((output, pattern))

    def why_off(self, output: str) -> str | None:
        """Why an output is off, or would be if asked for; called from any thread."""
        if self._driver is None:
            return f"its bus is down: {self._down}"
        return self._board.why_off(output, self._clock.monotonic())

    def _switch(self) -> bool:
        """Switch what is due, between any two probes that are asked; false if the bus was lost."""
        now = self._clock.monotonic()
        while not self._orders.empty():
            self._board.ask(*self._orders.get_nowait(), now)
        driver: object = self._driver
        if not isinstance(driver, Switching):
            return True
        try:
            for output, on in self._board.due(now):
                driver.switch(output, on=on)
                self._board.switched(output, on)
        except BusError as error:
            self._lose(str(error))
        except (Exception, SystemExit) as error:  # a bug in a driver must not end the worker
            _log.exception("bus %s: the driver failed while switching", self._bus.name)
            self._lose(f"the driver {self._bus.driver!r} failed: {error!r}")
        else:
            return True
        return False

    def _come_closer(self) -> None:
        while not self._wanted.empty():
            probes, every, seconds = self._wanted.get_nowait()
            now = self._clock.monotonic()
            self._turns.closer(probes, every=every, seconds=seconds, now=now)

    @property
    def _grace(self) -> bool:
        """Whether the bus was lost for the first time, and has not been tried again since."""
        return self._suspect is not None and self._failures == 1

    def _look(self) -> None:
        """Do what is due, and deliver what it brought."""
        now = self._clock.monotonic()
        brought: list[_Brought] = []
        before = self._driver
        tried = before is None and now >= self._retry_at
        if tried:
            self._open()
            brought += self._judge_suspect()
        if self._driver is not None:
            asked = self._turns.take(self._clock.monotonic(), last=self._doubted)
            brought += self._ask(asked)
        elif not self._grace:
            brought += self._all_down(self._turns.take(now))
        if not brought and (tried or (before is not None and self._driver is None)):
            # Told though it brought nothing: the next poll may be far off.
            brought.append(_Brought([], self._boottime()))
        down = self._down or self._garble.says
        for some in brought:
            self._deliver(Pass(self._bus.name, some.samples, some.at, down, self._answered))
            self._answered = None

    def _open(self) -> None:
        """Try to open the bus; whoever missed a turn because it was down is due at once."""
        try:
            self._driver = self._kind.open_bus(self._settings)
            self._answered = _plain(self._driver.describe())
        except BusError as error:
            self._lose(str(error))
        except (Exception, SystemExit) as error:  # a bug in a driver must not end the worker
            _log.exception("bus %s: the driver failed while opening", self._bus.name)
            self._lose(f"the driver {self._bus.driver!r} failed: {error!r}")
        else:
            self._down = None
            self._turns.again(self._missed, now=self._clock.monotonic())
            self._missed.clear()

    def _ask(self, asked: list[str]) -> list[_Brought]:
        """Ask in turn until all have answered, or something is more important."""
        if self._driver is None or not asked:
            return []
        got = [_Brought([], self._boottime())]
        name = asked[0]
        garbled = self._garble.says is not None
        until = self._clock.monotonic() + SLICE
        try:
            answers = iter(self._driver.poll(asked))
            for name in asked:
                item = next(answers, None)
                if item is None or item.probe != name:
                    return self._muddled(asked)
                at = self._boottime()
                if at - got[-1].at > HELD:
                    got.append(_Brought([], at))
                got[-1].samples.append(proper := self._proper(item))
                got[-1].at = at
                self._garble.note(proper)
                if not self._switch():  # the bus was lost over it
                    return [some for some in got if some.samples]
                now = self._clock.monotonic()
                self._turns.took(name, now=now)
                self._doubted.discard(name)
                if self._stop_asked.is_set() or now > until or self._turns.urgent(now, than=name):
                    break
            else:
                if next(answers, None) is not None:
                    return self._muddled(asked)
            if isinstance(answers, Generator):
                answers.close()
        except BusError as error:
            self._lose(str(error), while_asking=name)
        except (Exception, SystemExit) as error:  # as above
            _log.exception("bus %s: the driver failed while polling", self._bus.name)
            self._lose(f"the driver {self._bus.driver!r} failed: {error!r}", while_asking=name)
        else:
            self._failures = 0
            if garbled and self._garble.says is None:
                self._answered = _plain(self._driver.describe())
        return [some for some in got if some.samples]

    def _muddled(self, asked: list[str]) -> list[_Brought]:
        self._lose("it answered for other probes than asked, a fault of its driver")
        return self._all_down(asked)

    def _proper(self, item: object) -> Sample | Missing:
        """The item as the contract has it, whatever types a driver put in.

        Raises
        ------
        BusError
            It can't be: whoever keeps it would stumble over it, and take the other buses along.
        """
        if isinstance(item, Sample):
            value: object = item.value
            if isinstance(value, Real) and isinstance(item.unit, str):
                return Sample(item.probe, float(value), _plain(item.unit))
        elif isinstance(item, Missing) and isinstance(item.why, Absence):
            return Missing(item.probe, item.why, _plain(item.detail))
        raise BusError(
            f"the driver {self._bus.driver!r} gave {item!r}, which is no reading: a fault of it"
        )

    def _judge_suspect(self) -> list[_Brought]:
        """Tell of the probe the bus was lost over.

        If the bus could be opened again it was the probe's doing, and it waits for its next turn.
        Until it answers it is asked after all others: it may take the bus down again.
        """
        if self._suspect is None:
            return []
        suspect, self._suspect = self._suspect, None
        if self._driver is not None:
            return [_Brought([suspect], self._boottime())]
        return self._all_down([suspect.probe])

    def _all_down(self, due: list[str]) -> list[_Brought]:
        self._missed.update(due)
        for name in due:
            self._turns.took(name, now=self._clock.monotonic())
        down: list[Sample | Missing] = [
            Missing(name, Absence.BUS_DOWN, self._down or "") for name in due
        ]
        return [_Brought(down, self._boottime())] if down else []

    def _boottime(self) -> float:
        return self._clock.boottime_ms() / 1000

    def _lose(self, why: str, *, while_asking: str | None = None) -> None:
        """Close the bus and set when it is tried again.

        The back-off starts anew only after a pass that ended well. A bus lost for the first time
        is tried again before its probes are told missing.
        """
        self._close()
        self._down = _plain(why)
        if while_asking is not None:
            self._doubted.add(while_asking)
            self._suspect = Missing(while_asking, Absence.NO_ANSWER, self._down)
            self._turns.took(while_asking, now=self._clock.monotonic())
        self._retry_at = self._clock.monotonic() + BACK_OFF[min(self._failures, len(BACK_OFF) - 1)]
        self._failures += 1

    def _close(self) -> None:
        if self._driver is not None:
            try:
                self._driver.close()
            except Exception:  # a port that is gone may fail to close; it is gone either way
                _log.exception("bus %s: closing failed", self._bus.name)
            self._driver = None
            self._board.lost(self._clock.monotonic())


def _plain(text: str) -> str:
    """A driver's text as the record and the log can take it: one line of limited length."""
    line = "".join(letter if letter.isprintable() else " " for letter in str(text)).strip()
    return line if len(line) <= LONGEST_TEXT else f"{line[:LONGEST_TEXT]}..."
