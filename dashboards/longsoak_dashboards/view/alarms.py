"""The alarms sheet: what stands, what is over and unread, and what changed lately."""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from markupsafe import Markup

from longsoak.core.clockplace import NOT_KNOWN
from longsoak.core.wording import age_words, ago_words
from longsoak.vocabulary.alarm import AlarmState, StoredChange
from longsoak.vocabulary.rig import AlarmPlan, Rig
from longsoak_dashboards.source import Snapshot
from longsoak_dashboards.view import standing
from longsoak_dashboards.view.sentences import counted, moment, span_words

LOG_DAYS = 30
_SHAPES = {
    AlarmState.NEW: "new",
    AlarmState.ACKNOWLEDGED: "seen",
    AlarmState.GONE: "gone",
    AlarmState.NORMAL: "none",
}
_LOG_LIMIT = 200


@dataclass(frozen=True, slots=True)
class Entry:
    """One alarm that wants to be read. `plan` is None once the rig file has dropped it."""

    key: str
    anchor: str
    title: str
    shape: str
    state: str
    by: str | None
    red: bool
    since: str
    ago: str
    says: str
    value: str
    plan: AlarmPlan | None
    can_acknowledge: bool


@dataclass(frozen=True, slots=True)
class LogLine:
    """One change of the last `LOG_DAYS` days."""

    when: str
    title: str
    shape: str
    red: bool
    state: str
    value: str
    says: str
    by: str | None


@dataclass(frozen=True, slots=True)
class Told:
    """What became of something asked from this sheet."""

    words: str
    wants_a_look: bool
    waiting: bool


@dataclass(frozen=True, slots=True)
class AlarmsPage:
    """What the alarms sheet shows."""

    lead: tuple[Markup, ...]
    standing: tuple[Entry, ...]
    gone: tuple[Entry, ...]
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
    entries = [
        (change, _entry(change, changes, plans.get(change.key), now_ms=now_ms))
        for change in sorted(snapshot.alarms.values(), key=lambda c: -c.id)
    ]
    recent = [c for c in changes if c.utc_ms >= now_ms - LOG_DAYS * 86_400_000]
    raised = sum(c.new is AlarmState.NEW for c in recent)
    lately = f"{counted(raised, 'alarm', 'alarms')} in the last {LOG_DAYS} days."
    lead = (
        standing.unset_sentence(first_ms=snapshot.first_ms, now_ms=now_ms),
        standing.recording_sentence(rig, last_ms=snapshot.last_ms, now_ms=now_ms),
        standing.alarms_sentence(snapshot.alarms, link=False),
        Markup("{}").format(lately.capitalize()),
    )
    return AlarmsPage(
        lead=tuple(sentence for sentence in lead if sentence),
        # What nobody has seen yet comes first.
        standing=tuple(
            entry
            for state in (AlarmState.NEW, AlarmState.ACKNOWLEDGED)
            for change, entry in entries
            if change.new is state
        ),
        gone=tuple(entry for change, entry in entries if change.new is AlarmState.GONE),
        log=tuple(
            _log_line(c, plans.get(c.key), now_ms=now_ms) for c in recent[: -_LOG_LIMIT - 1 : -1]
        ),
        log_cut=len(recent) > _LOG_LIMIT,
    )


def told(outcome: str | None, *, by: str, title: str, asked_ms: int | None, now_ms: int) -> Told:
    """What to say about a request: asked, taken, or left lying."""
    if outcome is not None:
        return Told(f"{title}: {outcome}.".replace("..", "."), wants_a_look=False, waiting=False)
    if asked_ms is not None and now_ms - asked_ms > 10_000:
        waited = age_words((now_ms - asked_ms) / 1000)
        return Told(
            f"{title}: asked by {by} {waited} ago and not taken yet. Is `longsoak run` running?",
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
    *,
    now_ms: int,
) -> Entry:
    raised = next(
        (c for c in reversed(changes) if c.key == change.key and c.new is AlarmState.NEW), change
    )
    gone = change.new is AlarmState.GONE
    stood = (change.utc_ms - raised.utc_ms) / 1000
    # Negative if the wall clock was set back while it stood.
    long = span_words(stood) if stood >= 0 else "for a time that is not known"
    ago = (
        f"stood {long}, over since {_when(change, now_ms=now_ms)}"
        if gone
        else ago_words((now_ms - raised.utc_ms) / 1000)
    )
    acknowledged = change.new is AlarmState.ACKNOWLEDGED
    return Entry(
        key=change.key,
        anchor=quote(change.key, safe=""),
        title=plan.title if plan else change.key,
        shape=_SHAPES[change.new],
        state="acknowledged by" if acknowledged and change.by else change.new.value,
        by=change.by if acknowledged else None,
        red=change.new in (AlarmState.NEW, AlarmState.GONE),
        since=_when(raised, now_ms=now_ms),
        ago=ago,
        says=raised.says,
        value=_value(raised.value, plan),
        plan=plan,
        can_acknowledge=change.new in (AlarmState.NEW, AlarmState.GONE),
    )


def _log_line(change: StoredChange, plan: AlarmPlan | None, *, now_ms: int) -> LogLine:
    return LogLine(
        when=_when(change, now_ms=now_ms),
        title=plan.title if plan else change.key,
        shape=_SHAPES[change.new],
        red=change.new in (AlarmState.NEW, AlarmState.GONE),
        state="over" if change.new is AlarmState.NORMAL else change.new.value,
        value=_value(change.value, plan),
        says=change.says,
        by=change.by,
    )


def _when(change: StoredChange, *, now_ms: int) -> str:
    when = moment(change.utc_ms, now_ms=now_ms)
    return f"{when} ({NOT_KNOWN})" if change.unsure else when


def _value(value: float | None, plan: AlarmPlan | None) -> str:
    if value is None:
        return ""
    return f"{value:.4g} {plan.unit if plan else ''}".strip()


def lacks_a_beginning(snapshot: Snapshot, changes: Sequence[StoredChange]) -> bool:
    """Whether an alarm that wants to be read came up before the first of `changes`."""
    begun = {change.key for change in changes if change.new is AlarmState.NEW}
    return any(
        change.new is not AlarmState.NORMAL and change.key not in begun
        for change in snapshot.alarms.values()
    )
