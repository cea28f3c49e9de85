"""Alarm states and their changes."""

from dataclasses import dataclass
from enum import StrEnum


class AlarmState(StrEnum):
    """Alarm states of IEC 62682 / ISA-18.2 (second hand), in the words the pages use."""

    NORMAL = "normal"
    NEW = "new, not acknowledged"
    ACKNOWLEDGED = "acknowledged, still standing"
    GONE = "gone, not acknowledged"

    @property
    def standing(self) -> bool:
        """Whether the cause is still there."""
        return self in (AlarmState.NEW, AlarmState.ACKNOWLEDGED)


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """One change of one alarm. `value` is what was seen, `by` who acknowledged."""

    key: str
    utc_ms: int
    boottime_ms: int
    old: AlarmState
    new: AlarmState
    value: float | None
    says: str
    by: str | None


@dataclass(frozen=True, slots=True)
class StoredChange(AlarmChange):
    """A committed change; `id` rises in the order of commits.

    `utc_ms` is when it was, as far as is known now. It is `unsure` while no clock of its boot could
    be believed.
    """

    id: int
    unsure: bool = False
