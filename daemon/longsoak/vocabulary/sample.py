"""What a driver hands over, before anything is converted."""

from dataclasses import dataclass
from enum import StrEnum


class Absence(StrEnum):
    """Why a poll brought no value."""

    NO_ANSWER = "no answer"
    BAD_CHECKSUM = "bad checksum"
    UNREADABLE = "unreadable"
    REFUSED = "refused"  # the instrument answered with an error of its own
    BUS_DOWN = "bus down"  # set by the service while a bus can't be opened, never by a driver


@dataclass(frozen=True, slots=True)
class Sample:
    """One raw value as the instrument gave it; `unit` is a UCUM code. `value` is finite."""

    probe: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Missing:
    """A poll that brought no value. It is stored too, flagged 9."""

    probe: str
    why: Absence
    detail: str
