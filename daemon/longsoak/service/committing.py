"""Getting what was measured into the record, whatever the disk and the record do meanwhile."""

import logging
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress

from longsoak.core.wording import rfc3339
from longsoak.service.clock import Clock, look_at_the_wall
from longsoak.service.waiting import Waiting
from longsoak.store.aside import SetAside, damaged, disk_failed
from longsoak.store.space import give_up_reserve
from longsoak.store.unkept import Unkept
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.logbook import LogbookEntry

_log = logging.getLogger(__name__)

IO_PATIENCE = 600.0  # s of a disk that fails until the record is looked over
RETRY = 5.0  # s between two attempts to read the record anew, or to go over to another


class Committing:
    """Commits, keeps what is refused, offers its alarms, and goes over to a new record.

    Parameters
    ----------
    writer : RecordWriter
        The record.
    clock : Clock
        The clocks.
    watched : collection of str
        Probes that are looked at more often than they must be kept.
    unkept : Unkept
        Where alarms are offered that the disk does not take.
    committed : callable
        Called after each commit, and when there is something unkept.
    suspect : callable
        Called when the record should be looked over: the disk fails for long.
    aside : callable
        Called when a damaged record was set aside and another one has begun.
    """

    def __init__(
        self,
        writer: RecordWriter,
        *,
        clock: Clock,
        watched: Collection[str],
        unkept: Unkept,
        committed: Callable[[], None],
        suspect: Callable[[], None],
        aside: Callable[[SetAside], None],
    ) -> None:
        self.refusal: str | None = None  # why the record takes nothing at present
        self.damage: str | None = None  # of a record that could not be set aside yet
        self._writer = writer
        self._clock = clock
        self._unkept = unkept
        self._committed = committed
        self._suspect = suspect
        self._aside = aside
        self._waiting = Waiting(writer, clock=clock, watched=watched)
        self._last_change = writer.last_change()
        self._again = 0.0

    def __bool__(self) -> bool:
        return bool(self._waiting)

    @property
    def scans(self) -> int:
        """How many scans wait."""
        return self._waiting.scans

    @property
    def given_up(self) -> str | None:
        """What was given up since the disk refused, in words; None if nothing was."""
        return self._waiting.given_up

    @property
    def entries(self) -> Sequence[LogbookEntry]:
        """Entries of the logbook that wait."""
        return self._waiting.rest.logbook

    def try_now(self) -> None:
        """Let the next commit try the disk without a rest."""
        self._waiting.try_now()

    def commit(self, batch: Batch) -> bool:
        """Commit what waits and `batch`; true if all of `batch` but its scans is in the record.

        Whatever is not kept waits here: the caller is rid of it.
        """
        if self.damage is not None and self._clock.monotonic() >= self._again:
            self.go_over(self.damage)
        lost = self.given_up
        changed = bool(batch.changes or self._waiting.rest.changes)
        kept = self._waiting.keep(batch)
        refused = self._waiting.refusal
        if disk_failed(refused) and self._waiting.refused_for() >= IO_PATIENCE:
            self._suspect()  # if it can't even be read, a new one may be written elsewhere
        if refused is not None and damaged(refused) and self.damage is None:
            kept = self._second_look()
            refused = self._waiting.refusal
        if self.damage is None:
            self._tell(None if refused is None else str(refused), lost=lost)
        if not kept:
            self._offer()
            return False
        if changed:
            with suppress(StoreError):
                self._last_change = self._writer.last_change()
        self._unkept.clear()
        self._committed()
        return True

    def go_over(self, cause: str) -> bool:
        """Set the damaged record aside and go on in a new one, as soon as the disk lets us.

        True if what waits could be kept in it.
        """
        wall, boottime_ms = look_at_the_wall(self._clock), self._clock.boottime_ms()
        try:
            aside = self._writer.start_afresh(
                cause,
                utc_ms=wall.base_ms + boottime_ms,
                boottime_ms=boottime_ms,
                synchronised=wall.synchronised,
            )
        except StoreError as error:
            give_up_reserve(self._writer.folder)  # a new record needs some room
            self.damage = cause
            self._again = self._clock.monotonic() + RETRY
            self._tell(f"the record is damaged ({cause}), and {error}", lost=None)
            return False
        self.damage = None
        _log.error("%s", aside.says)
        self._waiting.rest.cursors.clear()  # positions in the record before
        self._aside(aside)
        self._waiting.try_now()
        return self._waiting.keep(Batch())

    def _second_look(self) -> bool:
        """Read the record anew; if it still seems damaged, have it looked over.

        What a commit finds is no proof: SQLite calls a page malformed that the disk did not give.
        """
        if self._clock.monotonic() < self._again:
            return False
        self._again = self._clock.monotonic() + RETRY
        try:
            self._writer.reopen(now=rfc3339(self._clock.utc_ms()))
        except StoreError as error:
            if damaged(error):
                self._suspect()
            return False
        self._waiting.try_now()
        if self._waiting.keep(Batch()):
            return True
        self._suspect()
        return False

    def _tell(self, refusal: str | None, *, lost: str | None) -> None:
        # What is refused is kept in memory and tried again: nothing else can be done with a full
        # disk, and measuring goes on.
        if refusal is not None and self.refusal is None:
            _log.error("%s; it is tried again until it can be", refusal)
        if refusal is None and self.refusal is not None:
            _log.info("the record takes scans again; %s", lost or "none was lost")
        self.refusal = refusal

    def _offer(self) -> None:
        """Let the alarms go out all the same: a full disk is when somebody has to come."""
        with suppress(StoreError):  # nor does the record have to be readable
            self._last_change = self._writer.last_change()
        self._unkept.put(self._waiting.rest.changes, after=self._last_change)
        self._committed()
