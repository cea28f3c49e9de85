"""The chore that judges what was recorded, behind the measuring."""

import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from longsoak.core.handflags import flags_of, not_judged, settled_by
from longsoak.core.quality.faults import Readings
from longsoak.core.quality.health import ClosedDay, News, RigHealth
from longsoak.core.quality.limits import DAY_MS
from longsoak.core.quality.watched import Memory
from longsoak.core.quality.written import read_again, written
from longsoak.store.health import HealthMemory, HealthNews, HealthRecord
from longsoak.store.known import Kept
from longsoak.store.logbook import Logbook
from longsoak.store.overlay import asides_of
from longsoak.store.scans import Scans
from longsoak.store.timeline import settled_to, stretches
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.health import Fault, Finding, Suspicion
from longsoak.vocabulary.rig import Kind, Rig

LOOKS_EVERY = 60.0  # s
_BITE = 64  # scans
_SAVES_EVERY = 3600.0  # s, where there is nothing to tell: judging goes over an hour again
_SAVES_AFTER = 4096  # scans
_ALARMS = {Fault.STUCK: Watch.STUCK, Fault.DRIFT: Watch.DRIFTING}
_ALARMS_OF_PINS = {**_ALARMS, Fault.SHORT: Watch.SHORT, Fault.SOAKS: Watch.INSULATION}
_NO_ALARM = (Fault.OPEN, Fault.CONDENSATION)


