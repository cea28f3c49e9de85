"""The alarms sheet: what stands, what is over and unread, and what changed lately."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf
from urllib.parse import quote

from markupsafe import Markup

from longsoak.core.alarmload import AlarmLoad, alarm_load, load_words
from longsoak.core.alarmrates import first_outs
from longsoak.core.alarms import LONGEST_SHELVED
from longsoak.core.clockplace import NOT_KNOWN
from longsoak.core.wording import age_words
from longsoak.vocabulary.alarm import AlarmState, Hiding, StoredChange
from longsoak.vocabulary.alarmplan import AlarmPlan
from longsoak.vocabulary.rig import UNIT, Rig, code_words
from longsoak_dashboards.source import Snapshot
from longsoak_dashboards.view import standing
from longsoak_dashboards.view.sentences import (
    ago,
    capital,
    count_words,
    counted,
    span_words,
    timed,
    when,
)

LOG_DAYS = 30
OUT_OF_SERVICE = "out of service"  # what stands in the place of a length of time
_SHAPES = {
    AlarmState.NEW: "new",
    AlarmState.ACKNOWLEDGED: "seen",
    AlarmState.GONE: "gone",
    AlarmState.HELD: "held",
    AlarmState.NORMAL: "none",
}
_HIDDEN_SHAPES = {
    Hiding.SHELVED: "shelf",
    Hiding.SUPPRESSED: "supp",
    Hiding.OUT_OF_SERVICE: "out",
}
_LOG_LIMIT = 200
_SPANS = ((7200.0, "2 h"), (43_200.0, "12 h"), (259_200.0, "3 days"), (604_800.0, "7 days"))


@dataclass(frozen=True, slots=True)
class Entry:
    """One alarm that wants to be read. `plan` is None once the rig file has dropped it.

    `quiet` is one that something lies over. `left` is how long one has until the consequence sets
    in, in words, `overdue` whether that time
    is over, and `first` what came first of the alarms that it came with. `spans` are the lengths of
    time it can be shelved for; there is none for one that can't be. `said_by` is whether a person's
    words stand in `says`.
    """

    key: str
    anchor: str
    title: str
    shape: str
    state: Markup
    by: str | None
    red: bool
    since: Markup
    ago: Markup
    says: str
    said_by: bool
    first: str
    value: str
    setpoint: str
    plan: AlarmPlan | None
    left: str
    left_until: Markup
    overdue: bool
    deadline_ms: float
    can_acknowledge: bool
    can_reset: bool
    can_put_back: bool
    quiet: bool
    spans: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LogLine:
    """One change of the last `LOG_DAYS` days; `said_by` as for an `Entry`."""

    when: Markup
    title: str
    shape: str
    red: bool
    state: str
    value: str
    says: str
    by: str | None
    said_by: bool


@dataclass(frozen=True, slots=True)
class Told:
    """What became of something asked from this sheet."""

    words: str | Markup
    wants_a_look: bool
    waiting: bool


@dataclass(frozen=True, slots=True)
class AlarmsPage:
    """What the alarms sheet shows; `load` is about floods and chatter."""

    lead: tuple[Markup, ...]
    load: tuple[Markup, ...]
    standing: tuple[Entry, ...]
    gone: tuple[Entry, ...]
    hidden: tuple[Entry, ...]
    log: tuple[LogLine, ...]
    log_cut: bool


def alarms_page(snapshot: Snapshot, changes: Sequence[StoredChange]) -> AlarmsPage:
    """Work out the alarms sheet.

    Parameters
    ----------
    snapshot : Snapshot
        The record now.
    changes : sequence of StoredChange
        Oldest first; at least those since the standing alarms came up, and the last
        `LOG_DAYS` days'.
    """
    rig, now_ms = snapshot.rig, snapshot.now_ms
    plans = {plan.key: plan for plan in rig.alarms}
    firsts, units = _firsts(changes, plans), _units(rig)
    entries = [
        (change, _entry(change, changes, plans.get(change.key), firsts, units, now_ms=now_ms))
        for change in sorted(snapshot.alarms.values(), key=lambda c: -c.id)
    ]
    recent = [c for c in changes if c.utc_ms >= now_ms - LOG_DAYS * 86_400_000]
    raised = sum(c.came and c.told for c in recent)
    count = counted(raised, "alarm", "alarms") if raised else "no alarm"
    lately = f"{count} in the last {LOG_DAYS} days; the aim is under one a week."
    lead = (
        standing.unset_sentence(first_ms=snapshot.first_ms, now_ms=now_ms),
        standing.recording_sentence(rig, last_ms=snapshot.last_ms, now_ms=now_ms),
        standing.alarms_sentence(snapshot.alarms, link=False),
        Markup("{}").format(capital(lately)),
    )
    titles = {key: plan.title for key, plan in plans.items()}
    load = alarm_load(recent, now_ms=now_ms)
    shown = [(change, entry) for change, entry in entries if change.hiding is None]
    return AlarmsPage(
        lead=tuple(sentence for sentence in lead if sentence),
        load=_load(load, titles, now_ms=now_ms),
        # By the time that is left, and not by how loud an alarm is.
        standing=tuple(
            sorted(
                (entry for change, entry in shown if change.new.standing),
                key=lambda entry: entry.deadline_ms,
            )
        ),
        gone=tuple(
            entry
            for state in (AlarmState.GONE, AlarmState.HELD)
            for change, entry in shown
            if change.new is state
        ),
        hidden=tuple(entry for change, entry in entries if change.hiding is not None),
        log=tuple(
            _log_line(c, plans.get(c.key), units, now_ms=now_ms)
            for c in recent[: -_LOG_LIMIT - 1 : -1]
        ),
        log_cut=len(recent) > _LOG_LIMIT,
    )


def _load(load: AlarmLoad, titles: Mapping[str, str], *, now_ms: int) -> tuple[Markup, ...]:
    def one(place: int) -> Markup:
        return timed(
            lambda at: load_words(load, days=LOG_DAYS, titles=titles, when=at)[place],
            now_ms=now_ms,
        )

    return one(0), one(1)


def _firsts(changes: Sequence[StoredChange], plans: Mapping[str, AlarmPlan]) -> Mapping[int, str]:
    """By the number of a change with which an alarm came: what came first of those with it."""
    raised = [change for change in changes if change.came and change.told]
    groups = first_outs([c.utc_ms / 1000 for c in raised])
    sizes = Counter(groups.values())
    found = {}
    for place, first in groups.items():
        plan = plans.get(raised[first].key)
        title = plan.title if plan else raised[first].key
        many = count_words(sizes[first])
        found[raised[place].id] = (
            f"The first of {many} that came together."
            if place == first
            else f"One of {many} that came together; first: {title}."
        )
    return found


def told(outcome: str | None, *, by: str, title: str, asked_ms: int | None, now_ms: int) -> Told:
    """What to say about a request: asked, taken, or left lying."""
    if outcome is not None:
        return Told(f"{title}: {outcome}.".replace("..", "."), wants_a_look=False, waiting=False)
    if asked_ms is not None and now_ms - asked_ms > 10_000:
        waited = ago((now_ms - asked_ms) / 1000)
        return Told(
            Markup(
                "{}: asked by {} {} and not taken yet. Is <code>longsoak run</code> running?"
            ).format(title, by, waited),
            wants_a_look=True,
            waiting=True,
        )
    return Told(
        f"{title}: asked by {by}; the measuring process takes it within a second.",
        wants_a_look=False,
        waiting=True,
    )


def title_of(rig: Rig, key: str) -> str:
    """An alarm's title; its key where the rig file no longer has it."""
    return next((plan.title for plan in rig.alarms if plan.key == key), key)


