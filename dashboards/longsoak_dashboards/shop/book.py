"""What rigs have told a broker, the last of each. Pure but for a lock: times come as arguments."""

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import Enum
from math import isfinite
from types import MappingProxyType
from typing import NamedTuple
from urllib.parse import urlsplit

import orjson

from longsoak.core.watching import APART, Told, told_of
from longsoak.vocabulary.alarm import AlarmState, Priority
from longsoak.vocabulary.outlet import Recording

MOST_RIGS = 1000
MOST_ALARMS = 100  # of a rig that are kept by name; the rest is counted
LARGEST = 65_536  # bytes of a message
LONGEST = 200  # letters of a name
LONGEST_PAGE = 500
HIGHEST = 1e10  # s, or days: what a state may say at most
TWO_LAST = 300.0  # s; two rigs under one prefix are told for as long after they took turns
REMEMBERED = 600.0  # s, of who published before
FORMER = 4  # of those that published under a prefix before
STRANGE = 100  # topics that look like a rig's and are none
AGAIN = 600.0  # s until alarms that do not add up are asked for anew
STATE, ALARMS = "/state", "/alarms/"


class Identity(NamedTuple):
    """Who publishes: a rig's name, and the boot of the computer it is recorded on."""

    rig: str
    boot: str


@dataclass(frozen=True, slots=True)
class Alarm:
    """One that stands and nobody hid. `new` is whether nobody has acknowledged it."""

    title: str
    priority: Priority
    new: bool
    at_ms: int | None


@dataclass(frozen=True, slots=True)
class Moment:
    """When something was said: by the clock of whoever said it, and by ours if we heard it said.

    `heard` is None for what the broker had kept: only `written_ms`, UTC, tells its age then.
    """

    written_ms: int
    heard: float | None

    def since(self, *, now_ms: int, running: float) -> float:
        """How long ago, s; below 0 where it is dated ahead of our clock."""
        if self.heard is not None:
            return running - self.heard
        return (now_ms - self.written_ms) / 1000


@dataclass(frozen=True, slots=True)
class Days:
    """Days until the pump would run dry, with their range; `high` is None where it has no end."""

    days: float
    low: float
    high: float | None


@dataclass(frozen=True, slots=True)
class Rig:
    """What is known of the rig under one prefix.

    Parameters
    ----------
    told : Told
        The last it said; of one that was cut off, what its last will says.
    at : Moment
        When that was. Of a last will that the broker had kept nobody knows it: None.
    age, aged : float or None, Moment or None
        How old its newest reading was, s, and when that was said; None where it never was.
    counted : mapping
        How many alarms stand by priority, as it said last.
    alarms : mapping
        Those that stand, by key.
    alarms_newer : bool
        Whether an alarm changed after it had counted them.
    asked : float or None
        When its alarms were asked for.
    identity, former
        Who publishes, and who did before, with when that was heard last.
    two : float or None
        When somebody published again after another one had: two take turns.
    others : tuple of str
        Other rigs' names in alarms under this prefix.
    apart : float or None
        How far its clock is ahead of ours, s, where that is too far.
    """

    prefix: str
    told: Told
    at: Moment | None
    identity: Identity
    page: str | None = None
    invented: bool = False
    since_ms: int | None = None
    days: Days | None = None
    age: float | None = None
    aged: Moment | None = None
    counted: Mapping[Priority, int] = field(default_factory=lambda: MappingProxyType({}))
    alarms: Mapping[str, Alarm] = field(default_factory=lambda: MappingProxyType({}))
    alarms_newer: bool = False
    asked: float | None = None
    former: Mapping[Identity, float] = field(default_factory=lambda: MappingProxyType({}))
    two: float | None = None
    others: tuple[str, ...] = ()
    apart: float | None = None

    def left_out(self) -> dict[Priority, int]:
        """How many alarms it counted that are not known by name."""
        if self.alarms_newer:
            return {}
        known = [alarm.priority for alarm in self.alarms.values()]
        more = {p: number - known.count(p) for p, number in self.counted.items()}
        return {priority: number for priority, number in more.items() if number > 0}


class News(Enum):
    """What a message changes: nothing, only how old things are, or what is to be seen."""

    NOTHING = 0
    AGES = 1
    SEEN = 2


class Heard(NamedTuple):
    """What a message changed, and the prefix whose alarms are to be asked for now."""

    news: News
    ask: str | None = None


_NOTHING = Heard(News.NOTHING)


@dataclass(frozen=True, slots=True)
class Shop:
    """All rigs, and what is no rig's: `left_out` beyond `MOST_RIGS`, `strange` topics."""

    rigs: tuple[Rig, ...]
    left_out: int
    strange: int


