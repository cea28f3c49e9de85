"""Which scans have a time that can be sent, and which were sent before theirs was known.

A computer without a clock battery starts in the past. Its scans wait until its clock is known, but
not for ever: a rig without a network never learns the time. What went out with a time that was put
right later goes out once more.
"""

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

from longsoak.store.reader import Record, StoredScan
from longsoak.vocabulary.errors import ForwardError, StoreError
from longsoak.vocabulary.outlet import Outlet

PATIENCE_MS = 900_000  # a scan whose time is not known waits for it so long, and no longer
MOVED_MS = 1000  # a time put right by less is the same time
_UNSURE = "unsure"


class Stretch(NamedTuple):
    """Scans on end whose clock was not known when they were taken; `end` is the first after."""

    first: int
    end: int
    shift_ms: int
    sure: bool
    waits: bool  # whether its time may become known any moment


class TimedRecord(Record):
    """The record as forwarders see it: scans whose time is not known yet are held back.

    Counted from the first of them in this boot, `PATIENCE_MS` at most; then they go as they are.

    Parameters
    ----------
    folder : Path
        The record's.
    boottime_ms : callable
        Gives CLOCK_BOOTTIME, ms.
    """

    def __init__(self, folder: Path, *, boottime_ms: Callable[[], int]) -> None:
        super().__init__(folder)
        self._boottime_ms = boottime_ms
        self._seen: list[Stretch] = []

    def scans_after(self, position: int, *, limit: int) -> list[StoredScan]:
        """Scans above `position`, oldest first, up to the first that is held back."""
        scans = super().scans_after(position, limit=limit)
        # After the scans, or one committed meanwhile could slip through.
        self._seen = self.doubtful()
        held = next((stretch.first for stretch in self._seen if stretch.waits), None)
        return scans if held is None else [scan for scan in scans if scan.id < held]

    def time_sure(self, scan: int) -> bool:
        """Whether the time of a scan that `scans_after` gave last is known."""
        return all(s.sure or not s.first <= scan < s.end for s in self._seen)

    def doubtful(self) -> list[Stretch]:
        """Every stretch whose clock was not known when it began."""
        with self._open() as db:
            rows = db.execute(
                "SELECT * FROM (SELECT first_scan, ifnull(lead(first_scan) OVER (ORDER BY"
                " stretch.id), 9223372036854775807), shift_ms, known, boot,"
                " min(CASE WHEN known = 'unsure' THEN started_boottime_ms END)"
                "  OVER (PARTITION BY boot),"
                " last_value(boot) OVER (ORDER BY stretch.id ROWS BETWEEN UNBOUNDED PRECEDING"
                "  AND UNBOUNDED FOLLOWING)"
                " FROM stretch JOIN run ON run.id = stretch.run) WHERE known <> 'clock'"
                " ORDER BY first_scan"
            ).fetchall()
        now = self._boottime_ms()
        return [
            Stretch(
                first,
                end,
                shift,
                sure=known != _UNSURE,
                waits=known == _UNSURE and boot == newest and now - since < PATIENCE_MS,
            )
            for first, end, shift, known, boot, since, newest in rows
        ]


class PutRight:
    """An outlet that goes back to what it sent before its time was known, once it is.

    Parameters
    ----------
    outlet : Outlet
        What sends; it reads `record`.
    record : TimedRecord
        Says what is known of times.
    unsure : int
        The first scan that went out with a time not known, as `keep` was told last; 0 if none.
    keep : callable
        Takes that number whenever it changes; it has to survive a power cut no later than the
        position that comes back from the step.
    tell : callable
        Takes a sentence when it goes back.
    """

    def __init__(
        self,
        outlet: Outlet,
        record: TimedRecord,
        *,
        unsure: int,
        keep: Callable[[int], None],
        tell: Callable[[str], None],
    ) -> None:
        self.name = outlet.name
        self._outlet = outlet
        self._record = record
        self._unsure = unsure
        self._keep = keep
        self._tell = tell
        self._sent: dict[int, int] | None = None  # shift of each stretch, by its first scan
        self._until = 0  # what is sent again reaches up to here

    def step(self, position: int) -> int:
        """Send some, or go back. See `Outlet.step`."""
        try:
            doubtful = {stretch.first: stretch for stretch in self._record.doubtful()}
        except StoreError as error:
            raise ForwardError(f"nothing could be read to send: {error}") from error
        if self._sent is None:
            self._sent = {s.first: s.shift_ms for s in doubtful.values() if s.first <= position}
            back = self._changed_unseen(position, doubtful.values())
        else:
            back = self._changed(position, doubtful)
        if back is not None:
            self._until = max(self._until, position)
            self._sent = {first: shift for first, shift in self._sent.items() if first <= back}
            self._tell(f"times are known now: sent again from scan {back + 1} on")
            return back
        reached = self._outlet.step(position)
        if reached >= self._until:
            self._until = 0
        for stretch in doubtful.values():
            if stretch.first <= reached:
                self._sent.setdefault(stretch.first, stretch.shift_ms)
        self._note(doubtful)
        return reached

    def close(self) -> None:
        """Close the outlet."""
        self._outlet.close()

    def _changed(self, position: int, doubtful: Mapping[int, Stretch]) -> int | None:
        """Where to go back to, if a time that was sent has changed since."""
        sent = self._sent or {}
        changed = [
            first
            for first, shift_ms in sent.items()
            if first <= position
            and abs((doubtful[first].shift_ms if first in doubtful else 0) - shift_ms) > MOVED_MS
        ]
        return min(changed) - 1 if changed else None

    def _changed_unseen(self, position: int, doubtful: Iterable[Stretch]) -> int | None:
        """The same of the time between the last look and the end of the process before."""
        if not 0 < self._unsure <= position:
            return None
        still = any(not s.sure and s.first <= self._unsure < s.end for s in doubtful)
        return None if still else self._unsure - 1

    def _note(self, doubtful: Mapping[int, Stretch]) -> None:
        sent = self._sent or {}
        left = [s.first for s in doubtful.values() if s.first in sent and not s.sure]
        unsure = min(left, default=0)
        if self._until and self._unsure:  # what is under way is not done yet
            unsure = min(unsure or self._unsure, self._unsure)
        if unsure != self._unsure:
            self._unsure = unsure
            self._keep(unsure)
