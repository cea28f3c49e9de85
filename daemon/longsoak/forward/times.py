"""Which scans have a time that can be sent, and which were sent before theirs was known.

A computer without a clock battery starts in the past. Its scans wait until its clock is known, but
not for ever: a rig without a network never learns the time. What went out with a time that was put
right later goes out once more.
"""

from collections.abc import Callable
from itertools import groupby, pairwise
from pathlib import Path
from typing import NamedTuple

from longsoak.store.reader import Record, StoredScan
from longsoak.store.stretches import CLOCK, UNSURE, all_stretches
from longsoak.vocabulary.errors import ForwardError, StoreError
from longsoak.vocabulary.outlet import Outlet

PATIENCE_MS = 900_000  # after a boot; a machine that is up longer will hardly learn the time now
MOVED_MS = 1000  # a time put right by less is the same time


class Doubt(NamedTuple):
    """Scans on end that were taken while the clock was not known.

    `end` is the first scan after them. `sure` says whether they have been placed, `waits` whether
    that may happen any moment.
    """

    first: int
    end: int
    shift_ms: int
    sure: bool
    waits: bool


class TimedRecord(Record):
    """The record as forwarders see it: scans whose time is not known yet are held back.

    Until `PATIENCE_MS` after the machine was started; then they go as they are.

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
        self._doubts: list[Doubt] = []

    def scans_after(self, position: int, *, limit: int) -> list[StoredScan]:
        """Scans above `position`, oldest first, up to the first that is held back."""
        scans = super().scans_after(position, limit=limit)
        # After the scans, or one committed meanwhile could slip through.
        self._doubts = self.doubts()
        held = next((doubt.first for doubt in self._doubts if doubt.waits), None)
        return scans if held is None else [scan for scan in scans if scan.id < held]

    def time_sure(self, scan: int) -> bool:
        """Whether the time of a scan that `scans_after` gave last is known."""
        return all(doubt.sure or not doubt.first <= scan < doubt.end for doubt in self._doubts)

    def doubts(self) -> list[Doubt]:
        """All scans that were taken while the clock was not known, in order."""
        with self._open() as db:
            if not db.execute(
                "SELECT 1 FROM stretch WHERE known <> ? LIMIT 1", (CLOCK,)
            ).fetchone():
                return []
            stretches = all_stretches(db)
            boots = [list(group) for _, group in groupby(stretches, lambda s: s.boot)]
        waiting = self._boottime_ms() < PATIENCE_MS
        return [
            Doubt(
                stretch.first_scan,
                NEVER if following is None else following.first_scan,
                stretch.shift_ms,
                sure=stretch.known != UNSURE,
                waits=waiting and stretch.known == UNSURE and stretch.boot == boots[-1][0].boot,
            )
            for stretch, following in pairwise([*stretches, None])
            if stretch is not None and stretch.known != CLOCK
        ]

    def sent_with(self, outlet: str) -> dict[int, int]:
        """What `PutRight` kept last of `outlet`: shifts, ms, by the first scan they are of."""
        start = _kept_as(outlet, "")
        with self._open() as db:
            rows = db.execute(
                "SELECT substr(name, ?), position FROM cursor WHERE substr(name, 1, ?) = ?",
                (len(start) + 1, len(start), start),
            ).fetchall()
        return {int(first): shift_ms for first, shift_ms in rows}


NEVER = 2**63 - 1  # above every scan's id


class PutRight:
    """An outlet that goes back to what it sent before its time was known, once it is.

    What was sent with an unsure time is kept in the record beside the outlet's cursor: the time
    may be put right in the very moment of a power cut, or by the first scan after it.

    Parameters
    ----------
    outlet : Outlet
        What sends; it reads `record`.
    record : TimedRecord
        Says what is known of times.
    keep : callable
        Takes a cursor's name and what to save there; of two calls, and of the position that comes
        back from a step after them, none may be saved before the one before it.
    tell : callable
        Takes a sentence when it goes back.
    """

    def __init__(
        self,
        outlet: Outlet,
        record: TimedRecord,
        *,
        keep: Callable[[str, int], None],
        tell: Callable[[str], None],
    ) -> None:
        self.name = outlet.name
        self._outlet = outlet
        self._record = record
        self._keep = keep
        self._tell = tell
        self._kept = record.sent_with(outlet.name)
        self._sent: dict[int, int] | None = None  # shift, ms, each doubt's scans went out with

    def step(self, position: int) -> int:
        """Send some, or go back. See `Outlet.step`."""
        try:
            doubts = self._record.doubts()
        except StoreError as error:
            raise ForwardError(f"nothing could be read to send: {error}") from error
        if self._sent is None:
            self._sent = {
                doubt.first: self._kept.get(doubt.first, doubt.shift_ms)
                for doubt in doubts
                if doubt.first <= position
            }
        moved = [
            doubt.first
            for doubt in doubts
            if abs(doubt.shift_ms - self._sent.get(doubt.first, doubt.shift_ms)) > MOVED_MS
        ]
        if moved:
            back = min(position, moved[0] - 1)
            self._sent = {first: shift for first, shift in self._sent.items() if first <= back}
            self._tell(f"times have been put right: it is sent again from scan {moved[0]} on")
            return back
        reached = self._outlet.step(position)
        for doubt in doubts:
            if doubt.first <= reached:
                self._note(doubt)
        return reached

    def close(self) -> None:
        """Close the outlet."""
        self._outlet.close()

    def _note(self, doubt: Doubt) -> None:
        assert self._sent is not None  # noqa: S101 - a step has set it
        shift_ms = self._sent.setdefault(doubt.first, doubt.shift_ms)
        kept = self._kept.get(doubt.first)
        if kept != shift_ms and (kept is not None or not doubt.sure):
            self._kept[doubt.first] = shift_ms
            self._keep(_kept_as(self.name, str(doubt.first)), shift_ms)


def _kept_as(outlet: str, first: str) -> str:
    return f"{outlet}, shift from scan {first}"
