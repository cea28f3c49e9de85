"""The life of one alarm, as a pure step from one state to the next.

States follow ISA-18.2 / IEC 62682 (second hand). The clock and the store are the caller's:
replaying a stored series gives the same changes as living through it did.
"""

from dataclasses import dataclass, replace
from enum import Enum

from longsoak.vocabulary.alarm import AlarmState

_NORMAL = AlarmState.NORMAL  # looked up once: this is asked at every look


class Seen(Enum):
    """What one look at an alarm's cause showed."""

    THERE = "there"
    BETWEEN = "between"  # inside the deadband: neither raises nor clears
    AWAY = "away"


@dataclass(frozen=True, slots=True)
class Delays:
    """How long the cause must be there, or away, without a break before the alarm follows, s."""

    on: float
    off: float


@dataclass(frozen=True, slots=True)
class Life:
    """What has to be remembered between two steps; times in s, CLOCK_BOOTTIME.

    After a reboot only `state` may be kept: the clock of the two times has started anew.
    """

    state: AlarmState = AlarmState.NORMAL
    there_since: float | None = None
    away_since: float | None = None


def high(value: float, *, setpoint: float, deadband: float) -> Seen:
    """Judge an alarm that stands at or above its setpoint and clears below setpoint - deadband."""
    if value >= setpoint:
        return Seen.THERE
    return Seen.AWAY if value < setpoint - deadband else Seen.BETWEEN


def low(value: float, *, setpoint: float, deadband: float) -> Seen:
    """Judge an alarm that stands at or below its setpoint and clears above setpoint + deadband."""
    return high(-value, setpoint=-setpoint, deadband=deadband)


def below(value: float, *, least: float) -> Seen:
    """Judge an alarm that stands below `least` and clears at it."""
    return state_of(value < least)


def apart(level: float, *, up: bool, trips_at: float) -> float:
    """How far a level contradicts a float that is up, or down, mm; negative while they agree.

    Parameters
    ----------
    level, trips_at : float
        The water's depth, and that at which the float goes up, mm above the reservoir's floor.
    """
    return trips_at - level if up else level - trips_at


def state_of(there: bool) -> Seen:
    """Judge an alarm on a plain state, which has no deadband."""
    return Seen.THERE if there else Seen.AWAY


def at_rest(life: Life) -> bool:
    """Whether another look that shows the cause away would change nothing at all."""
    return life.state is _NORMAL and life.away_since is not None


def step(life: Life, seen: Seen | None, *, now: float, delays: Delays) -> Life:
    """Advance one alarm by one look.

    Parameters
    ----------
    life : Life
        What the last step returned; `Life()` at the start.
    seen : Seen or None
        None when nothing could be seen: it neither raises nor clears, nor does it start a delay
        anew, or a sensor that answers every other time could hold an overfill back for ever.
        (A separate alarm watches for silence.)
    now : float
        Seconds, CLOCK_BOOTTIME: never goes back.
    delays : Delays
        As declared in the rig file.

    Returns
    -------
    Life
        The alarm changed if its `state` did.
    """
    if seen is None:
        return life
    if seen is Seen.AWAY and at_rest(life):
        return life  # what nearly every look comes to
    there_since = away_since = None
    if seen is Seen.THERE:
        there_since = now if life.there_since is None else life.there_since
    elif seen is Seen.AWAY:
        away_since = now if life.away_since is None else life.away_since

    state = life.state
    raised = there_since is not None and now - there_since >= delays.on
    cleared = away_since is not None and now - away_since >= delays.off
    if raised and not state.standing:
        state = AlarmState.NEW
    elif cleared and state is AlarmState.NEW:
        state = AlarmState.GONE
    elif cleared and state is AlarmState.ACKNOWLEDGED:
        state = AlarmState.NORMAL
    return Life(state, there_since, away_since)


def acknowledge(life: Life) -> Life:
    """Advance one alarm by a person's acknowledgement; nothing happens if there is none to give."""
    answered = {
        AlarmState.NEW: AlarmState.ACKNOWLEDGED,
        AlarmState.GONE: AlarmState.NORMAL,
    }
    return replace(life, state=answered.get(life.state, life.state))
