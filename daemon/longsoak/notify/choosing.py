"""Which changes of alarms a route tells of now, and which it holds back. Pure."""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from longsoak.core.alarmrates import Flood, Rates
from longsoak.notify.words import is_high, plan_of
from longsoak.vocabulary.alarm import Priority, StoredChange
from longsoak.vocabulary.notices import Person
from longsoak.vocabulary.rig import Rig

PACE = 120.0  # s between two messages of one route during a flood
_RANK = {Priority.HIGH: 2, Priority.MEDIUM: 1, Priority.LOW: 0}


def is_wanted(rig: Rig, change: StoredChange, person: Person | None) -> bool:
    """Whether somebody is told of a change at all; of an alarm that is no more, everybody is."""
    if not change.told:
        return False
    plan = plan_of(rig, change)
    if person is None or plan is None:
        return True
    if person.watches is not None and plan.watch not in person.watches:
        return False
    return _RANK[plan.priority] >= _RANK[person.least]


def may_wait(rig: Rig, change: StoredChange) -> bool:
    """Whether quiet hours hold a change back: all but what is of high priority, its end too."""
    plan = plan_of(rig, change)
    return plan is None or plan.priority is not Priority.HIGH


class Chosen(NamedTuple):
    """What goes now, and the number of the first change that is held back; 0 if none is."""

    now: Sequence[StoredChange]
    held: int


def choose(
    rig: Rig, changes: Iterable[StoredChange], *, after: int, held: int, quiet: bool
) -> Chosen:
    """Choose among changes that somebody is told of.

    Parameters
    ----------
    rig : Rig
        Says how urgent they are.
    changes : iterable of StoredChange
        From the first that is held back or after the last that was looked at.
    after : int
        The number of the last one that was looked at.
    held : int
        The number of the first one that is held back, 0 if none is.
    quiet : bool
        Whether it is quiet now.
    """
    waits = [c for c in changes if may_wait(rig, c) and c.id >= (held or after + 1)]
    urgent = [c for c in changes if not may_wait(rig, c) and c.id > after]
    if not quiet:
        return Chosen(sorted([*waits, *urgent], key=lambda change: change.id), 0)
    return Chosen(urgent, held or (waits[0].id if waits else 0))


class Pacing:
    """Lets a route wait while more alarms come than anybody can follow.

    During a flood (`longsoak.core.alarmrates.Flood`) at least `PACE` lies between two messages, so
    that what follows goes in one. What is of high priority waits behind nothing but another message
    of high priority: a flood of silent probes may not hide the water, and a flood of the water
    itself tells more in one message than in fifty. So it waits for one interval at most, and two
    messages may go within one.
    """

    def __init__(self) -> None:
        self._flood = Flood(Rates())
        self._counted = 0
        self._last: float | None = None
        self._last_high: float | None = None

    def seen(self, changes: Iterable[StoredChange], *, boottime: float) -> None:
        """Count the alarms that came, each once; `boottime` is CLOCK_BOOTTIME in s."""
        for change in changes:
            if change.id > self._counted:
                self._counted = change.id
                at = change.boottime_ms / 1000
                if change.came and at <= boottime:  # a later one was in another boot
                    self._flood.raised(at)

    def lets(self, rig: Rig, changes: Sequence[StoredChange], *, boottime: float) -> bool:
        """Whether a message about `changes` may go now, CLOCK_BOOTTIME in s."""
        if not self._flood.look(boottime):
            return True
        high = any(is_high(rig, change) for change in changes)
        last = self._last_high if high else self._last
        return last is None or boottime - last >= PACE

    def sent(self, *, high: bool, boottime: float) -> None:
        """Note that a message went."""
        self._last = boottime
        self._last_high = boottime if high else self._last_high

    @property
    def flood(self) -> bool:
        """Whether there was a flood at the last look."""
        return self._flood.on
