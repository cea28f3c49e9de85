"""When the weekly trial of the notices goes out, and whether somebody has answered it."""

from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

from longsoak.core.localtime import last_of
from longsoak.core.wording import age_words, time_words
from longsoak.service.clock import Clock
from longsoak.store.noticerecord import NoticeRecord
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.rig import Rig

_MINUTE_MS = 60_000


class Sent(NamedTuple):
    """A trial that goes out: its number, to be kept as a cursor, and what is told of it."""

    number: int
    says: str


class TrialKeeper:
    """Says when a trial is due; one a week, one made up for after a time off, none twice.

    Its number is the minute it was due at, counted from 1970, and lies in the record with the
    event that it went out, in one commit: so a restart sends none again. The first goes at once: a
    rig whose notices reach nobody should show that on its first day. None goes before the clock is
    known.

    Parameters
    ----------
    rig : Rig
        Says when, and for how long an answer is waited for.
    folder : Path
        The record's.
    clock : Clock
        The clocks.
    """

    def __init__(self, rig: Rig, folder: Path, *, clock: Clock) -> None:
        self._weekly = rig.trial
        self._zone = ZoneInfo(rig.time_zone)
        plans = [plan.within for plan in rig.alarms if plan.watch is Watch.TRIAL]
        self._within = min(plans, default=0.0)
        self._record = NoticeRecord(folder)
        self._clock = clock
        self.begin_again()

    def begin_again(self) -> None:
        """Learn from the record how the last one stands."""
        self._number: int | None = None
        self._waiting_ms: int | None = None
        trial = None
        if self._weekly is not None:
            with suppress(StoreError):  # one too many rather than none
                trial = self._record.trial()
        if trial is not None:
            self._number, self._waiting_ms = trial.number, trial.waiting_ms

    def due(self) -> Sent | None:
        """A trial that has to go out now; it counts as sent."""
        if self._weekly is None or not self._clock.synchronised():
            return None
        utc_ms = self._clock.utc_ms()
        number = last_of(self._weekly, zone=self._zone, utc_ms=utc_ms) // _MINUTE_MS
        if number == self._number:  # another one, be it smaller: the clock may have been years on
            return None
        self._number = number
        self._waiting_ms = utc_ms if self._waiting_ms is None else self._waiting_ms
        return Sent(number, f"goes to everybody; to answer within {age_words(self._within)}")

    def standing(self) -> Mapping[Watch, str | None]:
        """Why the alarm about it stands, None where it does not; empty while that is not known."""
        if self._weekly is None or not self._clock.synchronised():
            return {}
        waiting = self._waiting_ms
        if waiting is None or self._clock.utc_ms() - waiting < 1000 * self._within:
            return {Watch.TRIAL: None}
        return {Watch.TRIAL: f"the trial of {time_words(waiting)} was not answered"}

    def answer(self, by: str) -> str | None:
        """Take somebody's answer; what is told of it, or None if none was asked for."""
        if self._waiting_ms is None:
            return None
        after = age_words(max(0.0, (self._clock.utc_ms() - self._waiting_ms) / 1000))
        self._waiting_ms = None
        return f"by {by}, {after} after it went out"
