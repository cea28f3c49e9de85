"""When entries of the logbook were written that were kept under a clock nobody had set."""

from collections.abc import Mapping, Sequence

from longsoak.store.known import Kept
from longsoak.store.moments import Moments
from longsoak.store.recordfile import RecordFile
from longsoak.store.scans import Scans
from longsoak.vocabulary.logbook import LogbookEntry

_AT_ONCE_MS = 60_000  # kept so soon after it was asked, it was asked under the same clock


class EntryTimes(RecordFile):
    """Places entries where the readings of their boot were placed.

    Raises
    ------
    StoreError
        From `written`: there is no record there, or it can't be read.
    """

    def written(self, entries: Sequence[LogbookEntry]) -> Mapping[int, int]:
        """When each was asked for, UTC ms, by its number; only where it is another time than kept.

        One that waited to be kept is left out: nobody knows under which clock it was asked.
        """
        doubtful = [
            entry
            for entry in entries
            if not entry.synchronised and abs(entry.kept_utc_ms - entry.asked_utc_ms) < _AT_ONCE_MS
        ]
        if not doubtful:
            return {}
        found = {}
        with self._open() as db:
            moments = Moments(db, lambda: Scans(db, Kept()))
            for entry in doubtful:
                kept_ms, unsure = moments.of(entry.run, entry.kept_utc_ms, entry.kept_boottime_ms)
                if not unsure and kept_ms != entry.kept_utc_ms:
                    found[entry.number] = entry.asked_utc_ms + kept_ms - entry.kept_utc_ms
        return found
