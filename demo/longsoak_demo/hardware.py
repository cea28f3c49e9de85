"""All the faked hardware of the rig, on one event loop, and the clock that drives it."""

import asyncio
from collections.abc import Callable, Sequence
from pathlib import Path
from time import monotonic
from typing import Self

from longsoak_demo.airbus import AirBus
from longsoak_demo.bench import Bench
from longsoak_demo.events import Event
from longsoak_demo.frontend import FrontEnd
from longsoak_demo.meter import Meter
from longsoak_demo.physics import LONGEST_STEP, RenderPair
from longsoak_demo.places import AIR_BUS, FRONT_END, METER, OVER_WATER, PORTS
from longsoak_demo.ptyport import PtyPort
from longsoak_demo.sdisensor import SdiSensor
from longsoak_demo.sysfs import AirChip, Converter, Thermometers

_TICK = 0.1  # s of wall time
_SHARE = 0.5  # of a tick the model may use up; the instruments need the rest to answer in time
_THERMOMETERS_EVERY = 1.0  # s; a 12-bit conversion takes 0.75 s. The air chip goes with them
_CONVERTER_EVERY = 0.25  # s


class Hardware:
    """Instruments under `folder`: ``ports/``, ``w1/``, ``iio/`` and ``hwmon/``.

    Of the buses the daemon has drivers for, GPIO lines alone are missing: below the library that
    reads them there is the kernel only, and no file or terminal to stand in for a line.

    An asynchronous context manager: the hardware is there inside it and gone after it.

    Parameters
    ----------
    bench : Bench
        What the instruments see.
    folder : Path
        Where their ports and files appear.
    """

    def __init__(self, bench: Bench, folder: Path) -> None:
        ports = folder / "ports"
        ports.mkdir(parents=True, exist_ok=True)
        self.bench = bench
        self._meter = Meter(bench, ports / PORTS[METER])
        self._front_end = FrontEnd(bench, ports / PORTS[FRONT_END])
        self._air = AirBus(bench, ports / PORTS[AIR_BUS])
        self._thermometers = Thermometers(bench, folder / "w1")
        self._converter = Converter(bench, folder / "iio")
        self._chip = AirChip(bench, folder / "hwmon")
        self._over_water = SdiSensor(bench, ports / PORTS[OVER_WATER])
        self._ports: dict[str, PtyPort] = {
            METER: self._meter.port,
            FRONT_END: self._front_end.port,
            AIR_BUS: self._air.port,
            OVER_WATER: self._over_water.port,
        }

    async def __aenter__(self) -> Self:
        await self._air.start()
        for port in self._ports.values():
            port.plug()
        self.refresh()
        self.bench.on_cable = self._cable
        return self

    async def __aexit__(self, *_: object) -> None:
        self.bench.on_cable = None
        await self._air.stop()
        for port in self._ports.values():
            port.unplug()

    def refresh(self) -> None:
        """Write the sysfs trees anew."""
        self._thermometers.refresh()
        self._converter.refresh()
        self._chip.refresh()

    async def run(
        self,
        *,
        speed: float,
        events: Sequence[Event] = (),
        say: Callable[[str], None],
        each_second: Callable[[], None],
    ) -> None:
        """Let simulated time pass until cancelled.

        Parameters
        ----------
        speed : float
            Simulated seconds in a second.
        events : sequence of Event
            What happens, in order of time.
        say : callable
            Told what happened, a sentence at a time.
        each_second : callable
            Called about once a second.
        """
        start = last = monotonic()
        coming = list(events)
        dropped, told = 0.0, False
        thermometers_at = converter_at = second_at = start
        while True:
            await asyncio.sleep(_TICK)
            now = monotonic()
            elapsed, last = now - last, now
            dropped += advance(self.bench.pair, elapsed * speed, until=now + _SHARE * _TICK)
            wanted = speed * (now - start)
            if dropped > max(speed, 0.05 * wanted) and not told:  # a hiccup isn't worth a word
                told = True
                reached = speed * (1 - dropped / wanted)
                say(
                    f"This machine can't keep up with a speed of {speed:g}; simulated time runs "
                    f"about {reached:.0f} times as fast as the clock."
                )
            while coming and coming[0].at <= now - start:
                event = coming.pop(0)
                self.bench.apply(event)
                say(f"After {now - start:.0f} s: {event}.")
            if now >= thermometers_at:
                thermometers_at = now + _THERMOMETERS_EVERY
                self._thermometers.refresh()
                self._chip.refresh()
            if now >= converter_at:
                converter_at = now + _CONVERTER_EVERY
                self._converter.refresh()
            if now >= second_at:
                second_at = now + 1.0
                each_second()

    def _cable(self, bus: str) -> None:
        port = self._ports.get(bus)
        if port is None:
            self.refresh()
        elif bus in self.bench.unplugged:
            port.unplug()
        else:
            port.plug()


def advance(pair: RenderPair, seconds: float, *, until: float) -> float:
    """Advance `pair` by `seconds`, in steps of equal length, but stop once the clock says `until`.

    Returns
    -------
    float
        Simulated seconds left undone.
    """
    steps = int(seconds / LONGEST_STEP) + 1
    for done in range(steps):
        if monotonic() > until:
            return seconds * (steps - done) / steps
        pair.step(seconds / steps)
    return 0.0