def _entry(
    change: StoredChange,
    changes: Sequence[StoredChange],
    plan: AlarmPlan | None,
    firsts: Mapping[int, str],
    units: Mapping[str, str],
    *,
    now_ms: int,
) -> Entry:
    raised = next((c for c in reversed(changes) if c.key == change.key and c.came), change)
    state, hiding = change.new, change.hiding
    stood = (change.utc_ms - raised.utc_ms) / 1000
    # Negative if the wall clock was set back while it stood.
    long = span_words(stood) if stood >= 0 else "for a time that is not known"
    stands = ago((now_ms - raised.utc_ms) / 1000)
    if state in (AlarmState.GONE, AlarmState.HELD):
        stands = Markup("stood {}, over since {}").format(long, _when(change, now_ms=now_ms))
    acknowledged = state is AlarmState.ACKNOWLEDGED
    by = next(
        (c.by for c in reversed(changes) if c.key == change.key and c.new is state and c.by), None
    )
    words = Markup.escape("acknowledged by" if acknowledged and by else state.value)
    if hiding is not None:
        words = Markup.escape(str(hiding))
        if change.until_utc_ms is not None:
            words += Markup(" until {}").format(when(change.until_utc_ms, now_ms=now_ms))
        stands = _underneath(state, raised, now_ms=now_ms)
    within = plan.within if plan and state.standing and hiding is None else None
    deadline_ms = raised.utc_ms + 1000 * within if within is not None else inf
    left_s = (deadline_ms - now_ms) / 1000
    return Entry(
        key=change.key,
        anchor=quote(change.key, safe=""),
        title=plan.title if plan else change.key,
        shape=_shape(change),
        state=words,
        by=by if acknowledged and hiding is None else None,
        red=_is_red(change),
        since=_when(raised if hiding is None else change, now_ms=now_ms),
        ago=stands,
        says=raised.says if hiding is None else change.says,
        said_by=hiding is not None and change.by is not None,
        first=firsts.get(raised.id, "") if state.standing and hiding is None else "",
        value=_value(raised.value, units.get(change.key, "")),
        setpoint="" if plan is None else _value(plan.setpoint, units[plan.key], digits=6),
        plan=plan,
        left="" if within is None else age_words(left_s) if left_s > 0 else "none",
        left_until=Markup() if within is None else when(round(deadline_ms), now_ms=now_ms),
        overdue=left_s <= 0,
        deadline_ms=deadline_ms,
        can_acknowledge=hiding is None and state in (AlarmState.NEW, AlarmState.GONE),
        can_reset=hiding is None and state is AlarmState.HELD,
        can_put_back=hiding in (Hiding.SHELVED, Hiding.OUT_OF_SERVICE),
        quiet=hiding is not None,
        spans=()
        if hiding not in (None, Hiding.SHELVED) or plan is None or state is AlarmState.HELD
        else tuple(words for seconds, words in _SPANS if seconds <= LONGEST_SHELVED[plan.priority]),
    )


