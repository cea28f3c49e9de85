"""What is wrong with a sensor, as far as its readings tell."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from longsoak.vocabulary.flags import Flag

WEEK = 7  # days


class Check(StrEnum):
    """A check of single readings; the values are the words people see."""

    RATE = "changes too fast"
    SPIKE = "spike"


class Fault(StrEnum):
    """What a probe, or what reads it, has; the values are the words people see.

    Leakage through wet leads, water along the pins and water in a crack all make a probe wetter
    than its neighbours, as does wet wood: `STEP` and `DRIFT` say which way, and no more.
    """

    OPEN = "open wire"
    SHORT = "short circuit, or soaked"
    STUCK = "stuck"
    NOISE = "noisy"
    STEP = "stepped away from its neighbours"
    DRIFT = "drifts away from its neighbours"
    FRONT_END = "front end drifts"
    SOAKS = "gets wetter alone"
    WICKING = "wetter than nearer the water"
    CONDENSATION = "may be condensation"
    CROSS_TALK = "jumps with another pair"
    POLARISED = "its polarities differ"
    OUTSIDE = "outside its expected band"
    SLUGGISH = "moves less than expected"


@dataclass(frozen=True, slots=True)
class Suspicion:
    """Readings on end of one probe that one check does not let pass; times in UTC ms."""

    probe: str
    check: Check
    flag: Flag
    first_ms: int
    last_ms: int
    readings: int


@dataclass(frozen=True, slots=True)
class Finding:
    """A fault that was found, or is over.

    `since_ms` is when it began, as far as can be told, and `found_ms` when that could be said.
    `against` are the probes it was judged by. `figures` are the statistics behind `says`, which is
    one plain sentence.
    """

    probe: str
    fault: Fault
    since_ms: int
    found_ms: int
    says: str
    over: bool = False
    against: tuple[str, ...] = ()
    figures: Mapping[str, float] = field(default_factory=dict)


class Goodness(NamedTuple):
    """How many readings of one probe were good: in the last closed day, its week, and in all.

    Those flagged by hand count by that, by their share of a day.
    `days` are from its first closed day to the last of all, whether or not anything was measured.
    """

    day: float
    week: float
    whole: float
    days: int