class HealthKeeping(HealthRecord):
    """Judges each scan once its time is settled, and keeps what is told of it.

    Parameters
    ----------
    folder : Path
        The record's.
    writer : RecordWriter
        The record, open for writing.
    rig : Rig
        Whose probes are judged.
    """

    name = "judging readings"

    def __init__(self, folder: Path, writer: RecordWriter, rig: Rig) -> None:
        super().__init__(folder)
        self._writer = writer
        self._rig = rig
        self._probes = tuple(probe.name for probe in rig.probes)
        self._pins = {probe.name for probe in rig.probes if probe.kind is Kind.PINS}
        self._kept = Kept()
        self._health: RigHealth | None = None
        self._judged_to = 0  # the last scan
        self._saved_to = 0
        self._saved_at = 0.0  # monotonic, s
        self._closed_to: int | None = None  # the day up to which all were closed
        self._standing: dict[tuple[str, Fault], Finding] = {}
        self._logbook = Logbook(folder)
        self._entries: int | None = None  # of the logbook when its flags were read
        self._by_hand: dict[str, list[HandFlag]] = {}
        self._left: list[str] = []  # probes whose readings of sealed scans are yet to be judged
        self._news: list[News] = []

    def begin_again(self) -> "HealthKeeping":
        """Go by the record alone, which may be another one; itself, for the list of chores."""
        self._health = None
        return self

    def doubts(self) -> dict[tuple[Watch, str], str] | None:
        """What is wrong with probes that can't be believed, by alarm; None while it is not known.

        But for open wires: a probe that gives no value has an alarm for that. But for
        condensation, which is no sensor's fault; and for what somebody set aside in the logbook.
        """
        if self._health is None:
            return None
        return {
            (self._alarm_of(probe, fault), probe): finding.says
            for (probe, fault), finding in self._standing.items()
            if fault not in _NO_ALARM and not settled_by(finding, self._by_hand.get(probe, ()))
        }

    def _alarm_of(self, probe: str, fault: Fault) -> Watch:
        """The alarm that a fault is told by."""
        alarms = _ALARMS_OF_PINS if probe in self._pins else _ALARMS
        return alarms.get(fault, Watch.DOUBT)

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        """Judge one bite. See `longsoak.service.chores.Chore`."""
        if self._health is None:
            self._take_up(now, utc_ms)
            return 0.0, ()
        try:
            self._read_flags(self._health)
            upto_ms = self._judge(self._health)
            if upto_ms is None:
                self._kept.let_go()
                return LOOKS_EVERY, ()
            if self._left:
                return 0.0, ()
            if upto_ms // DAY_MS != self._closed_to:  # a day is over
                self._closed_to = upto_ms // DAY_MS
                asides = asides_of(self.folder, self._rig, now_ms=upto_ms)
                self._health.set_aside = {
                    probe: [(each.from_ms, each.until_ms) for each in asides if each.probe == probe]
                    for probe in {each.probe for each in asides}
                }
            found, days = self._health.close_days(upto_ms)
            news, self._news = [*self._news, *found], []
            self._save(news, days, now=now)
        except Exception:
            self._health = None  # it is ahead of the record
            raise
        told = [each for each in news if isinstance(each, Finding)]
        for finding in told:
            self._note(finding)
        return 0.0, [Event(utc_ms, "health", finding.probe, finding.says) for finding in told]

    def _read_flags(self, health: RigHealth) -> None:
        """What was flagged by hand, where anything was written since."""
        if (last := self._logbook.last()) == self._entries:
            return
        flags = self._logbook.flags()
        self._by_hand = {probe.name: flags_of(flags, probe) for probe in self._rig.probes}
        health.not_judged = not_judged(flags, self._rig.probes)
        self._entries = last

    def _take_up(self, now: float, utc_ms: int) -> None:
        self._kept = Kept()
        left = self.memory() or HealthMemory(0, None, b"")
        health = RigHealth(self._rig, _memories(left.memory), began=left.began)
        self._judged_to = self._saved_to = left.scan
        self._saved_at = now
        self._left, self._standing = [], {}
        self._entries = self._closed_to = None
        memories = health.memories
        self._news = []
        for finding in self.standing():
            self._note(finding)
            kept = memories.get(finding.probe)
            if kept is None or finding.fault not in kept.standing:
                # It was removed, moved or replaced since, or an older version judged it.
                says = f"{finding.probe}: judged anew from here on"
                self._news.append(replace(finding, found_ms=utc_ms, says=says, over=True))
        self._health = health

    def _note(self, finding: Finding) -> None:
        if finding.over:
            self._standing.pop((finding.probe, finding.fault), None)
        else:
            self._standing[finding.probe, finding.fault] = finding

    def _save(self, news: Sequence[News], days: list[ClosedDay], *, now: float) -> None:
        late = now - self._saved_at >= _SAVES_EVERY
        many = self._judged_to - self._saved_to >= _SAVES_AFTER
        first = not self._saved_to  # readers are told that judging has begun
        if self._health is None or not (news or days or first or late or many):
            return
        packed = zlib.compress(written(self._health.memories).encode())
        kept = HealthNews(
            HealthMemory(self._judged_to, self._health.began, packed),
            [each for each in news if isinstance(each, Finding)],
            [each for each in news if isinstance(each, Suspicion)],
            days,
        )
        self._writer.keep_health(kept)
        self._saved_to, self._saved_at = self._judged_to, now

    def _judge(self, health: RigHealth) -> int | None:
        """Take in what comes next: some scans, or of sealed ones one probe's readings.

        Returns
        -------
        int or None
            The time up to which all readings are taken in once nobody is left, UTC ms; None where
            no scans have come that are settled.
        """
        with self._open() as db, _told():
            scans = Scans(db, self._kept)
            first = max(self._judged_to + 1, scans.bottom)
            last = min(first + _BITE - 1, settled_to(db, scans))
            if first > last:
                return None
            probes: Sequence[str] = self._probes
            if first <= scans.sealed_to:
                last = scans.chunk_of(first).last
                self._left = self._left or list(self._probes)
                probes = [self._left.pop()]
            upto_ms = 0
            for span in stretches(db, scans):
                low, high = max(first, span.first), min(last, span.last)
                if low > high:
                    continue
                for piece in scans.pieces(probes, low, high, raw=True):
                    times, column = piece.utc_ms, piece.column
                    if span.shift_ms:
                        times = [ms + span.shift_ms for ms in times]
                    self._news += health.take(
                        piece.probe,
                        Readings(times, column.raw, column.values, column.flags, column.reasons),
                    )
                upto_ms = scans.utc_ms(high) + span.shift_ms
            if not self._left:
                self._judged_to = last
            return upto_ms


def _memories(packed: bytes) -> dict[str, Memory]:
    """What was remembered; nothing if this version can't read it."""
    try:
        return read_again(zlib.decompress(packed).decode())
    except (ValueError, TypeError, LookupError, AttributeError, zlib.error):
        return {}


@contextmanager
def _told() -> Iterator[None]:
    """Tell what is wrong with the record."""
    try:
        yield
    except (zlib.error, ValueError, LookupError, TypeError) as error:
        raise StoreError(
            f"readings could not be judged: the record is not as it was kept ({error})"
        ) from error
