"""Whether measuring lives, as the service manager is to believe it."""

import logging
from collections.abc import Callable, Sequence
from math import inf
from typing import Protocol

from longsoak.core.wording import age_words, with_noun
from longsoak.service.clock import Clock
from longsoak.service.manager import ServiceManager

_log = logging.getLogger(__name__)

# No single answer that a rig file can wait for takes so long, tries counted.
HUNG = 900.0  # s


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
    may mend it.

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
        self.turned_at = clock.monotonic()
        """When the recorder's loop turned last, monotonic, s."""

    def turned(self) -> None:
        """Say that the recorder's loop has come round once more."""
        self.turned_at = now = self._clock.monotonic()
        if self._manager.every is None or now < self._next:
            return
        self._next = now + self._manager.every
        workers = self._workers()
        idle = min((now - worker.looked_at for worker in workers), default=0.0)
        if idle <= HUNG:
            self._hung = False
            self._manager.tell("WATCHDOG=1")
            self._manager.tell_status(self._status())
        elif not self._hung:
            self._hung = True
            says = f"{with_noun(len(workers), 'bus', 'buses')} hang, for {age_words(idle)} at least"
            _log.error("%s: the service manager is not told any more that this lives", says)
            self._manager.tell_status(says)
