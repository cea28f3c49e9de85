"""Whether water may go on coming through a valve: every doubt shuts it. Pure."""

from collections.abc import Collection
from dataclasses import dataclass

from longsoak.core.water.guide import Told
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.rig import Output

# What may not stand while a valve is open, at whatever priority.
FORBIDS = (
    Watch.OVERFILL,
    Watch.NEAR,
    Watch.CONTACT,
    Watch.LEVEL_UNKNOWN,
    Watch.LEVEL_DOUBT,
    Watch.DISAGREE,
)
STALEST = 3.0  # s: the oldest level a valve is kept open by, however seldom it is read


@dataclass(frozen=True, slots=True)
class Filling:
    """A fill under way. Times in s on a clock that is never set; `poured` in L when it began.

    `renewed` is when it was last asked for.
    """

    valve: Output
    litres: float
    name: str
    by: str
    begun: float
    renewed: float
    poured: float


def may_begin(told: Told, standing: Collection[Watch], *, litres: float) -> str | None:
    """Why a fill may not begin; None if it may.

    Parameters
    ----------
    told : Told
        What the guide of the measuring process says now.
    standing : collection of Watch
        What alarms that stand watch.
    litres : float
        What is asked for, L.
    """
    if why := _forbidden(told, standing):
        return why
    if told.litres_to_go is None or litres > told.litres_to_go:
        room = 0.0 if told.litres_to_go is None else told.litres_to_go
        return f"{litres:g} L is more than the {room:.1f} L that fit"
    return None


def must_end(
    fill: Filling, told: Told, standing: Collection[Watch], *, now: float, holds: float
) -> str | None:
    """Why a fill has to end now; None if it may go on. `holds` is how long an asking holds, s."""
    if now - fill.renewed > holds:
        return "whoever asked for it is not heard any more"
    if now - fill.begun >= fill.valve.longest:
        return f"it has been open for its longest time, {fill.valve.longest:g} s"
    if why := _forbidden(told, standing):
        return why
    if told.poured is None or told.poured - fill.poured >= fill.litres:
        return f"the {fill.litres:g} L asked for are in, or on their way"
    return None


def _forbidden(told: Told, standing: Collection[Watch]) -> str | None:
    if not told.may_pour:
        return f"the guide says: {told.word}"
    if told.age is None or abs(told.age) > STALEST:
        return "the level is too old to fill by"
    alarms = [watch.value for watch in FORBIDS if watch in standing]
    return f"an alarm stands: {', '.join(alarms)}" if alarms else None
