"""What was found of a simulated time, held against what truly happened."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import NamedTuple

from faults.waterdriven import START_MS
from faults.waterworld.happenings import Happening, Kind
from faults.waterworld.sensors import FLOAT, LEVEL
from faults.waterworld.specimen import REACH, SITES
from faults.waterworld.weather import DAY, HOUR
from longsoak.store.reader import Record
from longsoak.store.water import WaterRecord
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.water import Found as Water

MINUTE, QUARTER = 60.0, 900.0
MONTH = 30.4 * DAY
GAP = "gap"  # time without readings, as the record tells it
# What the water's books tell beside alarms.
IN_THE_BOOKS = (Water.TOP_UP, Water.SIPHON, Water.STUCK, Water.RISES, Water.JUMPS)
FALSE_A_MONTH = 1.0
EARLY = 90.0  # s: a probe reads a little high, and it is looked at once a minute


class Found(NamedTuple):
    """Something that was told: by which watch, of what, from and until when, in words.

    Times are s since the start; `over` is None of what never ended.
    """

    watch: str
    subject: str
    at: float
    says: str
    over: float | None = None


@dataclass(frozen=True, slots=True)
class Sign:
    """How something that happened is told.

    Any of `tells` finds it, if it comes within `late` s of when it could be known, or before it is
    over for `whole` happenings. `explains` are watches that it may raise beside, up to `lingers` s
    after it is over. With `own` set, only of its own subject and of those in `beside`. `wets` are
    pins that it leaves wet for weeks: whoever says that they are wetter than their neighbours is
    right. What is found later may be said to have begun up to `early` s before it did.
    """

    tells: tuple[str, ...]
    late: float
    whole: bool = False
    explains: tuple[str, ...] = ()
    lingers: float = HOUR
    own: bool = False
    beside: tuple[str, ...] = ()
    wets: tuple[str, ...] = ()
    early: float = EARLY


_HIGH = (Watch.OVERFILL, Watch.NEAR, Watch.CONTACT)
_OFF = (Watch.DOUBT, Watch.STUCK, Watch.DRIFTING, Watch.LEVEL_DOUBT)
_WET = (*_OFF, Watch.SHORT, Watch.INSULATION)
_LOWEST = tuple(site.name for site in SITES if site.height <= REACH)
WETS_FOR = 45 * DAY
# The one table of names: what has to tell of what, and what else it may bring about.
SIGNS: dict[Kind, Sign] = {
    Kind.OVERFILL: Sign(_HIGH, 5 * MINUTE, explains=(Watch.DISAGREE,)),
    Kind.CONTACT: Sign(
        (Watch.CONTACT,), 5 * MINUTE, explains=(*_HIGH, Watch.DISAGREE), wets=_LOWEST
    ),
    Kind.DRY: Sign((Watch.DRY,), 10 * MINUTE, explains=(Watch.LOW, Watch.PUMP_STOPPED)),
    Kind.LOW: Sign((Watch.LOW, Watch.DRY), HOUR),
    Kind.LEAK: Sign((Watch.LEAK,), 0.0, whole=True, explains=(Watch.LOW,), lingers=DAY),
    Kind.SIPHON: Sign(
        (Watch.LEAK, Water.SIPHON),
        2 * HOUR,
        whole=True,
        explains=(Watch.LOW,),
        lingers=DAY,
        early=HOUR,
    ),
    Kind.HOT: Sign((Watch.HOT,), 2 * HOUR, lingers=3 * HOUR),
    Kind.COLD: Sign((Watch.COLD,), 2 * HOUR, lingers=3 * HOUR),
    Kind.HUMID: Sign((Watch.HUMID,), 2 * HOUR, lingers=3 * HOUR),
    Kind.PUMP_STOP: Sign((Watch.PUMP_STOPPED,), 5 * MINUTE),
    # A rest may be half an hour long, and only after it is the top-up known to be over.
    Kind.TOP_UP: Sign((Water.TOP_UP,), 2 * HOUR, whole=True, early=QUARTER),
    Kind.POWER_CUT: Sign((GAP,), 5 * MINUTE, explains=(Watch.PUMP_STOPPED, Watch.CLOCK)),
    Kind.LEVEL_STUCK: Sign(
        (*_OFF, Watch.DISAGREE, Water.STUCK),
        0.0,
        whole=True,
        early=12 * HOUR,
        explains=(Water.TOP_UP, Watch.LEAK, Watch.LEVEL_UNKNOWN),
        own=True,
        beside=(FLOAT,),
    ),
    Kind.LEVEL_SPIKES: Sign(
        (*_OFF, Watch.LEVEL_UNKNOWN),
        0.0,
        whole=True,
        explains=(
            *_HIGH,
            Watch.LOW,
            Watch.DRY,
            Watch.LEAK,
            Water.RISES,
            Water.JUMPS,
            Watch.DISAGREE,
        ),
        own=True,
        beside=(FLOAT,),
    ),
    # May be told, and harms little; whoever puts it right makes the level leap.
    Kind.LEVEL_WARMS: Sign(
        _OFF, 0.0, whole=True, explains=(Water.TOP_UP, Watch.LEAK, Water.RISES), own=True
    ),
    Kind.FLOAT_DOWN: Sign((Watch.DISAGREE,), 0.0, whole=True, own=True),
    Kind.FLOAT_UP: Sign((Watch.DISAGREE,), 30 * MINUTE, explains=(Watch.OVERFILL, *_OFF), own=True),
    Kind.HUMIDITY_DRIFTS: Sign(_OFF, 0.0, whole=True, lingers=30 * DAY, own=True),
    Kind.PINS_OPEN: Sign((Watch.OPEN,), 2 * HOUR, explains=_WET, own=True),
    Kind.SILENT: Sign((Watch.SILENT, Watch.LEVEL_UNKNOWN), 2 * HOUR, own=True),
    Kind.FLOW_CLOGGED: Sign(
        (Watch.PUMP_STOPPED, *_OFF), 0.0, whole=True, explains=(Watch.DISAGREE,), own=True
    ),
}


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of one simulated time.

    `delays` are s from when each demanded happening could be known to when it was told, by kind;
    `missed` those that never were; `false` what was told and did not happen; `days` how long;
    `unwritten` how many entries of the logbook are not in the record.
    """

    rig: str
    days: float
    delays: dict[Kind, list[float]]
    missed: list[Happening]
    false: list[Found]
    unwritten: int = 0

    @property
    def lost(self) -> int:
        """Everything missed or not kept, and false alarms beyond what is allowed."""
        allowed = max(1, round(FALSE_A_MONTH * self.days * DAY / MONTH))
        return len(self.missed) + self.unwritten + max(0, len(self.false) - allowed)

    def wrongs(self) -> Iterator[str]:
        """Each miss and each false alarm, in words."""
        for each in self.missed:
            what = f"{each.kind} {each.subject}".strip()
            yield f"{self.rig}: {what} on day {each.begins / DAY:.2f} was never told"
        if self.unwritten:
            yield f"{self.rig}: entries of the logbook that are not there: {self.unwritten}"
        for told in self.false:
            yield f"{self.rig}: day {told.at / DAY:.2f}, {told.watch}, {told.subject}: {told.says}"


