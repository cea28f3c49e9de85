"""What is found out about the water: hours of it, and what happened to it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple


class Found(StrEnum):
    """What happened to the water; the values are the words people see."""

    TOP_UP = "top-up"
    DRAWN_OFF = "drawn off"
    LEAK = "leak"
    SIPHON = "siphon"
    PUMP_STILL = "pump may stand still"
    RISES = "rises by itself"
    STUCK = "level stuck"
    JUMPS = "level jumps"
    CONTACT = "contact"
    SALTS = "salts"
    WETTING = "wetting"


class Wetting(StrEnum):
    """Whether water runs down a bay's face; the values are the words people see."""

    RUNNING = "running"
    STOPPED = "stopped"
    UNKNOWN = "unknown"


class WaterHour(NamedTuple):
    """An hour of the water, or a piece of one; NaN is not measured.

    `at` is its middle, s. `litres` are what would be in the reservoir with the pump as it was at
    the beginning: what runs back when the pump stops is taken off. Only hours of one `stretch` may
    be compared: between two of them something else happened than going slowly down. `hours` is how
    much of an hour was measured. `litres_u` is the standard uncertainty of the litres from one
    hour to the next; what the zero of the level adds is alike for all. `pan` is the level in the
    evaporation pan (mm), `mass` what a scale reads (kg), `lack` what vapour the room's air lacks of
    saturation (Pa), `running` the share of it with water running down the face.
    """

    at: float
    stretch: int
    hours: float
    level: float
    litres: float
    litres_u: float
    surface: float
    pan: float
    mass: float
    lack: float
    running: float


@dataclass(frozen=True, slots=True)
class WaterNews:
    """Something that was found; times in s on the clock the book was told.

    `begin` is when it began, as far as can be told, `end` when it was over: the same where it was
    at once, None while it lasts. The same `found` and `begin` told again supersedes what was told
    before. `subject` is a bay where it is about one. `figures` are what `says`, one plain sentence,
    was made from.
    """

    found: Found
    begin: float
    end: float | None
    says: str
    subject: str = ""
    figures: Mapping[str, float] = field(default_factory=dict)


class Recovery(StrEnum):
    """How a probe stands after water touched the specimen; the values are the words people see."""

    WAITING = "not yet back on its trend"
    RECOVERED = "back on its trend"
    STAYS_OFF = "stays off its trend"


@dataclass(frozen=True, slots=True)
class ContactWindow:
    """A time in which water touched the specimen, or splashed it; UTC ms, `until_ms` None so far.

    `highest` is the highest level seen, mm, None where only a float saw it.
    """

    number: int
    from_ms: int
    until_ms: int | None
    highest: float | None
    says: str


@dataclass(frozen=True, slots=True)
class Aside:
    """Readings of one probe that a contact set aside: from `from_ms` on, before `until_ms`.

    `window` is the number of the contact window, of the last one where they follow on each other.
    """

    probe: str
    window: int
    from_ms: int
    until_ms: int | None
    recovery: Recovery
    says: str

    def covers(self, utc_ms: int) -> bool:
        """Whether a time is in it."""
        return self.from_ms <= utc_ms and (self.until_ms is None or utc_ms < self.until_ms)
