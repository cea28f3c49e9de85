"""The life of one alarm, as a pure step from one state to the next.

States follow ISA-18.2 / IEC 62682 (second hand). The clock and the store are the caller's:
replaying a stored series gives the same changes as living through it did.

What an alarm is in and what lies over it are two things: one that is shelved, suppressed or out of
service is stepped on as ever, and only nobody is told. What people were last told is remembered, so
that whatever ends the silence, nothing is told twice and nothing is left out.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum

from longsoak.vocabulary.alarm import AlarmLeft, AlarmState, Hiding, Priority

# How long an alarm may be shelved at most, s. Own choice: what is urgent may not be forgotten over
# a night and a day, and anything else not over a week. Out of service has no end, and says so.
LONGEST_SHELVED: Mapping[Priority, float] = {
    Priority.HIGH: 12 * 3600.0,
    Priority.MEDIUM: 7 * 86_400.0,
    Priority.LOW: 7 * 86_400.0,
}
SHORTEST_SHELVED = 60.0  # s
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

    `hiding` lies over the state, until `ends` if that is a shelving. `told` is whether people
    believe that the alarm stands, and `told_at` when they were last told so.
    """

    state: AlarmState = AlarmState.NORMAL
    there_since: float | None = None
    away_since: float | None = None
    hiding: Hiding | None = None
    ends: float | None = None
    told: bool = False
    told_at: float = 0.0


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


def life_from(left: AlarmLeft, *, now: float) -> Life:
    """Take an alarm up as the run before left it; delays begin anew."""
    told_at = now if left.told_at is None else left.told_at
    return Life(left.state, None, None, left.hiding, left.ends, left.told, told_at)


def at_rest(life: Life) -> bool:
    """Whether another look that shows the cause away would change nothing at all."""
    return life.state is _NORMAL and life.away_since is not None


def step(
    life: Life, seen: Seen | None, *, now: float, delays: Delays, latching: bool = False
) -> Life:
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
    latching : bool
        Whether it waits to be reset once its cause has gone.

    Returns
    -------
    Life
        The alarm changed if its `state` did. One that comes and goes while it is hidden leaves
        nothing to acknowledge, unless it is latching.
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
        unnoticed = life.hiding is not None and not life.told and not latching
        state = AlarmState.NORMAL if unnoticed else AlarmState.GONE
    elif cleared and state is AlarmState.ACKNOWLEDGED:
        state = AlarmState.HELD if latching else AlarmState.NORMAL
    return Life(state, there_since, away_since, life.hiding, life.ends, life.told, life.told_at)


def acknowledge(life: Life, *, latching: bool = False) -> Life:
    """Advance one alarm by a person's acknowledgement; nothing happens if there is none to give.

    One that is hidden is not asked for an answer, and takes none.
    """
    if life.hiding is not None:
        return life
    answered = {
        AlarmState.NEW: AlarmState.ACKNOWLEDGED,
        AlarmState.GONE: AlarmState.HELD if latching else AlarmState.NORMAL,
    }
    return replace(life, state=answered.get(life.state, life.state))


def reset(life: Life) -> Life:
    """Let go of an alarm that is held; nothing happens to any other."""
    return replace(life, state=AlarmState.NORMAL) if life.state is AlarmState.HELD else life


def hide(life: Life, hiding: Hiding, *, ends: float | None = None) -> Life:
    """Lay something over an alarm; what a person laid there is not replaced by a suppression.

    Parameters
    ----------
    life : Life
        In whatever state.
    hiding : Hiding
        What.
    ends : float, optional
        When a shelving ends, s, CLOCK_BOOTTIME. Nothing else has an end.

    Raises
    ------
    ValueError
        A shelving has no end, or something else has one.
    """
    if (ends is None) is (hiding is Hiding.SHELVED):
        raise ValueError(f"{hiding} with an end of {ends}: a shelving has one, and nothing else")
    if hiding is Hiding.SUPPRESSED and life.hiding is not None:
        return life
    return replace(life, hiding=hiding, ends=ends)


def show(life: Life, *, latching: bool = False) -> Life:
    """Take away whatever lies over an alarm.

    One that stands behind what a person laid there is new again, as whoever shelved it has to know
    that the time is over; one that went meanwhile has been seen by that person and leaves nothing
    behind, unless it is latching. Behind a suppression nobody has seen anything: it stays as it is.
    """
    state = life.state
    if life.hiding in (Hiding.SHELVED, Hiding.OUT_OF_SERVICE):
        if state.standing:
            state = AlarmState.NEW
        elif state is AlarmState.GONE and not latching:
            state = AlarmState.NORMAL
    return replace(life, state=state, hiding=None, ends=None)


def has_ended(life: Life, *, now: float) -> bool:
    """Whether a shelving is over."""
    return life.ends is not None and now >= life.ends


def is_news(before: Life, after: Life) -> bool:
    """Whether people are to be told of what became of an alarm.

    They are of one that comes, of one that is over, of one that stands when a shelving ends, and
    of one that came and went behind something and has to be answered all the same; never of one
    that is hidden, and not of what they know.
    """
    if after.hiding is not None:
        return False
    if after.state.standing is not after.told:
        return True
    by_hand = before.hiding in (Hiding.SHELVED, Hiding.OUT_OF_SERVICE)
    unanswered = before.hiding is not None and after.state is AlarmState.GONE
    return (by_hand and after.state.standing) or unanswered


def tell(life: Life, *, now: float) -> Life:
    """Note that people are told how the alarm stands."""
    return replace(life, told=life.state.standing, told_at=now)


def is_due_again(life: Life, *, now: float, every: float) -> bool:
    """Whether people are to be told once more that it stands and nobody has answered.

    Parameters
    ----------
    life : Life
        In whatever state.
    now : float
        Seconds, CLOCK_BOOTTIME.
    every : float
        After how long, s; 0 is never.
    """
    unanswered = life.state is AlarmState.NEW and life.hiding is None and life.told
    return unanswered and every > 0.0 and now - life.told_at >= every
