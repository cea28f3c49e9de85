"""A shop's rigs as its sheet shows them: what needs somebody comes first."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from math import inf

from markupsafe import Markup, escape

from longsoak.core.watching import APART
from longsoak.core.wording import AHEAD_S, age_words, with_noun
from longsoak.vocabulary.alarm import Priority
from longsoak.vocabulary.outlet import Recording
from longsoak_dashboards.shop.book import Alarm, Rig, Shop
from longsoak_dashboards.shop.hearing import Line
from longsoak_dashboards.view.sentences import aged, capital, count_words, counted, when

SILENT = 180.0  # s without a word, or three times what a rig takes to tell its state anew
NAMED = 3  # alarms of a rig that are shown by name
_ORDER = {priority: place for place, priority in enumerate(Priority)}


class Rank(IntEnum):
    """How soon somebody has to look at a rig."""

    URGENT = 0
    NOT_RECORDED = 1
    TWO = 2
    MEDIUM = 3
    LOW = 4
    DOUBT = 5
    STOPPED = 6
    WELL = 7


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """One alarm that stands, or the number of those that have no name here."""

    title: str
    words: str
    shape: str
    red: bool
    since: Markup | None


@dataclass(frozen=True, slots=True)
class Row:
    """One rig. `says` are sentences beside its state; `shape` is one of the marks of flags."""

    rank: Rank
    name: str
    prefix: str
    page: str | None
    invented: bool
    word: str
    look: bool
    shape: int
    says: tuple[Markup, ...]
    alarms: tuple[AlarmLine, ...]
    more: str
    age: Markup
    days: str
    range: str


@dataclass(frozen=True, slots=True)
class Group:
    """Rigs under one heading."""

    id: str
    title: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class ShopPage:
    """The sheet. `away` is what is wrong with the broker, and `notes` what is no rig's."""

    broker: str
    lead: str
    look: bool
    away: Markup | None
    last: Markup | None
    groups: tuple[Group, ...]
    notes: tuple[str, ...]
    none: bool


def shop_page(shop: Shop, line: Line, *, now_ms: int, running: float) -> ShopPage:
    """The sheet of a shop.

    Parameters
    ----------
    shop : Shop
        What is known of the rigs.
    line : Line
        How it stands with the broker.
    now_ms : int
        UTC, ms since 1970.
    running : float
        A clock that only runs on, s.
    """
    ordered = sorted(
        ((_row(rig, now_ms=now_ms, running=running), rig) for rig in shop.rigs),
        key=lambda pair: _place(*pair),
    )
    rows = [row for row, _ in ordered]
    wanted = tuple(row for row in rows if row.rank < Rank.STOPPED)
    well = tuple(row for row in rows if row.rank is Rank.WELL)
    stopped = tuple(row for row in rows if row.rank is Rank.STOPPED)
    groups = (
        Group("wanted", f"Wants somebody, {len(wanted) or 'none'}", wanted),
        Group("well", f"Recording, and no alarm stands, {len(well) or 'none'}", well),
        Group("stopped", f"Stopped on purpose, {len(stopped) or 'none'}", stopped),
    )
    last = max((_heard(rig, now_ms, running) for rig in shop.rigs), default=None)
    return ShopPage(
        broker=line.name,
        lead=_lead(len(wanted), len(rows), len(stopped), line),
        look=bool(wanted),
        away=_away(line, now_ms=now_ms),
        last=None if last is None or last == -inf else when(round(last), now_ms=now_ms),
        groups=groups,
        notes=tuple(_notes(shop)),
        none=not rows,
    )


def _lead(wanted: int, rigs: int, stopped: int, line: Line) -> str:
    if rigs == 0:
        if not line.up:
            return "No rig is known yet, for the broker was not reached."
        return "No rig has told this broker anything yet."
    if wanted and rigs == 1:
        return "The one rig wants somebody."
    if wanted:
        of = f"{count_words(wanted)} of {counted(rigs, 'rig', 'rigs')}"
        return capital(f"{of} {'wants' if wanted == 1 else 'want'} somebody.")
    recording = rigs - stopped
    if recording == 0:
        return "No rig wants anybody, and none is recorded: all were stopped on purpose."
    which = " that were not stopped" if stopped else ""
    if recording == 1:
        return f"The one rig{which.replace('were', 'was')} is recorded, and no alarm stands there."
    all_ = "Both" if recording == 2 else f"All {count_words(recording)}"
    return f"{all_} rigs{which} are recorded, and no alarm stands."


