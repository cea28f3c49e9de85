"""Alarm states and their changes."""

from dataclasses import dataclass, field
from enum import StrEnum


class AlarmState(StrEnum):
    """Alarm states of IEC 62682 / ISA-18.2 (second hand), in the words the pages use."""

    NORMAL = "normal"
    NEW = "new, not acknowledged"
    ACKNOWLEDGED = "acknowledged, still standing"
    GONE = "gone, not acknowledged"
    HELD = "held until it is reset"

    @property
    def standing(self) -> bool:
        """Whether the cause is still there."""
        return self in (AlarmState.NEW, AlarmState.ACKNOWLEDGED)


class Hiding(StrEnum):
    """Why nobody is told of an alarm, whatever its state; it is watched and recorded all the same.

    These lie over the states, as in IEC 62682 / ISA-18.2 (second hand): somebody shelved it for a
    while, another alarm or a service window says all there is to say, or somebody took it out of
    service until it is put back.
    """

    SHELVED = "shelved"
    SUPPRESSED = "suppressed by another"
    OUT_OF_SERVICE = "out of service"


class Priority(StrEnum):
    """How soon somebody has to come; the values are the words of the rig file."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """One change of one alarm. `value` is what was seen, `by` who acknowledged, shelved or reset.

    `hiding` is what lies over the alarm from here on; `until_utc_ms` when a shelving ends by the
    clock of the moment, and `seconds` how long it lasts. `news` is whether people are to be told of
    this change: None in what a version recorded that did not say.
    """

    key: str
    utc_ms: int
    boottime_ms: int
    old: AlarmState
    new: AlarmState
    value: float | None
    says: str
    by: str | None
    hiding: Hiding | None = field(default=None, kw_only=True)
    until_utc_ms: int | None = field(default=None, kw_only=True)
    seconds: float | None = field(default=None, kw_only=True)
    news: bool | None = field(default=None, kw_only=True)

    @property
    def told(self) -> bool:
        """Whether people are to be told of it: it came, it is over, or it still stands."""
        if self.news is not None:
            return self.news
        return self.new is AlarmState.NEW or (self.old.standing and not self.new.standing)

    @property
    def came(self) -> bool:
        """Whether the alarm came with it, rather than that it stands still or is over."""
        return self.new.standing and not self.old.standing

    @property
    def over(self) -> bool:
        """Whether what people are told is that the cause has gone."""
        return not self.new.standing


@dataclass(frozen=True, slots=True)
class StoredChange(AlarmChange):
    """A committed change; `id` rises in the order of commits.

    `utc_ms` is when it was, as far as is known now. It is `unsure` while no clock of its boot could
    be believed.
    """

    id: int
    unsure: bool = False


@dataclass(frozen=True, slots=True)
class AlarmLeft:
    """How an alarm was left by the run before.

    `told` is whether people believe that it stands, `told_at` when they were last told so,
    CLOCK_BOOTTIME in s, None where that was in another boot; `ends` is when its shelving ends by
    the same clock.
    """

    state: AlarmState
    hiding: Hiding | None = None
    told: bool = False
    told_at: float | None = None
    ends: float | None = None
