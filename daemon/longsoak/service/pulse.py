"""Whether measuring lives, as the service manager is to believe it."""

import logging
from collections.abc import Callable, Sequence
from enum import Enum
from math import inf
from typing import Protocol

from longsoak.core.wording import age_words, with_noun
from longsoak.service.clock import Clock
from longsoak.service.manager import ServiceManager

_log = logging.getLogger(__name__)

# No single answer that a rig file can wait for takes so long, tries counted.
HUNG = 900.0  # s


class Part(Enum):
    """What the recorder does in turns, in words."""

    COMMIT = "the record was neither written nor told why not"
    CALENDAR = "nothing that falls due was looked at"
    CHORES = "no chore of the record was looked at"


class Worker(Protocol):
    """What reads a bus."""

    @property
    def looked_at(self) -> float:
        """When it last came round, monotonic, s."""
        ...


class Pulse:
    """Feels the recorder's loop, by being called from it, and looks at the buses' workers.

    The service manager is told that all is alive from the recorder's own thread: one that hangs, be
    it over a disk that does not answer, tells nothing any more. A disk that is full refuses at once
    and the loop goes round, so that what is kept in memory is not killed with it. One bus that
    hangs is an alarm; only if all of them do is there nothing left to measure, and a start anew
    may mend it. A loop that turns shows nothing of what it leaves out, so each of its parts tells
    of its own rounds, and one that alone stands still is no life either.

    Parameters
    ----------
    manager : ServiceManager
        Told.
    workers : callable
        Gives the workers of the buses.
    status : callable
        How it is, as a sentence.
    clock : Clock
        The clocks.
    """

    def __init__(
        self,
        manager: ServiceManager,
        *,
        workers: Callable[[], Sequence[Worker]],
        status: Callable[[], str],
        clock: Clock,
    ) -> None:
        self._manager = manager
        self._workers = workers
        self._status = status
        self._clock = clock
        self._next = -inf
        self._hung = False
        self._rounds = dict.fromkeys(Part, clock.monotonic())
        self.turned_at = clock.monotonic()
        """When the recorder's loop turned last, monotonic, s."""

    def came_round(self, part: Part) -> None:
        """Say that a part of the recorder has done what it does once more."""
        self._rounds[part] = self._clock.monotonic()

    def turned(self) -> None:
        """Say that the recorder's loop has come round once more."""
        self.turned_at = now = self._clock.monotonic()
        if self._manager.every is None or now < self._next:
            return
        self._next = now + self._manager.every
        says = self._stands_still(now)
        if says is None:
            self._hung = False
            self._manager.tell("WATCHDOG=1")
            self._manager.tell_status(self._status())
        elif not self._hung:
            self._hung = True
            _log.error("%s: the service manager is not told any more that this lives", says)
            self._manager.tell_status(says)

    def _stands_still(self, now: float) -> str | None:
        """What has not come round for too long, as a sentence; None if all has."""
        workers = self._workers()
        idle = min((now - worker.looked_at for worker in workers), default=0.0)
        if idle > HUNG:
            return f"{with_noun(len(workers), 'bus', 'buses')} hang, for {age_words(idle)} at least"
        part = min(self._rounds, key=self._rounds.__getitem__)
        rests = now - self._rounds[part]
        return f"{part.value} for {age_words(rests)}" if rests > HUNG else None
