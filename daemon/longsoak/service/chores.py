"""What the recorder does besides recording, a bite at a time, while nothing waits."""

import logging
from collections.abc import Sequence
from typing import Protocol

from longsoak.store.aside import damaged
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import Event

_log = logging.getLogger(__name__)

AFTER_A_FAILURE = 60.0  # s until a chore that failed is tried again


class Chore(Protocol):
    """Something that is done with the record's writer, in the recorder's thread.

    Scans wait meanwhile, so one call of `do` is one bite of a few milliseconds.
    """

    name: str

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        """Do one bite.

        Parameters
        ----------
        now : float
            The monotonic clock, s.
        utc_ms : int
            The wall clock, ms since 1970 UTC.

        Returns
        -------
        tuple
            Seconds until there may be more to do, 0 if there is, and what is to be told.

        Raises
        ------
        StoreError
            It could not be done; it is tried again later.
        """
        ...


class Chores:
    """Whose turn it is; each bite goes to the next chore that is due."""

    def __init__(self, chores: Sequence[Chore]) -> None:
        self._due = [(0.0, chore) for chore in chores]
        self._failing: dict[str, str] = {}

    def bite(self, *, now: float, utc_ms: int) -> list[Event]:
        """Do one bite of the first chore that is due, if any; return what is to be told.

        Raises
        ------
        StoreError
            The record is damaged.
        """
        for i, (due, chore) in enumerate(self._due):
            if due > now:
                continue
            del self._due[i]
            try:
                again, events = chore.do(now=now, utc_ms=utc_ms)
            except StoreError as error:
                self._due.append((now + AFTER_A_FAILURE, chore))
                if damaged(error):  # no chore's to mend
                    raise
                return self._failed(chore, str(error), utc_ms)
            except Exception as error:  # a bug in a chore must not end measuring
                self._due.append((now + AFTER_A_FAILURE, chore))
                says = f"{chore.name} could not be done: {error!r}. Please report it"
                if says != self._failing.get(chore.name):
                    _log.exception("%s could not be done", chore.name)
                return self._failed(chore, says, utc_ms)
            self._due.append((now + again, chore))
            if again > 0:  # done with all of it, not only with a bite before the one that fails
                self._failing.pop(chore.name, None)
            return list(events)
        return []

    def _failed(self, chore: Chore, says: str, utc_ms: int) -> list[Event]:
        """Tell it, unless it was the last thing told."""
        before = self._failing.get(chore.name)
        self._failing[chore.name] = says
        return [] if says == before else [Event(utc_ms, "chore", chore.name, says)]
