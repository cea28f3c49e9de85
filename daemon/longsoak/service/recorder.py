"""The one place where readings come into being: passes in, committed scans out.

Runs in the main thread and owns the record's writer. Everything reaches it through one queue.
It is long because whatever comes, of whatever kind, takes the same way into the next commit; what
each kind means is decided elsewhere.
"""

import logging
import queue
from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Mapping, Sequence

from longsoak.core.button import Told
from longsoak.core.convert import Conversion, Remembered
from longsoak.core.routes import routes_of
from longsoak.core.wording import with_noun
from longsoak.service import alarmasking
from longsoak.service.alarmlives import At
from longsoak.service.attending import Attending
from longsoak.service.buses import Pass
from longsoak.service.buttons import WORDS, Buttons
from longsoak.service.chores import Chore, Chores
from longsoak.service.clock import Clock, look_at_the_wall
from longsoak.service.comings import Comings
from longsoak.service.committing import Committing
from longsoak.service.keeping import Keeping
from longsoak.service.logkeeping import LogKeeper
from longsoak.service.messages import (
    BackupNews,
    Checked,
    CursorMoved,
    Happened,
    News,
    OutletNews,
    Refuses,
    Reload,
    Stop,
)
from longsoak.service.outletbook import OutletBook, Shown
from longsoak.service.pulse import Part
from longsoak.service.reloading import Reloading
from longsoak.service.servicing import Servicing
from longsoak.service.switchboard import Pattern
from longsoak.service.trial import TrialKeeper
from longsoak.service.watch import AlarmBook
from longsoak.store import requests
from longsoak.store.aside import DamageError, SetAside, damaged
from longsoak.store.backuptimes import BACKUP, FAILED, MADE
from longsoak.store.inbox import Inbox
from longsoak.store.logbook import Logbook
from longsoak.store.logbookrequests import ENTRY, written_in
from longsoak.store.noticerecord import ANSWERED, OUTLET, REFUSED, SENT, WELL
from longsoak.store.proofrequests import CLOSER, PROOF, Closer, closer_of, entry_of
from longsoak.store.reloadrequests import RELOAD
from longsoak.store.requests import Request
from longsoak.store.topuprequests import FILL, FILL_HOLDS, GUIDE, STOP, fill_of, lag_of_guide
from longsoak.store.unkept import Unkept
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, Priority
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.logbook import SERVICE, LogbookEntry
from longsoak.vocabulary.notices import TRIAL
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.rig import Output, Rig

_log = logging.getLogger(__name__)

INBOX_PERIOD = 0.25  # s
TICK_PERIOD = 1.0  # s
CHORES_WAIT = 60.0  # s at most, while messages come without a break
MOST_TOLD, TOLD_WITHIN = 6, 300.0  # events of one thing that comes and goes, within s
_MAY_FLAP = ("bus", "probe", OUTLET)
_AT_ONCE = 256  # messages taken into one commit
_NOT_SYNCHRONISED = "this computer's clock is not synchronised"
_NO: tuple[tuple[()], ...] = ((),) * 6  # columns of a pass that brought nothing

_RIG_FILE = "rig file"
Message = Pass | News | BackupNews | Reload | Checked | Stop