def _away(line: Line, *, now_ms: int) -> Markup | None:
    if line.up:
        says = f"The broker at {line.name} is there, but {line.why}." if line.why else ""
        return escape(says) if says else None
    if line.since_ms is None:
        return escape(f"The broker at {line.name} is being called for the first time.")
    return Markup(
        "The broker at {} has been away since {} ({}): {}. It is called again and again. What is "
        "shown was told before."
    ).format(
        line.name,
        when(line.since_ms, now_ms=now_ms),
        aged((now_ms - line.since_ms) / 1000),
        line.why.rstrip("."),
    )


def _notes(shop: Shop) -> Iterable[str]:
    if shop.left_out:
        yield (
            f"{with_noun(shop.left_out, 'rig')} more than these pages hold tell something there; "
            "none of it is shown. Show a part of the shop with --prefix."
        )
    if shop.strange:
        topics = with_noun(shop.strange, "other topic ends", "other topics end")
        yield f"{topics} in /state there, with no state of a rig or one of another version."


def _place(row: Row, rig: Rig) -> tuple[object, ...]:
    new = any(alarm.new for alarm in rig.alarms.values())
    days = inf if rig.days is None else rig.days.days
    return row.rank, not new, days, row.name.casefold(), row.prefix


def _heard(rig: Rig, now_ms: int, running: float) -> float:
    """When it said something last, UTC ms; -inf where nobody knows."""
    if rig.at is None:
        return -inf
    return now_ms - 1000 * max(0.0, rig.at.since(now_ms=now_ms, running=running))


def _row(rig: Rig, *, now_ms: int, running: float) -> Row:
    since = None if rig.at is None else rig.at.since(now_ms=now_ms, running=running)
    age = None
    if rig.age is not None and rig.aged is not None:
        age = rig.age + max(0.0, rig.aged.since(now_ms=now_ms, running=running))
    word, recorded, shape, says = _state(rig, since, age, now_ms=now_ms)
    remarks = [*says, *_remarks(rig, now_ms=now_ms)]
    alarms = _alarms(rig, now_ms=now_ms)
    standing = [alarm.priority for alarm in rig.alarms.values()] + [*rig.left_out()]
    return Row(
        rank=_rank(rig, standing, recorded=recorded),
        name=rig.told.rig,
        prefix=rig.prefix,
        page=rig.page,
        invented=rig.invented,
        word=word,
        look=recorded is False,
        shape=shape,
        says=tuple(remarks),
        alarms=alarms,
        more=_more(rig),
        age=escape("not told") if age is None else aged(age),
        days=_days(rig),
        range=_range(rig),
    )


def _rank(rig: Rig, standing: Sequence[Priority], *, recorded: bool | None) -> Rank:
    """`recorded` is None where it is not for a good reason: somebody stopped it."""
    if Priority.HIGH in standing:
        return Rank.URGENT
    if recorded is False:
        return Rank.NOT_RECORDED
    if rig.two is not None:
        return Rank.TWO
    if Priority.MEDIUM in standing:
        return Rank.MEDIUM
    if standing:
        return Rank.LOW
    if rig.apart is not None or rig.others:
        return Rank.DOUBT
    return Rank.STOPPED if recorded is None else Rank.WELL


