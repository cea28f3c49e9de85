"""One route's walk over the alarm changes: what goes, when, and what is told of that."""

from collections import deque
from collections.abc import Sequence
from datetime import tzinfo
from typing import NamedTuple

from longsoak.core.localtime import is_quiet
from longsoak.core.wording import age_words, with_noun
from longsoak.notify.choosing import PACE, Pacing, choose, is_wanted
from longsoak.notify.compose import of_changes, of_digest
from longsoak.notify.digest import DailyDigest
from longsoak.notify.notice import Carried, Carrier, Notice, Now, Reports
from longsoak.notify.occasion import TrialCall
from longsoak.notify.words import last_burst
from longsoak.store.noticerecord import HELD_BACK, TAKEN, NoticeRecord, held_cursor
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import StoredChange
from longsoak.vocabulary.errors import NoticeError, PartlyError, StoreError
from longsoak.vocabulary.notices import TRIAL, Route, Way
from longsoak.vocabulary.rig import Rig

MOST = 200  # alarm changes read at once
TRIED_EVERY = 3600.0  # s between two looks at an other end that nothing is sent to
_REMEMBERED = 50  # alarms that may have come together with the next one


class _Begun(NamedTuple):
    """The first and last change of a message that was partly taken, and whether some have it."""

    first: int
    last: int
    some_took: bool

    def of(self, news: Sequence[StoredChange], end: int) -> tuple[Sequence[StoredChange], int]:
        """What of `news` is to be sent now, and the last change looked at with it."""
        newer = [change for change in news if change.id > self.last]
        same = [change for change in news if self.first <= change.id <= self.last]
        if not same or (self.some_took and newer):  # quiet hours may have begun since
            return newer or news, end
        return same, self.last


