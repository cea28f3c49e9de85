"""What the rig's probes say of the world: resolution, noise, ripples, warmth, and their faults."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import exp, log
from random import Random

from faults.waterworld.happenings import Kind
from faults.waterworld.shape import Shape
from faults.waterworld.specimen import SITES
from faults.waterworld.world import World

LEVEL, FLOAT = "water level", "high float"
FLOW, CURRENT, WATER = "drip rail", "pump", "water temperature"
SURFACE = "T dry surface"
AIR = ("room", "wet face", "dry face")
TRAY_BUS, AIR_BUS, WOOD_BUS = "tray", "air", "wood"

OFFSET = 200.0  # mV of an empty tray
NOISE, RIPPLE = 0.12, 0.3  # mm, standard, of the level probe and of water that drips in
NEARER = 0.2  # of the way to saturation that the air off a wetted face has come
FLOAT_RIPPLE = 0.15  # mm: a float is heavier
SETTLES = 25.0  # s in which sloshing dies down
FLOAT_LETS_GO = 1.0  # mm below where it lifts
RUNS_FLOW, RUNS_CURRENT, LIGHT_CURRENT = 0.8, 0.6, 0.22  # L/min, A, A of a pump that sucks air
# MC in % and Ohm; between them log(Ohm) is straight in MC. Invented, as steep as wood's.
CURVE = ((6.0, 5e10), (10.0, 1e9), (14.0, 6e7), (18.0, 9e6), (22.0, 2.2e6), (30.0, 4e5))

# A sample as it is: probe, raw value, unit; no value from a probe that is silent.
Raw = tuple[str, float | None, str]


@dataclass(frozen=True, slots=True)
class Fault:
    """A sensor that fails for a while; `size` is in the unit of what goes wrong."""

    kind: Kind
    probe: str
    begins: float
    ends: float
    size: float = 0.0


class Sensors:
    """All probes of a rig.

    Attributes
    ----------
    faults : list of Fault
        What fails, and when.
    slosh : tuple
        mm the water sloshed by, and when.
    """

    def __init__(self, world: World, chance: Random) -> None:
        self._world = world
        self._chance = chance
        self.faults: list[Fault] = []
        self.slosh = (0.0, 0.0)
        self._lifted = False
        self._held: dict[str, float] = {}

    def tray(self) -> Iterator[Raw]:
        """What hangs on the tray's converter."""
        world, gauss = self._world, self._chance.gauss
        running = world.running
        up = self._float(world.depth + (gauss(0, FLOAT_RIPPLE) if running else 0.0))
        lift = 1 - 0.001 * (world.shape.stop - world.depth)
        flow = RUNS_FLOW * lift * gauss(1, 0.02) if running else 0.0
        if (fault := self._failing(Kind.FLOW_CLOGGED)) is not None:
            flow *= exp(-(world.time - fault.begins) / fault.size)
        turning = world.mains and world.pump_on
        amps = (RUNS_CURRENT * lift if running else LIGHT_CURRENT) * gauss(1, 0.01)
        yield LEVEL, self._level(world.depth, running=running), "mV"
        yield FLOAT, up, "1"
        yield FLOW, round(100 * flow), "Hz"
        yield CURRENT, round(amps, 3) if turning else 0.0, "A"

    def air(self) -> Iterator[Raw]:
        """Humidity and temperature around the rig, and of the water."""
        world, gauss = self._world, self._chance.gauss
        room, running = world.room, world.running
        around = {
            "room": (room.air.temperature, 100 * room.air.humidity),
            "wet face": (
                room.air.temperature - 0.5 * running,
                100 * (room.air.humidity + NEARER * (1 - room.air.humidity) * running),
            ),
            "dry face": (room.air.temperature + 0.3, 100 * room.air.humidity - 1.0),
        }
        for place, (warm, damp) in around.items():
            name = f"RH {place}"
            if (fault := self._failing(Kind.HUMIDITY_DRIFTS, name)) is not None:
                damp += fault.size * (world.time - fault.begins) / (30 * 86_400)
            yield self._said(name, round(min(100.0, damp + gauss(0, 0.3)), 1), "%")
            yield self._said(f"T {place}", round((warm + gauss(0, 0.04)) * 16) / 16, "Cel")
        skin = room.air.temperature + gauss(0, 0.04)
        yield self._said(SURFACE, round(skin * 16) / 16, "Cel")
        yield self._said(WATER, round((room.water + gauss(0, 0.04)) * 16) / 16, "Cel")

    def wood(self) -> Iterator[Raw]:
        """Pairs of pins."""
        humidity = self._world.room.air.humidity
        for site in SITES:
            moisture = self._world.specimen.moisture(site, humidity) + self._chance.gauss(0, 0.03)
            ohm = _ohm(moisture)
            if self._failing(Kind.PINS_OPEN, site.name) is not None:
                ohm = 9.9e37  # what an instrument says of an open wire (SCPI, from memory)
            yield self._said(site.name, float(f"{ohm:.4E}"), "Ohm")

    def _level(self, depth: float, *, running: bool) -> float | None:
        world, shape, gauss = self._world, self._world.shape, self._chance.gauss
        if self._failing(Kind.SILENT, LEVEL) is not None:
            return None
        warms = shape.per_kelvin
        if (fault := self._failing(Kind.LEVEL_WARMS)) is not None:
            warms += fault.size
        sloshed, at = self.slosh
        shown = depth + warms * (world.room.water - 20.0) + gauss(0, NOISE)
        shown += gauss(0, RIPPLE if running else 0.0)
        shown += gauss(0, sloshed * exp(-(world.time - at) / SETTLES))
        if self._failing(Kind.LEVEL_STUCK) is not None:
            shown = self._held.setdefault(LEVEL, shown)
        else:
            self._held.pop(LEVEL, None)
        fault = self._failing(Kind.LEVEL_SPIKES)
        if fault is not None and self._chance.random() < 0.02:
            shown += self._chance.choice((-1, 1)) * self._chance.uniform(0.3, 1.0) * fault.size
        return OFFSET + round(shown / shape.step) * shape.step * shape.per_mm

    def _float(self, depth: float) -> float:
        trips_at = self._world.shape.trips_at
        if depth >= trips_at:
            self._lifted = True
        elif depth < trips_at - FLOAT_LETS_GO:
            self._lifted = False
        if self._failing(Kind.FLOAT_DOWN) is not None:
            return 0.0
        if self._failing(Kind.FLOAT_UP) is not None:
            return 1.0
        return float(self._lifted)

    def _said(self, name: str, value: float, unit: str) -> Raw:
        return name, None if self._failing(Kind.SILENT, name) else value, unit

    def _failing(self, kind: Kind, probe: str | None = None) -> Fault | None:
        now = self._world.time
        for fault in self.faults:
            there = fault.begins <= now < fault.ends
            if there and fault.kind is kind and probe in (None, fault.probe):
                return fault
        return None


def level_line(shape: Shape) -> tuple[float, float]:
    """Zero and mm per mV of the level probe, as somebody who fitted it would write them down."""
    return -OFFSET / shape.per_mm, 1 / shape.per_mm


def _ohm(moisture: float) -> float:
    """Resistance of pins at a moisture content, along `CURVE`."""
    for (m1, r1), (m2, r2) in pairwise(CURVE):
        if moisture <= m2 or m2 == CURVE[-1][0]:
            share = (moisture - m1) / (m2 - m1)
            return exp(log(r1) + share * (log(r2) - log(r1)))
    raise AssertionError("the last piece reaches on for ever")
