"""What happens to a rig in a year, as it truly was."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

from faults.waterworld.shape import Shape
from faults.waterworld.world import World

MINUTE = 60.0
HOT, COLD, HUMID = (
    32.0,
    5.0,
    85.0,
)  # degC, degC and % RH beyond which the room is no place for a rig


class Kind(StrEnum):
    """What can happen."""

    TOP_UP = "top-up"
    BALED = "drawn off"
    OVERFILL = "overfill"
    CONTACT = "contact"
    LOW = "low"
    DRY = "too low for the pump"
    HOT = "room too hot"
    COLD = "room too cold"
    HUMID = "room too humid"
    LEAK = "leak"
    SIPHON = "siphon"
    PUMP_STOP = "pump stop"
    POWER_CUT = "power cut"
    LEVEL_STUCK = "level stuck"
    LEVEL_SPIKES = "level spikes"
    LEVEL_WARMS = "level drifts with temperature"
    FLOAT_DOWN = "float stuck down"
    FLOAT_UP = "float stuck up"
    HUMIDITY_DRIFTS = "humidity drifts"
    PINS_OPEN = "pins open"
    SILENT = "silent probe"
    FLOW_CLOGGED = "flow meter clogged"


SENSOR_FAULTS = (
    Kind.LEVEL_STUCK,
    Kind.LEVEL_SPIKES,
    Kind.FLOAT_DOWN,
    Kind.FLOAT_UP,
    Kind.HUMIDITY_DRIFTS,
    Kind.PINS_OPEN,
    Kind.SILENT,
    Kind.FLOW_CLOGGED,
)


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happened; times in s since the start.

    `nearly_from` is when one could first have taken it to happen (a level that comes close), and
    `known_from` when one could first have known of it: the end of a power cut it lies in.
    `demanded` is whether it has to be found. `litres` is how much water moved.
    """

    kind: Kind
    begins: float
    ends: float
    nearly_from: float
    known_from: float
    demanded: bool = True
    subject: str = ""
    litres: float | None = None

    def unseen(self, since: float, until: float) -> "Happening":
        """The same, which nobody saw: it may have been at any time between."""
        return replace(self, nearly_from=since, known_from=until)


@dataclass(slots=True)
class _Standing:
    """A state of the rig that is nearly there, or there."""

    nearly_from: float
    begins: float | None = None
    length: float = 0.0  # s it was there, with power to see it


class Spells:
    """Notes when the water stood too high or too low, and when the pump stood still.

    Parameters
    ----------
    world : World
        Looked at after each step.
    told : callable
        Takes what is over.
    """

    def __init__(self, world: World, told: Callable[[Happening], None]) -> None:
        self._world = world
        self._told = told
        self._states = _states(world.shape)
        self._standing: dict[Kind, _Standing] = {}

    def look(self, seconds: float) -> None:
        """Look at the world after a step of some seconds."""
        world, now = self._world, self._world.time
        for kind, near, there, least in self._states:
            margin = there(world)
            before = self._standing.get(kind)
            if margin < -near:
                if before is not None:
                    self._over(kind, before, least)
                continue
            if before is None:
                before = self._standing[kind] = _Standing(now)
            if margin >= 0:
                before.begins = now if before.begins is None else before.begins
                before.length += seconds if world.mains else 0.0

    def close(self) -> None:
        """End what still stands."""
        for kind, _, _, least in self._states:
            if (before := self._standing.get(kind)) is not None:
                self._over(kind, before, least)

    def _over(self, kind: Kind, state: _Standing, least: float) -> None:
        del self._standing[kind]
        begins = state.nearly_from if state.begins is None else state.begins
        self._told(
            Happening(
                kind,
                begins,
                self._world.time,
                state.nearly_from,
                begins,
                demanded=state.length >= least,
            )
        )


_State = tuple[Kind, float, Callable[[World], float], float]


def _states(shape: Shape) -> tuple[_State, ...]:
    """Kind, where it is nearly so, how far it is so, and the s from which it must be found.

    What a probe reads may be a millimetre off, so what is demanded lies that far beyond; while
    water is poured it sloshes. Air is a degree, or some % RH, one way or the other.
    """
    off, slosh = 1.0, 2.0
    water = 2 * off + slosh
    return (
        (Kind.OVERFILL, water, lambda world: world.depth - shape.stop - off, 10 * MINUTE),
        (Kind.CONTACT, water, lambda world: world.depth - shape.underside - off, 5 * MINUTE),
        (Kind.DRY, water, lambda world: shape.pump_needs - off - world.depth, 10 * MINUTE),
        (Kind.LOW, water, lambda world: shape.low - off - world.depth, 20 * MINUTE),
        (Kind.PUMP_STOP, 0.0, _stands_still, 5 * MINUTE),
        (Kind.HOT, 2.0, lambda world: world.room.air.temperature - HOT - 1.0, 120 * MINUTE),
        (Kind.COLD, 2.0, lambda world: COLD - 1.0 - world.room.air.temperature, 120 * MINUTE),
        (
            Kind.HUMID,
            6.0,
            lambda world: 100 * world.room.air.humidity - HUMID - 3.0,
            120 * MINUTE,
        ),
    )


def _stands_still(world: World) -> float:
    """Above 0 where there is power, and yet no water runs."""
    return 1.0 if world.mains and not world.running else -1.0