class RouteNotices:
    """Sends one route's notices. See `longsoak.vocabulary.outlet`.

    What waits together goes in one message; acknowledgements don't go at all. A message counts as
    sent once the other end has taken it; an answer lost after that sends it twice, never not at
    all. What the other end refuses for good is told and not sent again. While there is nothing to
    send the other end is tried at the first step and every hour, so that a wrong setting or a dead
    server shows now and not at the first alarm.

    Only what is of high priority goes during a person's quiet hours. While the clock is not known
    there are none: better a message at night than one too late.

    Parameters
    ----------
    route : Route
        Whose notices.
    record : Record
        Alarm changes are sent once they are committed there.
    rig : Rig
        Says what the alarms mean.
    carrier : Carrier
        Takes them; closed with this.
    now : Now
        The clocks.
    zone : tzinfo
        The rig's time zone.
    reports : Reports
        Where it is told what came of them.
    identity : str
        What tells the record from others.
    trial : TrialCall or None
        The weekly trial, if there is one.
    digest : DailyDigest or None
        What goes once a day, behind whatever alarms there are.
    """

    def __init__(
        self,
        route: Route,
        record: Record,
        rig: Rig,
        carrier: Carrier,
        *,
        now: Now,
        zone: tzinfo,
        reports: Reports,
        identity: str,
        trial: TrialCall | None = None,
        digest: DailyDigest | None = None,
    ) -> None:
        self.name = route.name
        self._route = route
        self._record = record
        self._told = NoticeRecord(record.folder)
        self._rig = rig
        self._carrier = carrier
        self._now = now
        self._zone = zone
        self._reports = reports
        self._identity = identity
        self._trial = trial
        self._digest = digest
        self._held: int | None = None  # not known yet
        self._begun: _Begun | None = None
        self._answered: float | None = None  # when the other end last took all it was asked
        self._pacing = Pacing()
        self._raised: deque[StoredChange] = deque(maxlen=_REMEMBERED)
        self._everything = route.person is None and route.way is Way.WEBHOOK

    def step(self, position: int) -> int:
        """Send one message about the alarm changes after `position`; return the last looked at.

        Where there is none, the trial or what is due of the day goes instead.

        Raises
        ------
        NoticeError
            The record can't be read, or the other end failed: at taking, or at being tried.
        """
        try:
            held, quiet = self._held_from(), self._is_quiet()
            changes = self._changes(position, 0 if quiet else held)
            end = max(position, changes[-1].id) if changes else position
            wanted = [c for c in changes if is_wanted(self._rig, c, self._route.person)]
        except StoreError as error:
            raise NoticeError(f"nothing could be read to send: {error}") from error
        chosen = choose(self._rig, wanted, after=position, held=held, quiet=quiet)
        if chosen.now:
            return self._tell(chosen.now, position=position, end=end, held=chosen.held)
        self._hold(chosen.held)
        if end == position:
            self._beside(quiet=quiet)
        return end

    def close(self) -> None:
        """Close the carrier."""
        self._carrier.close()

    def _tell(self, news: Sequence[StoredChange], *, position: int, end: int, held: int) -> int:
        """Send one message about `news`, all of it or up to where another one was begun."""
        if self._everything:  # a program counts changes, and one message each keeps their keys
            news, end = news[:1], news[0].id
        elif self._begun is not None:
            news, end = self._begun.of(news, end)
            end = max(position, end)
        boottime = self._now.boottime_ms() / 1000
        self._pacing.seen(news, boottime=boottime)
        if not self._everything and not self._pacing.lets(self._rig, news, boottime=boottime):
            return position
        was_held = self._held if self._held and not held else 0
        notice = self._notice(news, held_back=bool(was_held))
        try:
            carried = self._carrier.carry(notice)
        except PartlyError as error:
            begun = _Begun(news[0].id, news[-1].id, error.some_took)
            if error.some_took and begun != self._begun:
                self._reports.event(TAKEN, f"taken by some: {notice.subject}")
            self._begun = begun
            raise
        self._begun = None
        self._raised.extend(change for change in news if change.came)
        self._pacing.sent(high=notice.high, boottime=boottime)
        self._report(TAKEN, notice, carried)
        if was_held:
            self._reports.event(HELD_BACK, f"until the quiet hours were over: {notice.subject}")
        self._hold(held)
        return end

    def _beside(self, *, quiet: bool) -> None:
        """Send what is due besides alarms, or see now and then whether the other end is there."""
        try:
            trial = None if quiet or self._trial is None else self._trial.due()
            due = None if quiet or trial or self._digest is None else self._digest.due()
        except StoreError as error:
            raise NoticeError(f"nothing could be read to send: {error}") from error
        if trial is not None and self._trial is not None:
            self._report(TRIAL, trial, self._carrier.carry(trial))
            self._reports.cursor(*self._trial.went())
        elif due is not None and self._digest is not None:
            notice = of_digest(
                self._rig,
                due.subject,
                due.text,
                number=due.number,
                record=self._identity,
                route=self.name,
            )
            self._report(TAKEN, notice, self._carrier.carry(notice))
            self._digest.went(due.number)
        elif self._answered is None or self._now.monotonic() - self._answered >= TRIED_EVERY:
            self._carrier.probe()
            self._answered = self._now.monotonic()

    def _report(self, kind: str, notice: Notice, carried: Carried) -> None:
        self._answered = self._now.monotonic()
        if carried.taken:
            self._reports.event(kind, f"taken: {notice.subject}")
        self._reports.refuses("; ".join(carried.refused) or None)

    def _notice(self, news: Sequence[StoredChange], *, held_back: bool) -> Notice:
        came: dict[str, StoredChange] = {}
        for change in news:
            try:
                raised = change if change.came else self._told.came(change)
            except StoreError:  # the alarm itself must go all the same
                continue
            if raised is not None:
                came[change.key] = raised
        raises = [change for change in news if change.came]
        burst = last_burst([*self._raised, *raises]) if raises else ()
        heading = "Held back during your quiet hours:" if held_back else None
        if self._pacing.flood:
            heading = (
                "More alarms come than anybody can follow: "
                f"{with_noun(len(raises), 'alarm')} since the last message. The next message goes "
                f"in {age_words(PACE)}."
            )
        return of_changes(
            self._rig,
            news,
            record=self._identity,
            route=self.name,
            came=came,
            burst=burst,
            heading=heading,
            utc_ms=self._now.utc_ms() if self._now.synchronised() else None,
        )

    def _is_quiet(self) -> bool:
        person = self._route.person
        if person is None or person.quiet is None or not self._now.synchronised():
            return False
        return is_quiet(person.quiet, zone=self._zone, utc_ms=self._now.utc_ms())

    def _held_from(self) -> int:
        if self._held is None:  # also where quiet hours were given up since
            self._held = self._record.cursor(held_cursor(self.name))
        return self._held

    def _hold(self, held: int) -> None:
        """Keep from where on changes are held back."""
        if held != self._held:
            self._held = held
            self._reports.cursor(held_cursor(self.name), held)

    def _changes(self, position: int, held: int) -> list[StoredChange]:
        """What comes after `position`, and what is held back before."""
        after = min(position, held - 1) if held else position
        found: list[StoredChange] = []
        while more := self._record.alarm_changes_after(after, limit=MOST):
            found += more
            after = more[-1].id
            if not held or len(more) < MOST:  # what was held back goes in one message
                break
        return found
