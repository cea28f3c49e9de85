"""What every instrument sees: the model, seen through noise and through what has gone wrong."""

import random
from collections.abc import Callable

from longsoak_demo import places
from longsoak_demo.air import Air
from longsoak_demo.events import Event, Kind
from longsoak_demo.faults import OPEN_WIRE, Fault, metered, other, pins
from longsoak_demo.physics import RenderPair
from longsoak_demo.places import BY_NAME, PLACES, PUMP, Place
from longsoak_demo.tray import PER_MM, STOP
from longsoak_demo.wood import resistance

_OVERFILL_TO = STOP + 8.0  # mm: past the float, and close under the specimen
_CONTACT_TO = places.UNDERSIDE + 2.0  # mm
# Standard deviation of a reading: a share of the value for resistances, else in the kind's unit.
NOISE = {
    "pins": 0.01,
    "reference resistor": 0.001,
    "humidity": 0.2,
    "temperature": 0.04,
    "level": 0.12,
    "flow": 0.004,
    "pump current": 0.003,
    "polarisation": 3.0,
}
_OWN = 15.0  # mV, standard deviation over pairs of what two electrodes of one steel differ by


class Bench:
    """The rig as its wires see it, and the hand that breaks and mends it.

    Parameters
    ----------
    pair : RenderPair
        The model.
    seed : int
        Two benches of one seed read the same at the same simulated time.
    """

    def __init__(self, pair: RenderPair, *, seed: int) -> None:
        self.pair = pair
        self._seed = seed
        self._open: set[str] = set()
        self._silent: set[str] = set()  # probes and buses
        self._drift: dict[str, float] = {}
        self._faults: dict[str, list[Fault]] = {}
        self._held: dict[str, float] = {}  # what a stuck probe goes on saying
        self.unplugged: set[str] = set()  # buses
        self.on_cable: Callable[[str], None] | None = None  # told the bus that was (un)plugged

    def apply(self, event: Event) -> None:
        """Let one event happen."""
        tray, probe, target = self.pair.tray, event.probe, event.probe or event.bus
        match event.kind:
            case Kind.OVERFILL | Kind.CONTACT:
                to = _CONTACT_TO if event.kind is Kind.CONTACT else _OVERFILL_TO
                enough = max(to - tray.depth, 1.0) * PER_MM
                tray.pour(enough if event.amount is None else event.amount)
            case Kind.PUMP_STOP | Kind.PUMP_START:
                tray.pump_on = event.kind is Kind.PUMP_START
            case Kind.OPEN_WIRE if probe:
                self._open.add(probe)
            case Kind.STUCK if probe:
                self._held[probe] = self.reading(BY_NAME[probe])
            case Kind.GAIN if event.bus:
                for place in wired(event.bus):
                    self._fault(event, place.name)
            case Kind.SHORT | Kind.STEP | Kind.CREEP | Kind.NOISE | Kind.LEAKAGE if probe:
                self._fault(event, probe)
            case Kind.POLARISATION if probe:
                self._fault(event, probe)
            case Kind.DRIFT if probe:
                self._drift[probe] = event.amount or 0.0
            case Kind.SILENCE if target:
                self._silent.add(target)
            case Kind.UNPLUG | Kind.REPLUG if event.bus:
                self._cable(event.bus, out=event.kind is Kind.UNPLUG)
            case Kind.MEND:
                self._mend(event)

    def silent(self, place: Place) -> bool:
        """Whether `place` gives no answer at all."""
        return place.name in self._silent or self.bus_silent(place.bus)

    def bus_silent(self, bus: str) -> bool:
        """Whether nothing on `bus` answers."""
        return bus in self._silent

    def open_wire(self, place: Place) -> bool:
        """Whether the wire to `place` is broken."""
        return place.name in self._open

    def reading(self, place: Place) -> float:
        """What the instrument at `place` measures now.

        Ohm for pins and reference resistors (infinite for an open wire), % for humidity, degC for
        temperature, mm for the level, 1 or 0 for the float, L/min for the flow, A for the pump, mV
        for what a pair makes by itself.
        """
        if place.kind == "float":  # its contact closes when it lifts; a broken wire never does
            return float(self.pair.tray.float_lifted and not self.open_wire(place))
        if self.open_wire(place):
            # No pulses from the wheel, no current from the clamp: as if the pump stood still.
            return 0.0 if place.kind in PUMP else OPEN_WIRE
        if place.name in self._held:
            return self._held[place.name]
        # Seeded by probe and simulated time: a reading doesn't hang on how often others are asked.
        source = random.Random(f"{self._seed} {place.name} {self.pair.time:.3f}")  # noqa: S311 - noise, not a secret
        noise, drift = source.gauss(0.0, NOISE[place.kind]), self._drift.get(place.name, 0.0)
        faults, time = self._faults.get(place.name, ()), self.pair.time
        if place.kind in ("pins", "reference resistor"):
            off = max(1 + drift / 100, 1e-6)
            if not faults or place.bay is None or place.depth is None or place.height is None:
                return metered(self.truth(place), faults, noise=noise, time=time) * off
            moisture = self.pair.moisture(place.bay, depth=place.depth, height=place.height)
            warmth = self.pair.warmth(place.bay, depth=place.depth)
            jitter = source.gauss(0.0, 1.0)
            return pins(moisture, warmth, faults, noise=noise, jitter=jitter, time=time) * off
        if place.pair is not None:
            made = sum(fault.voltage(time) for fault in self._faults.get(place.pair, ()))
            return self.truth(place) + made + noise
        jitter = source.gauss(0.0, 1.0) if faults else 0.0
        value = other(self.truth(place), faults, noise=noise, jitter=jitter, time=time) + drift
        if place.kind in PUMP:  # a wheel counts and a clamp rectifies: neither goes below nothing
            return max(value, 0.0)
        return min(max(value, 0.0), 100.0) if place.kind == "humidity" else value

    def truth(self, place: Place) -> float:
        """What there is at `place`, in the unit its instrument measures in."""
        pair = self.pair
        match place.kind:
            case "level":
                return pair.tray.depth
            case "flow":
                return pair.tray.flow
            case "pump current":
                return pair.tray.current
            case "reference resistor":
                return places.REFERENCE_OHMS
            case "polarisation":
                return own_voltage(place.name)
        if place.bay and place.depth is not None and place.height is not None:
            if place.kind == "temperature":
                return pair.timber[place.bay]
            moisture = pair.moisture(place.bay, depth=place.depth, height=place.height)
            return resistance(moisture, pair.warmth(place.bay, depth=place.depth))
        air = self._air(place)
        return air.temperature if place.kind == "temperature" else air.humidity * 100

    def _air(self, place: Place) -> Air:
        if place.bus == places.OVER_WATER:
            return self.pair.over_water_air
        if place.bus == places.SHOP:
            return self.pair.shop_air
        return self.pair.wet_air if place.address["device"] == 1 else self.pair.dry_air

    def _fault(self, event: Event, name: str) -> None:
        fault = Fault(event.kind, self.pair.time, event.amount or 0.0)
        self._faults.setdefault(name, []).append(fault)

    def _cable(self, bus: str, *, out: bool) -> None:
        if out == (bus in self.unplugged):
            return
        self.unplugged ^= {bus}
        if self.on_cable:
            self.on_cable(bus)

    def _mend(self, event: Event) -> None:
        """Mend one probe, one bus with its probes, or the whole rig and the tray."""
        named = {place.name for place in PLACES if event.bus in (None, place.bus)}
        if event.probe:
            named = {event.probe}
        self._open -= named
        self._silent -= named
        for name in named:
            self._drift.pop(name, None)
            self._faults.pop(name, None)
            self._held.pop(name, None)
        if event.probe:
            return
        for bus in (event.bus,) if event.bus else places.BUSES:
            self._silent.discard(bus)
            self._cable(bus, out=False)
        if event.bus is None:
            self.pair.tray.pump_on = True
            self.pair.tray.bale_to(STOP - 5.0)


def own_voltage(name: str) -> float:
    """What two sound electrodes differ by, mV: the same of a pair at all times."""
    return random.Random(name).gauss(0.0, _OWN)  # noqa: S311 - noise, not a secret


def wired(bus: str) -> list[Place]:
    """The probes on `bus`, in the order they are wired."""
    return [place for place in BY_NAME.values() if place.bus == bus]