def _state(
    rig: Rig, since: float | None, age: float | None, *, now_ms: int
) -> tuple[str, bool | None, int, list[Markup]]:
    """Its state in a word, whether it is recorded, the shape beside it, and what is to be said."""
    told = rig.told
    if told.state is Recording.CUT_OFF:
        heard = Markup("") if since is None else Markup(", told {} ago").format(aged(since))
        says = "Its power, its network or the process is gone, and nobody said that it would stop"
        return "cut off", False, 4, [escape(says) + heard + Markup(".")]
    if told.state is Recording.STOPPED:
        at = rig.since_ms
        stopped = [] if at is None else [Markup("Since {}.").format(when(at, now_ms=now_ms))]
        return "stopped", None, 2, stopped
    assert since is not None  # noqa: S101 - only of a last will is it not known
    if since < -APART:
        says = f"What it told last is dated {age_words(-since)} ahead of this computer's clock."
        return "not known", False, 9, [escape(says)]
    if since > max(SILENT, 3 * told.again):
        said = Markup("It has told nothing for {}; before that it said: {}.")
        return "silent", False, 9, [said.format(aged(since), told.state.value)]
    if told.state is Recording.NOTHING_NEW:
        at = rig.since_ms
        begun = escape("It runs, and keeps no readings")
        when_ = Markup("") if at is None else Markup(", since {}").format(when(at, now_ms=now_ms))
        return "not recording", False, 4, [begun + when_ + Markup(".")]
    limit = told.fine + told.again
    if age is None or age > limit:
        return "data old", False, 3, [escape(f"{capital(age_words(limit))} is the most for it.")]
    return "recording", True, 1, []


def _remarks(rig: Rig, *, now_ms: int) -> Iterable[Markup]:
    if rig.two is not None:
        names = sorted({rig.told.rig, *(one.rig for one in rig.former)})
        who = (
            f"Two computers publish as {names[0]}"
            if len(names) == 1
            else f"{', '.join(names[:-1])} and {names[-1]} publish"
        )
        yield escape(
            f"{who} under this one prefix, and each writes over what the other says. Give each rig "
            "its own prefix in [notices.mqtt] of its rig file."
        )
    elif rig.others:
        yield escape(
            f"Alarms of {' and '.join(rig.others)} lie under this prefix too, and are not counted. "
            "If that rig is still there, it needs a prefix of its own; else clear its topics."
        )
    if rig.apart is not None and abs(rig.apart) > AHEAD_S:
        way = "ahead of" if rig.apart > 0 else "behind"
        yield escape(
            f"Its clock is {age_words(abs(rig.apart))} {way} this computer's: one is wrong."
        )
    if rig.page is None:
        yield Markup(
            "Where its pages are it does not say: write <code>page</code> in [rig] of its rig file."
        )


def _by_need(rig: Rig) -> list[Alarm]:
    """The alarms that stand, the most urgent first."""

    def place(alarm: Alarm) -> tuple[object, ...]:
        return _ORDER[alarm.priority], not alarm.new, -(alarm.at_ms or 0), alarm.title

    return sorted(rig.alarms.values(), key=place)


def _alarms(rig: Rig, *, now_ms: int) -> tuple[AlarmLine, ...]:
    return tuple(
        AlarmLine(
            title=alarm.title,
            words=f"{alarm.priority}, {'new' if alarm.new else 'acknowledged'}",
            shape="new" if alarm.new else "seen",
            red=alarm.new,
            since=None if alarm.at_ms is None else when(alarm.at_ms, now_ms=now_ms),
        )
        for alarm in _by_need(rig)[:NAMED]
    )


def _more(rig: Rig) -> str:
    """Those that are not named, by priority: "and 4 more: 1 high, 3 low"."""
    rest = [alarm.priority for alarm in _by_need(rig)[NAMED:]]
    left_out = rig.left_out()
    numbers = {p: rest.count(p) + left_out.get(p, 0) for p in Priority}
    if not (number := sum(numbers.values())):
        return ""
    each = ", ".join(f"{number} {priority}" for priority, number in numbers.items() if number)
    return f"and {number} more: {each}" if rig.alarms else f"{number}: {each}"


def _days(rig: Rig) -> str:
    if rig.days is None:
        return ""
    return f"{rig.days.days:.1f}" if rig.days.days < 10 else f"{rig.days.days:.0f}"


def _range(rig: Rig) -> str:
    if rig.days is None:
        return ""
    low = f"{rig.days.low:.0f}"
    return f"{low} or more" if rig.days.high is None else f"{low} to {rig.days.high:.0f}"
