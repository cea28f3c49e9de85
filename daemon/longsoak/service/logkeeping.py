"""What is asked to stand in the logbook becomes an entry of it, or is refused in words."""

from collections.abc import Iterable
from dataclasses import replace
from uuid import uuid4

from longsoak.core.clockplace import EARLIEST_MS
from longsoak.core.handplaces import with_corrections
from longsoak.core.logbook import check_against, check_among, check_entry
from longsoak.core.wording import time_words
from longsoak.service.clock import Clock, look_at_the_wall
from longsoak.store.logbook import Logbook
from longsoak.store.logbookrequests import written_in
from longsoak.store.photos import name_of
from longsoak.store.requests import Request
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import HAND, SAMPLE, LogbookEntry
from longsoak.vocabulary.rig import Rig


class LogKeeper:
    """Numbers entries in the order they are asked for, without a hole.

    Parameters
    ----------
    rig : Rig
        The rig that is measured.
    logbook : Logbook
        What is kept already. Nobody else may add to it.
    clock : Clock
        Tells when an entry is kept.

    Raises
    ------
    StoreError
        The record can't be read.
    """

    def __init__(self, rig: Rig, logbook: Logbook, *, clock: Clock) -> None:
        self._rig = rig
        self._folder = logbook.folder
        self._clock = clock
        self._last = logbook.last()
        self._began_ms = logbook.record_began_ms()
        self._logbook = logbook
        # What an entry may be at odds with: looked up once, as nobody else adds to it.
        self._among: list[LogbookEntry] | None = None
        self._fresh: list[LogbookEntry] = []  # numbered before that, and perhaps not committed yet

    def begin_again(self, waiting: Iterable[LogbookEntry]) -> None:
        """Go on in a new record, in which only what is `waiting` to be committed will be."""
        self._fresh, self._among = [], None
        self._last = 0
        for entry in waiting:
            self._last = max(self._last, entry.number)
            self._remember(entry)

    def own(self, entry: LogbookEntry) -> LogbookEntry:
        """An entry of the rig's own, as of a button that was pressed, to be committed."""
        check_entry(entry)
        return self._numbered(replace(entry, request=uuid4().hex))

    def keep(self, request: Request) -> tuple[LogbookEntry, str]:
        """The entry that a request asks for, to be committed whatever happens, and what to answer.

        Raises
        ------
        RequestError
            It can't be kept, and has no number.
        """
        entry = written_in(request)
        check_against(entry, self._rig, began_ms=self._began_ms, last=self._last)
        check_among(entry, self._known)
        for digest in entry.photos:
            if name_of(self._folder, digest) is None:
                raise RequestError(
                    f"There is no photo {digest[:12]}... beside the record. Send it once more, "
                    "with the words. Nothing was kept."
                )
        kept = self._numbered(entry)
        return kept, f"kept as number {kept.number}, of {_when_words(kept)}"

    def _numbered(self, entry: LogbookEntry) -> LogbookEntry:
        """An entry that may be kept, with its number and the clocks of now."""
        self._last += 1
        wall, boottime_ms = look_at_the_wall(self._clock), self._clock.boottime_ms()
        kept = replace(
            entry,
            number=self._last,
            kept_utc_ms=wall.base_ms + boottime_ms,
            kept_boottime_ms=boottime_ms,
            synchronised=wall.synchronised,
        )
        self._remember(kept)
        return kept

    def _remember(self, entry: LogbookEntry) -> None:
        if entry.kind in (HAND, SAMPLE) or entry.corrects is not None:
            (self._fresh if self._among is None else self._among).append(entry)

    def _known(self) -> list[LogbookEntry]:
        """What an entry may be at odds with, what is not committed yet included."""
        if self._among is None:
            kept, fresh = self._logbook.entries(), self._fresh
            numbers = {entry.number for entry in kept}
            self._fresh, self._among = [], []
            for entry in (*kept, *(each for each in fresh if each.number not in numbers)):
                self._remember(entry)
        return with_corrections(self._among)


def _when_words(entry: LogbookEntry) -> str:
    if entry.at_utc_ms < EARLIEST_MS:
        return "now: this machine's clock is not set yet, and the day is added once it is"
    return time_words(entry.at_utc_ms)
