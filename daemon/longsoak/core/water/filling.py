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
ENOUGH = 0.2  # L: less than that is not let in once more. Own choice: what waves of a tray hide.
LONGEST_WAIT = 60.0  # s for the water to come to rest, half of the longest lag
STALEST = 3.0  # s: the oldest level a valve is kept open by, however seldom it is read


@dataclass(frozen=True, slots=True)
class Filling:
    """A fill under way. Times in s on a clock that is never set, litres in L.

    `poured` is what the level said then. `renewed` is when it was last asked for. `waits_since` is
    when the valve was shut until the water has come to rest; None while it is open.
    """

    valve: Output
    litres: float
    name: str
    by: str
    begun: float
    renewed: float
    poured: float
    waits_since: float | None = None


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
    if told.poured is None:
        return "the level is not known"
    if told.poured - fill.poured >= fill.litres - ENOUGH:
        return f"the {fill.litres:g} L asked for are in"
    if fill.waits_since is not None and now - fill.waits_since >= LONGEST_WAIT:
        return "the water does not come to rest"
    return None


def must_wait(fill: Filling, told: Told) -> bool:
    """Whether all of it may be on its way: what is to come is seen once the water is at rest."""
    most = told.on_the_safe_side
    return most is None or most - fill.poured >= fill.litres


def _forbidden(told: Told, standing: Collection[Watch]) -> str | None:
    if not told.may_pour:
        return f"the guide says: {told.word}"
    if told.age is None or abs(told.age) > STALEST:
        return "the level is too old to fill by"
    alarms = [watch.value for watch in FORBIDS if watch in standing]
    return f"an alarm stands: {', '.join(alarms)}" if alarms else None
