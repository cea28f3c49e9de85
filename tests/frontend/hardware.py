"""Stands in for a board's modules: pins and ADC of a `Circuit`, its clock, and its serial port.

The clock is the circuit's own: a wait of the firmware takes no time. What comes in over the serial
port, and what a test wants to see or set, comes through `wires`, which run.mjs provides.
"""

import json
import sys

import wires  # type: ignore[import-not-found]  # only there when it runs

from frontend.circuit import Circuit

_WRAP = 1 << 30  # of the tick counters
_STARVED = 8.388  # s: the longest patience the watchdogs of such chips have

SHOWN = ("faults", "energised", "ranges", "now")  # to a test

circuit = Circuit()


class Pin:
    """A GPIO pin."""

    IN, OUT, PULL_UP = 0, 1, 1

    def __init__(self, gpio: int, mode: int = 0, pull: int = 0, value: int = 0) -> None:
        self.gpio = gpio
        if mode == Pin.OUT:
            circuit.set_pin(gpio, value)

    def value(self, *level: int) -> int:
        """The pin's level, or a new one."""
        for new in level:
            circuit.set_pin(self.gpio, new)
        return circuit.get_pin(self.gpio)


class ADC:
    """The converter behind the buffer; there is one."""

    def __init__(self, pin: Pin) -> None:
        self._pin = pin

    def read_u16(self) -> int:
        """A sample; taking it takes 2 microseconds."""
        circuit.advance(2e-6)
        return circuit.sample()


class WDT:
    """A watchdog that remembers when it was fed, and writes down if it would have bitten."""

    fed: float | None = None
    patience = 0.0

    def __init__(self, timeout: int) -> None:
        WDT.patience = min(timeout / 1000, _STARVED)
        self.feed()

    def feed(self) -> None:
        """Tell it that all is well."""
        WDT.fed = circuit.now

    @staticmethod
    def look() -> None:
        """Write down if it was not fed in time."""
        if WDT.fed is not None and circuit.now - WDT.fed > WDT.patience:
            circuit.faults.append("the watchdog bit")


class Machine:
    """The module `machine`."""

    Pin, ADC, WDT = Pin, ADC, WDT


class Time:
    """The module `time`; the tick counters wrap as they do on a microcontroller."""

    @staticmethod
    def sleep_ms(ms: int) -> None:
        """Let time pass."""
        circuit.advance(ms / 1000)
        WDT.look()

    @staticmethod
    def sleep_us(us: int) -> None:
        """Let time pass."""
        circuit.advance(us / 1e6)

    @staticmethod
    def ticks_ms() -> int:
        """Milliseconds, from just before the counter wraps."""
        return (int(circuit.now * 1e3) + _WRAP - 5000) % _WRAP

    @staticmethod
    def ticks_us() -> int:
        """Microseconds, likewise."""
        return (int(circuit.now * 1e6) + _WRAP - 5000) % _WRAP

    @staticmethod
    def ticks_add(ticks: int, more: int) -> int:
        """Ticks later than some others."""
        return (ticks + more) % _WRAP

    @staticmethod
    def ticks_diff(end: int, start: int) -> int:
        """Signed ticks from one to another."""
        return (end - start + _WRAP // 2) % _WRAP - _WRAP // 2


class Poll:
    """What `select.poll()` gives; it knows one stream."""

    idle = 0.0  # s in which nothing is to come

    def register(self, stream: object, _events: int) -> None:
        """Take note of the stream."""
        self._stream = stream

    def poll(self, ms: int) -> list[tuple[object, int]]:
        """Wait for a byte on the serial port; meanwhile do what the test asks."""
        circuit.at_rest()
        while Poll.idle <= 0:
            came = wires.wait(ms)
            if came == "serial":
                return [(self._stream, Select.POLLIN)]
            if came == "":
                break
            wires.reply(_asked(json.loads(came)))
        Poll.idle -= ms / 1000
        circuit.advance(ms / 1000)
        WDT.look()
        return []


class Select:
    """The module `select`."""

    POLLIN = 1
    poll = Poll


def _asked(wish: dict[str, object]) -> str:
    """Set what the test wants set, and show what it wants to see."""
    if "restart" in wish:
        wires.restart(json.dumps(wish["restart"]))
        wires.reply("{}")
        raise SystemExit
    _set(wish.get("set", {}))
    Poll.idle = wish.get("idle", 0.0)  # type: ignore[assignment]  # from JSON
    shown = json.dumps({name: getattr(circuit, name) for name in SHOWN})
    if "anew" in wish:
        circuit.faults, circuit.energised, circuit.ranges = [], {}, []
        circuit.changed()
    return shown


def _set(values: object) -> None:
    for name, value in values.items():  # type: ignore[attr-defined]  # from JSON
        getattr(circuit, name)  # a name that isn't there is a mistake of the test
        setattr(circuit, name, value)
    circuit.changed()


_set(json.loads(wires.begun()))
# Names of modules to what stands in for them; the firmware imports these.
sys.modules.update({"machine": Machine, "time": Time, "select": Select})  # type: ignore[dict-item]
