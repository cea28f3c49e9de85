"""A year's mishaps, drawn by a seed: one after the other, each to be told from the next."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from random import Random

from faults.waterworld.happenings import MINUTE, Kind
from faults.waterworld.sensors import FLOAT, FLOW, LEVEL
from faults.waterworld.shape import Shape
from faults.waterworld.specimen import SITES
from faults.waterworld.weather import DAY, HOUR

YEAR, WEEKS = 365.0, 26.0  # days of the whole campaign, and of the short one
CALM, CALM_SHORT = 14.0, 6.0  # days at first in which only the keeper comes


@dataclass(frozen=True, slots=True)
class Turn:
    """One mishap: when it begins and how long it lasts, s.

    `size` is mm above the specimen's underside (contact) or the share of what is free below it
    (overfill), L/d (leak), L/min (siphon), s for which the pump stands still (power cut), or what a
    sensor is off by. `creeps` is s in which a leak grows.
    """

    kind: Kind
    lasts: float
    at: float = 0.0
    size: float = 0.0
    subject: str = ""
    creeps: float = 0.0
    lasting: bool = False
    pours: bool = False


def planned(shape: Shape, *, seed: int, short: bool) -> list[Turn]:
    """What happens to a rig, and when."""
    chance = Random(f"plan {shape.name} {seed}")  # noqa: S311 - a world, not secrets
    turns = list(_some(shape, chance) if short else _year(shape, chance))
    calm, days = (CALM_SHORT, WEEKS) if short else (CALM, YEAR)
    chance.shuffle(turns)
    # A drift takes two months to show.
    turns.sort(key=lambda turn: turn.kind is not Kind.HUMIDITY_DRIFTS)
    each = (days - calm - 2) / len(turns)  # and some days after the last
    return [
        replace(turn, at=(int(calm + n * each) + 1) * DAY + chance.uniform(9, 16) * HOUR)
        for n, turn in enumerate(turns)
    ]


def _year(shape: Shape, chance: Random) -> Iterator[Turn]:
    for n in range(6):
        lasts = chance.uniform(1, 20) * HOUR
        yield Turn(Kind.OVERFILL, lasts, size=0.15 + 0.15 * n)
    for n, lasts in enumerate((20 * MINUTE, 2 * HOUR, 7 * HOUR)):
        size = chance.uniform(2.5, 5.0)
        yield Turn(Kind.CONTACT, chance.uniform(0.8, 1.2) * lasts, size=size, lasting=n == 2)
    yield Turn(Kind.LEAK, chance.uniform(2.5, 5) * DAY, size=chance.uniform(*shape.sudden))
    creeping = chance.uniform(*shape.creeping)
    yield Turn(Kind.LEAK, chance.uniform(9, 11) * DAY, size=creeping, creeps=4 * DAY)
    yield Turn(Kind.SIPHON, 9 * HOUR, size=chance.uniform(0.15, 0.4))
    for lasts in (20 * MINUTE, 3 * HOUR, 44 * HOUR):
        yield Turn(Kind.PUMP_STOP, chance.uniform(1.0, 1.15) * lasts)
    for n, lasts in enumerate((4 * MINUTE, 50 * MINUTE, 5 * HOUR, 7 * HOUR, 23 * HOUR)):
        stands = chance.uniform(2, 9) * HOUR if n == 2 else 0.0
        yield Turn(Kind.POWER_CUT, chance.uniform(0.9, 1.1) * lasts, size=stands, pours=n == 3)
    yield Turn(Kind.LEVEL_STUCK, chance.uniform(3, 5) * DAY, subject=LEVEL)
    yield Turn(Kind.LEVEL_SPIKES, chance.uniform(1, 3) * DAY, size=60.0, subject=LEVEL)
    yield Turn(Kind.LEVEL_WARMS, chance.uniform(5, 8) * DAY, size=0.15, subject=LEVEL)
    yield Turn(Kind.FLOAT_UP, chance.uniform(0.5, 2) * DAY, subject=FLOAT)
    yield Turn(Kind.HUMIDITY_DRIFTS, 75 * DAY, size=4.0, subject="RH wet face")
    yield Turn(Kind.PINS_OPEN, 2 * DAY, subject=chance.choice(SITES).name)
    yield Turn(Kind.SILENT, chance.uniform(4, 30) * HOUR, subject=chance.choice(_MAY_FALL_SILENT))
    yield Turn(Kind.FLOW_CLOGGED, 2 * DAY, size=3 * HOUR, subject=FLOW)
    yield Turn(Kind.FLOAT_DOWN, 3 * DAY, subject=FLOAT)


def _some(shape: Shape, chance: Random) -> Iterator[Turn]:
    """A few weeks' worth of the above."""
    yield Turn(Kind.OVERFILL, 5 * HOUR, size=0.5)
    yield Turn(Kind.CONTACT, 2 * HOUR, size=chance.uniform(2.5, 5.0))
    yield Turn(Kind.LEAK, 2.2 * DAY, size=chance.uniform(*shape.sudden))
    yield Turn(Kind.PUMP_STOP, 3 * HOUR)
    yield Turn(Kind.POWER_CUT, 6 * HOUR, size=2 * HOUR, pours=True)
    yield Turn(Kind.PINS_OPEN, 1 * DAY, subject=chance.choice(SITES).name)


_MAY_FALL_SILENT = ("T dry face", "RH dry face", LEVEL)