class Book:
    """Keeps the last that each rig told. Safe from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._rigs: dict[str, Rig] = {}
        self._left_out: set[str] = set()
        self._strange: set[str] = set()

    def shop(self) -> Shop:
        """What is known now."""
        with self._lock:
            return Shop(tuple(self._rigs.values()), len(self._left_out), len(self._strange))

    def prefixes(self) -> list[str]:
        """All prefixes that a rig is known under."""
        with self._lock:
            return list(self._rigs)

    def hear(self, topic: str, payload: bytes, *, kept: bool, now_ms: int, running: float) -> Heard:
        """Take a message in.

        Parameters
        ----------
        topic, payload
            The message. An empty one takes away what was kept.
        kept : bool
            Whether the broker had kept it.
        now_ms : int
            UTC, ms since 1970.
        running : float
            A clock that only runs on, s.
        """
        with self._lock:
            if topic.endswith(STATE):
                prefix = topic.removesuffix(STATE)
                return self._state(prefix, payload, kept=kept, now_ms=now_ms, running=running)
            prefix, found, key = topic.rpartition(ALARMS)
            if found and prefix in self._rigs:
                return self._alarm(prefix, key, payload)
        return _NOTHING

    def _state(
        self, prefix: str, payload: bytes, *, kept: bool, now_ms: int, running: float
    ) -> Heard:
        if not payload:
            self._strange.discard(prefix)
            self._left_out.discard(prefix)
            return _NOTHING if self._rigs.pop(prefix, None) is None else Heard(News.SEEN)
        try:
            document = _document(payload)
            said = _said(prefix, document, Moment(0, None if kept else running))
        except (ValueError, OverflowError):
            if len(self._strange) < STRANGE:
                self._strange.add(prefix)
            return _NOTHING
        self._strange.discard(prefix)
        before = self._rigs.get(prefix)
        if before is None:
            if len(self._rigs) >= MOST_RIGS:
                if len(self._left_out) < MOST_RIGS:
                    self._left_out.add(prefix)
                return Heard(News.SEEN)
            self._rigs[prefix] = replace(_judged(said, now_ms=now_ms), asked=running)
            return Heard(News.SEEN, prefix)
        if kept and said.told == before.told and before.at is not None:
            return _NOTHING  # a broker tells what it keeps with each connection
        after = _judged(_after(before, said, running=running), now_ms=now_ms)
        ask = None
        if _sum(after) != len(after.alarms) and running - (after.asked or 0.0) >= AGAIN:
            after, ask = replace(after, asked=running), prefix
        self._rigs[prefix] = after
        return Heard(News.AGES if _looks(before) == _looks(after) else News.SEEN, ask)

    def _alarm(self, prefix: str, key: str, payload: bytes) -> Heard:
        rig = self._rigs[prefix]
        try:
            alarm, whose = _alarm(payload) if payload else (None, rig.told.rig)
        except (ValueError, OverflowError):
            return _NOTHING
        if whose != rig.told.rig:
            if alarm is None or whose in rig.others or len(rig.others) >= FORMER:
                return _NOTHING
            self._rigs[prefix] = replace(rig, others=(*rig.others, whose))
            return Heard(News.SEEN)
        alarms = {name: kept for name, kept in rig.alarms.items() if name != key}
        if alarm is not None and len(alarms) < MOST_ALARMS:
            alarms[key] = alarm
        if alarms == rig.alarms:
            return _NOTHING
        self._rigs[prefix] = replace(rig, alarms=MappingProxyType(alarms), alarms_newer=True)
        return Heard(News.SEEN)


def _document(payload: bytes) -> Mapping[str, object]:
    if len(payload) > LARGEST:
        raise ValueError("it is too long")
    found = orjson.loads(payload)
    if not isinstance(found, dict):
        raise ValueError("it is no JSON object")
    return found


def _said(prefix: str, document: Mapping[str, object], at: Moment) -> Rig:
    """A state by itself."""
    told = told_of(document, fresh=at.heard is not None)
    for number in (told.age, told.fine, told.again):
        if number is not None and not 0 <= number <= HIGHEST:
            raise ValueError(f"{number} is no time")
    told = told._replace(rig=told.rig[:LONGEST], scan=(None, None), fresh=False)
    moment = Moment(told.written_ms, at.heard)
    cut_off = told.state is Recording.CUT_OFF
    days = document.get("pump_dry_days")
    return Rig(
        prefix=prefix,
        told=told,
        at=None if cut_off and at.heard is None else moment,
        identity=Identity(told.rig, str(document.get("boot"))[:LONGEST]),
        page=_page(document.get("page")),
        invented=document.get("invented") is True,
        since_ms=_ms(document.get("since")),
        days=_days(days) if isinstance(days, dict) else None,
        age=told.age,
        aged=None if told.age is None else moment,
        counted=MappingProxyType(_counts(document.get("standing"))),
    )


def _after(before: Rig, said: Rig, *, running: float) -> Rig:
    """What is known once a rig has said something after what it said before."""
    former = {one: at for one, at in before.former.items() if running - at <= REMEMBERED}
    two = before.two
    if two is not None and running - two > TWO_LAST:
        two = None
    lives = said.told.state in (Recording.ON, Recording.NOTHING_NEW)
    if said.told.state is Recording.STOPPED:
        former = {}
    elif lives and said.identity != before.identity:
        former[before.identity] = running
        if said.identity in former:
            two = running
        while len(former) > FORMER:
            former.pop(min(former, key=lambda one: former[one]))
    after = replace(
        said,
        # A last will was written before all that: who publishes now is not who wrote it.
        identity=said.identity if lives else before.identity,
        alarms=before.alarms,
        asked=before.asked,
        former=MappingProxyType(former),
        two=two,
        others=tuple(name for name in before.others if name != said.told.rig),
        page=said.page if said.page is not None or lives else before.page,
    )
    if said.age is None and not lives:  # it knows nothing; what was known before is the last
        after = replace(after, age=before.age, aged=before.aged)
    if said.told.state is Recording.CUT_OFF:
        after = replace(after, days=before.days, counted=before.counted)
        after = replace(after, alarms_newer=before.alarms_newer, apart=before.apart)
    return after


def _judged(rig: Rig, *, now_ms: int) -> Rig:
    """Hold its clock against ours, where it was heard speaking and says the time."""
    if rig.at is None or rig.at.heard is None or rig.told.state is Recording.CUT_OFF:
        return rig
    apart = (rig.at.written_ms - now_ms) / 1000
    return replace(rig, apart=apart if abs(apart) > APART else None)


def _looks(rig: Rig) -> object:
    """What of a rig is to be seen, but for ages."""
    days = None if rig.days is None else round(rig.days.days, 1)
    return (
        *(rig.told.rig, rig.told.state, rig.page, rig.invented, days, rig.others),
        *(rig.left_out(), rig.two is None, rig.age is None, rig.apart is None),
        rig.former.keys() if rig.two is not None else None,
    )


def _sum(rig: Rig) -> int:
    return sum(rig.counted.values())


def _alarm(payload: bytes) -> tuple[Alarm | None, str]:
    """An alarm that stands, None for one that does not or is hidden; and the rig it is of."""
    document = _document(payload)
    whose = str(document.get("rig"))[:LONGEST]
    if document.get("standing") is not True or document.get("hiding") is not None:
        return None, whose
    said = document.get("priority")
    alarm = Alarm(
        title=str(document.get("title"))[:LONGEST],
        # None once the rig file has the alarm no longer.
        priority=Priority.LOW if said is None else Priority(str(said)),
        new=document.get("state") == AlarmState.NEW,
        at_ms=_ms(document.get("at")) if document.get("at_known") is True else None,
    )
    return alarm, whose


def _counts(said: object) -> dict[Priority, int]:
    if not isinstance(said, dict):
        return {}
    return {
        priority: number
        for priority in Priority
        if isinstance(number := said.get(priority.value), int) and 0 < number <= HIGHEST
    }


def _days(said: Mapping[str, object]) -> Days | None:
    days, low, high = (_number(said.get(name)) for name in ("days", "low", "high"))
    return None if days is None or low is None else Days(days, low, high)


def _number(said: object) -> float | None:
    if isinstance(said, bool) or not isinstance(said, int | float):
        return None
    return float(said) if isfinite(said) and 0 <= said <= HIGHEST else None


def _ms(said: object) -> int | None:
    try:
        when = datetime.fromisoformat(str(said))
    except ValueError:
        return None
    return None if when.tzinfo is None else round(when.timestamp() * 1000)


def _page(said: object) -> str | None:
    """An address that may be made a link: whoever publishes could say any."""
    if not isinstance(said, str) or not said.startswith(("http://", "https://")):
        return None
    try:
        leads = bool(urlsplit(said).hostname)
    except ValueError:  # a bracket that isn't closed
        return None
    return said if leads and len(said) <= LONGEST_PAGE and said.isprintable() else None