class Recorder:
    """Converts, judges, watches and commits whatever the queue brings.

    Parameters
    ----------
    rig, writer, inbox, clock
        The rig as checked, its open record and inbox, and the clocks.
    messages : queue.SimpleQueue
        Where bus workers, outlets and backups put what they have.
    unkept : Unkept
        Where alarms are offered that the disk does not take.
    committed : callable
        Called after each commit, and when there is something unkept, so that outlets look for
        what is new.
    seen : callable
        Called with each pass, once it is converted.
    closer : callable
        Called when some probes are to be polled closer for a while.
    chores : callable
        What is done with the record meanwhile; made anew for another record.
    another : callable
        Called when the record was damaged and another one has begun.
    order, why_off : callable
        Tells a bus what an output is to be for the next seconds; why one is off all the same.
    computer : callable
        What is wrong with the computer or its disk, by the alarm that watches it; None is well.
    doubts : callable
        Which probes can't be believed, by the alarm that says so, and why; None while that is not
        known.
    water : callable
        What the balance of the water finds wrong, by the alarm that says so; None is well.
    behind : callable
        What each forwarder should have sent and has not, in words; None is well.
    suspect : callable
        Called when the record should be looked over: reading it failed, or writing fails for long.
    turned : callable
        Called each time the loop has come round.
    came_round : callable
        Called each time a part of it has.
    cut : str or None
        What is told of the end of the run before, if nobody asked for it.
    reloading : Reloading or None
        Whoever asks for a changed rig file to be taken up; None where it can't be.
    """

    def __init__(
        self,
        rig: Rig,
        *,
        writer: RecordWriter,
        inbox: Inbox,
        clock: Clock,
        messages: "queue.SimpleQueue[Message]",
        unkept: Unkept,
        committed: Callable[[], None],
        seen: Callable[[Pass], None],
        closer: Callable[[Closer], None],
        chores: Callable[[], Sequence[Chore]] = tuple,
        another: Callable[[], None] = lambda: None,
        order: Callable[[Output, Pattern | None], None] = lambda output, pattern: None,
        why_off: Callable[[Output], str | None] = lambda output: None,
        computer: Callable[[], Mapping[Watch, str | None]] = dict,
        doubts: Callable[[], Mapping[tuple[Watch, str], str] | None] = lambda: None,
        water: Callable[[], Mapping[Watch, str | None]] = dict,
        behind: Callable[[], Mapping[str, str | None]] = dict,
        suspect: Callable[[], None] = lambda: None,
        turned: Callable[[], None] = lambda: None,
        came_round: Callable[[Part], None] = lambda part: None,
        cut: str | None = None,
        reloading: Reloading | None = None,
    ) -> None:
        self._writer = writer
        self._inbox = inbox
        self._clock = clock
        self._messages = messages
        self._seen = seen
        self._closer = closer
        self._make_chores = chores
        self._chores = Chores(chores())
        self._another = another
        self._computer = computer
        self._doubts = doubts
        self._doubted: Mapping[tuple[Watch, str], str] | None = None
        self._water = water
        self._behind = behind
        self._suspect = suspect
        self._turned = turned
        self._came_round = came_round
        self._reloading = reloading
        self.stopped = False
        """Whether somebody said stop."""
        self._probes = {probe.name for probe in rig.probes}
        self._conversion = Conversion(rig)
        self._keeping = Keeping(rig)
        self._logbook = LogKeeper(rig, Logbook(writer.folder), clock=clock)
        self._comings = Comings()
        self._outlets = OutletBook(routes_of(rig))
        self._trial = TrialKeeper(rig, writer.folder, clock=clock)
        self._last_boottime_ms = 0
        self._next_tick = 0.0
        self._chores_by = clock.monotonic() + CHORES_WAIT
        self._pending = Batch()
        watched = [probe.name for probe in rig.probes if probe.record > probe.every]
        self._commits = Committing(
            writer,
            clock=clock,
            watched=watched,
            unkept=unkept,
            committed=committed,
            suspect=suspect,
            aside=self._begun_anew,
        )
        self._doubt: str | None = None  # what a chore has last found wrong with the record
        self._stale = 0  # messages from before another record began
        self._told: defaultdict[tuple[str, str], deque[float]] = defaultdict(
            lambda: deque(maxlen=MOST_TOLD)
        )
        self._asked: list[Request] = []
        self._answered: list[Request] = []
        self._backup: dict[Watch, str | None] = {}  # until it is known, an alarm stays as it was
        left = writer.alarms_left(boottime_ms=clock.boottime_ms(), utc_ms=clock.utc_ms())
        self._alarms = AlarmBook(rig, left, now=self._boottime())
        for change in self._alarms.orphans(
            left, utc_ms=clock.utc_ms(), boottime_ms=clock.boottime_ms()
        ):
            self._change(change)
        self._servicing = Servicing(
            Logbook(writer.folder).entries(kind=SERVICE),
            utc_ms=clock.utc_ms(),
            now=self._boottime(),
        )
        self._attending = Attending(rig, order=order, why_off=why_off, news=self._of_a_valve)
        self._answers_back = bool(rig.outputs)
        self._in_service = False
        self._buttons = Buttons(rig)
        self._serve()
        if writer.set_aside is not None:
            self._tell_aside(writer.set_aside)
        if cut is not None:
            self._happened(Watch.RESTARTED, cut)

    @property
    def remembered(self) -> Remembered:
        """The temperatures it knows; see `longsoak.core.convert.Conversion`."""
        return self._conversion.remembered

    def go_on_from(self, remembered: Remembered) -> frozenset[str]:
        """Take over the temperatures that the one before knew; the probes they are of."""
        return self._conversion.go_on_from(remembered)

    def run(self) -> None:
        """Take messages until one says stop, or a changed rig file is ready to be taken up.

        Returns with nothing taken left uncommitted, unless the disk refuses.
        """
        while not (self.turn() or self._has_another()):
            pass

    def turn(self) -> bool:
        """Take what comes, commit it and do a bite of the chores; true if somebody said stop."""
        stopping = self._take()
        self._ask_inbox()
        self._attend(stopping=stopping)
        self._tell_reloads()
        now = self._clock.monotonic()
        if now >= self._next_tick:
            self._next_tick = now + TICK_PERIOD
            at, utc_ms = self._boottime(), self._clock.utc_ms()
            changes = self._alarms.tick(now=at, utc_ms=utc_ms)
            if (sent := self._trial.due()) is not None:
                self._event(TRIAL, SENT, sent.says)
                self._pending.cursors[TRIAL] = (sent.number, utc_ms)
            standing = {
                Watch.RECORD: self._commits.refusal,
                Watch.LOST: self._commits.given_up,
                Watch.CLOCK: None if self._clock.synchronised() else _NOT_SYNCHRONISED,
            }
            standing |= {**self._computer(), **self._backup, **self._trial.standing()}
            for watch, wrong in standing.items():
                changes += self._alarms.standing(watch, wrong, now=at, utc_ms=utc_ms)
            for name, says in self._behind().items():
                changes += self._alarms.behind(name, says, now=at, utc_ms=utc_ms)
            if (doubts := self._doubts()) is not None and doubts != self._doubted:
                self._doubted = doubts
                changes += self._alarms.found(doubts, now=at, utc_ms=utc_ms)
            changes += self._alarms.water(self._water(), now=at, utc_ms=utc_ms)
            for change in changes:
                self._change(change)
            self._serve()
            for news in self._alarms.lives.news():
                self._event(*news)
            self._came_round(Part.CALENDAR)
        self._commit()
        if self._messages.empty() or now >= self._chores_by:
            self._chores_by = now + CHORES_WAIT
            self._do_chores(now)
            self._came_round(Part.CHORES)
        self._turned()
        return stopping

    def is_away(self, outlet: str) -> bool:
        """Whether an outlet's peer takes nothing: readings go over the connection of notices."""
        away = self._outlets.why_away
        return away(outlet) is not None or (outlet == "readings" and away("mqtt") is not None)

    @property
    def status(self) -> str:
        """Whether scans are kept and how many alarms stand, as a sentence."""
        standing = self._alarms.standing_now()
        alarms = f"{with_noun(standing, 'alarm')} {'stands' if standing == 1 else 'stand'}."
        if self._commits.refusal is not None:
            waiting = with_noun(self.scans_unkept, "scan")
            return f"The record takes nothing, {waiting} kept in memory; {alarms}"
        return f"Recording; {alarms if standing else 'no alarm stands.'}"

    @property
    def scans_unkept(self) -> int:
        """Scans that were measured and could not be kept so far."""
        return len(self._pending.scans) + self._commits.scans

    def why_not_now(self) -> str | None:
        """Why no other rig file can be taken up at present."""
        if self._commits or self._commits.refusal is not None or self._commits.damage is not None:
            return (
                "the record takes nothing at present, and what is measured is kept in memory. "
                "See to the disk, and ask again once it does"
            )
        if (valve := self._attending.fills) is not None:
            return f"somebody fills through {valve}. Ask again once it is shut"
        return None

    @property
    def holds(self) -> bool:
        """Whether it holds anything that is not in the record and would go with it."""
        return bool(self._pending or self._commits or self._asked)

    def drain(self) -> None:
        """Commit what is still in the queue, after everybody who fills it has ended."""
        while not self._messages.empty():
            self._take()
        self._commits.try_now()
        self._commit()
        while self._commits and self._commits.refusal is None:
            self._commit()
        if not self._commits:
            self._inbox.drop(self._answered)
            self._answered = []

    def _take(self) -> bool:
        """Handle what is waiting, or comes within `INBOX_PERIOD`; true if somebody said stop."""
        try:
            taken = [self._messages.get(timeout=INBOX_PERIOD)]
        except queue.Empty:
            return False
        more = min(self._messages.qsize(), _AT_ONCE)  # nobody else takes any
        taken += [self._messages.get_nowait() for _ in range(more)]
        for message in taken:
            self._handle(message)
        return any(isinstance(message, Stop) for message in taken)

    def _handle(self, message: Message) -> None:
        stale = self._stale > 0
        self._stale -= stale
        match message:
            case Pass():
                self._pass(message)
            case OutletNews(outlet, away, damage):
                if damage:
                    self._suspect()
                self._outlet(outlet, away)
            case CursorMoved() if stale:  # a position in the record before
                pass
            case CursorMoved(outlet, position):
                self._pending.cursors[outlet] = (position, self._clock.utc_ms())
            case Refuses(outlet, refused):
                if refused is not None:
                    self._event(REFUSED, outlet, refused)
                self._show_outlets(self._outlets.refuses(outlet, refused))
            case Happened(kind, outlet, says):
                self._event(kind, outlet, says)
            case BackupNews(trouble, says):
                self._backup = {Watch.BACKUP: trouble}
                if says is not None:
                    self._event(BACKUP, MADE if trouble is None else FAILED, says)
            case Reload():
                if self._reloading is not None:
                    self._reloading.ask()
            case Checked():
                if self._reloading is not None:
                    self._reloading.checked(message)
            case Stop():
                self.stopped = True

    def _pass(self, taken: Pass) -> None:
        # The pass's own time, however long it waited here: a commit may stall for seconds. Forced
        # to rise, so that times in the record rise with its ids and no two scans share one.
        boottime_ms = max(round(taken.boottime * 1000), self._last_boottime_ms + 1)
        self._last_boottime_ms = boottime_ms
        wall = look_at_the_wall(self._clock)
        utc_ms = wall.base_ms + boottime_ms
        now = boottime_ms / 1000
        rows = self._conversion.rows(taken.samples, now=now)
        raw, units, values, uncertainties, flags, reasons = zip(*rows, strict=True) if rows else _NO
        scan = Scan(
            taken.bus,
            utc_ms,
            boottime_ms,
            wall.synchronised,
            tuple([sample.probe for sample in taken.samples]),
            units,
            raw,
            values,
            uncertainties,
            flags,
            reasons,
        )
        changes = self._alarms.bus(taken.bus, taken.down, now=now, utc_ms=utc_ms)
        changes += self._alarms.scan(scan)
        for change in changes:
            self._change(change)
        if scan.probes and (changes or self._keeping.wants(scan)):
            self._keeping.kept(scan)
            self._pending.scans.append(scan)
        self._attending.seen(scan)
        for name, told in self._buttons.look(scan):
            self._of_a_button(name, told, scan)
        for news in self._comings.look(taken, all_well=flags.count(Flag.PASS) == len(flags)):
            self._event(*news)
        self._seen(taken)

    def _outlet(self, outlet: str, away: str | None) -> None:
        if self._outlets.why_away(outlet) != away:
            self._event(OUTLET, outlet, away or WELL)
        self._show_outlets(self._outlets.away(outlet, away))

    def _show_outlets(self, shown: Iterable[Shown]) -> None:
        at, utc_ms = self._boottime(), self._clock.utc_ms()
        for subject, away in shown:
            for change in self._alarms.outlet(subject, away, now=at, utc_ms=utc_ms):
                self._change(change)

    def _ask_inbox(self) -> None:
        self._asked += self._inbox.waiting()
        for says in self._inbox.news():
            self._event("inbox", "inbox", says)
        try:
            while self._asked:
                if self._take_request(self._asked[0]):
                    self._answered.append(self._asked[0])
                del self._asked[0]
        except StoreError as error:
            # The same disk as the scans: its refusals are told with theirs, and the request waits.
            _log.debug("%s", error)
            if damaged(error):
                self._suspect()

    def _take_request(self, request: Request) -> bool:
        """Answer a request, unless it is already; false if its answer is to come later."""
        if self._writer.handled(request):
            return True
        if request.kind == RELOAD and self._reloading is not None:
            _log.info("asked by %s: %s", request.by, request.kind)
            self._reloading.ask(request)
            return False
        outcome = self._answer(request)
        self._pending.requests.append((request, self._clock.utc_ms(), outcome))
        _log.info("asked by %s: %s %s: %s", request.by, request.kind, request.subject, outcome)
        return True

    def _has_another(self) -> bool:
        """Whether a changed rig file is ready, and nothing here keeps it from being taken up."""
        if self._reloading is None or self._reloading.ready is None:
            return False
        if (why := self.why_not_now()) is None:
            return True
        self._reloading.refuse(why)
        return False

    def _tell_reloads(self) -> None:
        """Answer those who asked for a changed rig file, as far as it is known."""
        if self._reloading is None:
            return
        for request, outcome in self._reloading.answers():
            self._pending.requests.append((request, self._clock.utc_ms(), outcome))
            self._answered.append(request)
        for says in self._reloading.news():
            self._event(_RIG_FILE, _RIG_FILE, says)

    def _answer(self, request: Request) -> str:
        try:
            if request.kind == CLOSER:
                return self._come_closer(closer_of(request))
            if request.kind == GUIDE:
                self._attending.guide(self._boottime(), lag=lag_of_guide(request))
                return "guided"
            # One that waited, as while nobody measured, is from somebody who may have gone home.
            waited = self._clock.utc_ms() - request.asked_utc_ms
            if request.kind == FILL and abs(waited) > 1000 * FILL_HOLDS:
                return "refused: it was asked too long ago"
            if request.kind == FILL:
                return self._attending.fill(
                    fill_of(request),
                    self._alarms.watches_standing(),
                    by=request.by,
                    now=self._boottime(),
                )
            if request.kind == STOP:
                return self._attending.stop(request.subject, by=request.by, now=self._boottime())
            if request.kind == PROOF:
                self._pending.proof.append((request, entry_of(request)))
                return "kept"
            if request.kind == ENTRY:
                self._servicing.refuse(written_in(request), now=self._boottime())
                entry, outcome = self._logbook.keep(request)
                self._write(entry)
                return outcome
        except RequestError as error:
            if request.kind == ENTRY:  # whoever wrote may be gone: the words stay with the request
                self._event("logbook", request.subject, f"not kept, by {request.by}: {error}")
            return f"refused: {error}"
        if (request.kind, request.subject) == (requests.ACKNOWLEDGE, TRIAL):
            return self._answer_trial(request.by)
        at = At(self._boottime(), self._clock.utc_ms())
        answered = alarmasking.answer(self._alarms.lives, request, at)
        if answered is None:
            return f"refused: this version knows no request {request.kind!r}"
        for change in answered.changes:
            self._change(change)
        return answered.outcome

    def _answer_trial(self, by: str) -> str:
        says = self._trial.answer(by)
        if says is None:
            return "refused: no trial waits for an answer"
        self._event(TRIAL, ANSWERED, says)
        return "acknowledged"

    def _come_closer(self, wanted: Closer) -> str:
        if unknown := sorted(set(wanted.probes) - self._probes):
            return f"refused: there is no probe {unknown[0]!r} on this rig"
        self._keeping.closer(wanted.probes, until=self._boottime() + wanted.seconds)
        self._closer(wanted)
        return f"polled every {wanted.every:g} s for {wanted.seconds:g} s"

    def _write(self, entry: LogbookEntry) -> None:
        self._pending.logbook.append(entry)
        self._servicing.kept(entry)
        self._serve()

    def _attend(self, *, stopping: bool) -> None:
        """Let what answers back at the rig go on; a stop shuts whatever is open."""
        if not self._answers_back:
            return
        now = self._boottime()
        if stopping:
            self._attending.shut("longsoak stops", now=now)
        self._attending.turn(
            self._alarms.watches_standing(),
            alarmed=self._alarms.is_unanswered(Priority.HIGH),
            now=now,
        )

    def _of_a_valve(self, valve: str, says: str) -> None:
        self._event("valve", valve, says)
        utc_ms = self._clock.utc_ms()
        words = f"{valve}: {says}."
        note = LogbookEntry(asked_utc_ms=utc_ms, at_utc_ms=utc_ms, by="rig", says=words)
        self._write(self._logbook.own(note))

    def _of_a_button(self, name: str, told: Told, scan: Scan) -> None:
        if told is Told.PRESSED:
            asked = self._servicing.pressed(utc_ms=scan.utc_ms, now=scan.boottime_ms / 1000)
            self._write(self._logbook.own(asked))
        else:
            self._event("button", name, WORDS[told])

    def _serve(self) -> None:
        """Tell the alarms where a service window has opened or ended."""
        at = At(self._boottime(), self._clock.utc_ms())
        if (is_open := self._servicing.open_at(at.now) is not None) == self._in_service:
            return
        self._in_service = is_open
        for change in self._alarms.lives.serve(is_open, at):
            self._change(change)

    def _change(self, change: AlarmChange) -> None:
        self._pending.changes.append(change)
        _log.info("alarm %s: %s (%s)", change.key, change.new.value, change.says)

    def _event(self, kind: str, subject: str, says: str) -> None:
        if kind in _MAY_FLAP:
            now, told = self._boottime(), self._told[kind, subject]
            if len(told) == MOST_TOLD and now - told[0] < TOLD_WITHIN:
                return
            told.append(now)
            if len(told) == MOST_TOLD and now - told[0] < TOLD_WITHIN:
                says += " (told often enough: what follows within minutes is left out)"
        at = self._clock.boottime_ms()
        self._pending.events.append(Event(self._clock.utc_ms(), kind, subject, says, at))
        _log.info("%s %s: %s", kind, subject, says)

    def _commit(self) -> None:
        kept = True
        if self._pending or self._commits:
            batch, self._pending = self._pending, Batch()
            if kept := self._commits.commit(batch):
                self._inbox.drop(self._answered)
                self._answered = []
        # A refusal is told, and what waits is kept in memory: a start anew would lose it.
        if kept or self._commits.refusal is not None:
            self._came_round(Part.COMMIT)

    def _do_chores(self, now: float) -> None:
        if self._commits.damage is not None:
            return
        try:
            events = self._chores.bite(now=now, utc_ms=self._clock.utc_ms())
        except DamageError as error:
            self._commits.go_over(str(error))
        except StoreError as error:  # it tells of damage where no scan is kept any more
            if str(error) != self._doubt:  # the chore is tried again each minute
                self._event("damage", "record", f"{error}; the record is looked over")
            self._doubt = str(error)
            self._suspect()
        else:
            for event in events:
                self._event(event.kind, event.subject, event.says)

    def _begun_anew(self, aside: SetAside) -> None:
        self._pending.cursors.clear()  # positions in the record before
        self._logbook.begin_again([*self._commits.entries, *self._pending.logbook])
        self._doubt = None
        self._stale = self._messages.qsize()
        self._tell_aside(aside)
        self._chores = Chores(self._make_chores())
        self._trial.begin_again()
        self._another()

    def _tell_aside(self, aside: SetAside) -> None:
        self._happened(Watch.DAMAGED, aside.says)

    def _happened(self, watch: Watch, says: str) -> None:
        at, utc_ms = self._boottime(), self._clock.utc_ms()
        for change in self._alarms.happened(watch, says, now=at, utc_ms=utc_ms):
            self._change(change)

    def _boottime(self) -> float:
        return self._clock.boottime_ms() / 1000