def _underneath(state: AlarmState, raised: StoredChange, *, now_ms: int) -> Markup:
    if state is AlarmState.NORMAL:
        return Markup("not now")
    return Markup("underneath: {}, since {}").format(state.value, _when(raised, now_ms=now_ms))


def _shape(change: StoredChange) -> str:
    return _SHAPES[change.new] if change.hiding is None else _HIDDEN_SHAPES[change.hiding]


def _is_red(change: StoredChange) -> bool:
    loud = (AlarmState.NEW, AlarmState.GONE, AlarmState.HELD)
    return change.hiding is None and change.new in loud


def _log_line(
    change: StoredChange, plan: AlarmPlan | None, units: Mapping[str, str], *, now_ms: int
) -> LogLine:
    return LogLine(
        when=_when(change, now_ms=now_ms),
        title=plan.title if plan else change.key,
        shape=_shape(change),
        red=_is_red(change),
        state=_became(change),
        value=_value(change.value, units.get(change.key, "")),
        says=change.says,
        by=change.by,
        said_by=change.by is not None,
    )


def state_words(change: StoredChange) -> str:
    """The state of an alarm, and what lies over it."""
    return change.new.value if change.hiding is None else f"{change.new.value} ({change.hiding})"


def _became(change: StoredChange) -> str:
    if change.old is change.new is AlarmState.NEW and change.told:
        return "told again"
    if change.hiding is not None and change.old is change.new:
        return str(change.hiding)
    over = change.new is AlarmState.NORMAL and change.hiding is None
    return "over" if over else state_words(change)


def _when(change: StoredChange, *, now_ms: int) -> Markup:
    at = when(change.utc_ms, now_ms=now_ms)
    return Markup("{} ({})").format(at, NOT_KNOWN) if change.unsure else at


def _value(value: float | None, unit: str, *, digits: int = 4) -> str:
    return "" if value is None else f"{value:.{digits}g} {unit}".strip()


def _units(rig: Rig) -> dict[str, str]:
    """By an alarm's key, the unit of its values as a person reads it."""
    probes = {probe.name: probe for probe in rig.probes}
    found = {}
    for plan in rig.alarms:
        probe = probes.get(plan.subject)
        own = probe is not None and plan.unit == UNIT[probe.kind]
        found[plan.key] = probe.unit_words if probe and own else code_words(plan.unit)
    return found


def lacks_a_beginning(snapshot: Snapshot, changes: Sequence[StoredChange]) -> bool:
    """Whether an alarm that wants to be read came up before the first of `changes`."""
    begun = {change.key for change in changes if change.came}
    return any(
        change.new is not AlarmState.NORMAL and change.key not in begun
        for change in snapshot.alarms.values()
    )