def judge(rig: str, days: float, happened: Sequence[Happening], told: Sequence[Found]) -> Verdict:
    """Compare what was told with what happened."""
    delays: dict[Kind, list[float]] = {}
    missed = []
    cuts = [each for each in happened if each.kind is Kind.POWER_CUT]
    for each in happened:
        if not each.demanded or each.kind not in SIGNS:
            continue
        seen_from = [cut.ends for cut in cuts if cut.begins <= each.begins < cut.ends < each.ends]
        each = replace(each, known_from=max([each.known_from, *seen_from]))
        first = min((f.at for f in told if _tells(f, each)), default=None)
        if first is None:
            missed.append(each)
        else:
            delays.setdefault(each.kind, []).append(first - each.known_from)
    false = [f for f in told if f.watch != GAP and not any(_explains(each, f) for each in happened)]
    return Verdict(rig, days, delays, missed, false)


def _tells(found: Found, happening: Happening) -> bool:
    sign = SIGNS[happening.kind]
    until = happening.known_from + sign.late
    if sign.whole:
        until = max(until, happening.ends + sign.late)
    return (
        found.watch in sign.tells
        and found.at <= until
        and (found.over is None or found.over >= happening.nearly_from - sign.early)
        and _about(happening, found)
    )


def _explains(happening: Happening, found: Found) -> bool:
    sign = SIGNS.get(happening.kind)
    if sign is None:
        return False
    if found.watch in _WET and found.subject in sign.wets:
        return happening.begins <= found.at <= happening.ends + WETS_FOR
    # What the books tell of a gap may have been at any time in it.
    last = found.at if found.watch not in IN_THE_BOOKS or found.over is None else found.over
    return (
        found.watch in (*sign.tells, *sign.explains)
        and happening.nearly_from - sign.early <= last
        and found.at <= happening.ends + sign.lingers
        and _about(happening, found)
    )


def _about(happening: Happening, found: Found) -> bool:
    sign = SIGNS[happening.kind]
    return not sign.own or found.subject in (happening.subject, *sign.beside)


def told_in(folder: Path) -> list[Found]:
    """Every alarm that was told, once each time it stood, every gap, and what the books say.

    An alarm lies where it was told; what the books say lies where it began, by their own account.
    """
    record = Record(folder)
    found = [
        _at_once(GAP, _since_start(gap.from_utc_ms + gap.length_ms), "no readings")
        for gap in record.gaps()
        if gap.length_ms is not None
    ]
    for each in WaterRecord(folder).happenings(*IN_THE_BOOKS):
        over = None if each.until_ms is None else _since_start(each.until_ms)
        found.append(Found(each.found, LEVEL, _since_start(each.from_ms), each.says, over))
    standing: dict[str, Found] = {}  # alarms that were told
    for change in record.alarm_changes_since(0):
        watch, _, subject = change.key.partition(":")
        at = _since_start(change.utc_ms)
        if not change.new.standing and change.key in standing:
            found.append(standing.pop(change.key)._replace(over=at))
        elif change.new.standing and change.told and change.key not in standing:
            standing[change.key] = Found(watch, subject, at, change.says)
    return sorted([*found, *standing.values()], key=lambda each: each.at)


def _at_once(watch: str, at: float, says: str) -> Found:
    return Found(watch, "", at, says, over=at)


def _since_start(utc_ms: int) -> float:
    return (utc_ms - START_MS) / 1000


def delay_words(delays: Sequence[float]) -> str:
    """How late something was told: half of the time, and at worst."""
    return f"{_span(median(delays))} (all within {_span(max(delays))})"


def _span(seconds: float) -> str:
    seconds = max(0.0, seconds)
    for unit, name in ((DAY, "d"), (HOUR, "h"), (MINUTE, "min")):
        if seconds >= 2 * unit:
            return f"{seconds / unit:.1f} {name}"
    return f"{seconds:.0f} s"
