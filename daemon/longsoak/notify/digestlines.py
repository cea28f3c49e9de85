"""What the mail of every day says of alarms and of notices."""

from collections.abc import Collection
from pathlib import Path

from longsoak.core.alarmrates import is_stale
from longsoak.core.routes import routes_of
from longsoak.core.wording import ago_words, time_words, with_noun
from longsoak.notify.choosing import is_wanted, may_wait
from longsoak.notify.words import Came, one_line, title_of, when_words
from longsoak.store.noticerecord import (
    HELD_BACK,
    OUTLET,
    REFUSED,
    WELL,
    NoticeRecord,
    Trial,
    held_cursor,
)
from longsoak.vocabulary.alarm import Hiding, StoredChange
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.rig import Rig

_DAY_MS = 86_400_000
_MOST = 200  # changes or events looked at
_SHOWN = 12  # lines of one sort


def alarm_lines(
    rig: Rig, alarms: Collection[StoredChange], *, came: Came, utc_ms: int
) -> list[str]:
    """Those that stand, with those that have stood for days, and those that nobody is told of.

    Parameters
    ----------
    rig : Rig
        Says what they are called.
    alarms : collection of StoredChange
        The last change of each.
    came : mapping
        The change by which each alarm came, by key, as far as is known.
    utc_ms : int
        Now.
    """
    lines = []
    for heading, found in (
        ("Standing alarms:", [c for c in alarms if c.new.standing and c.hiding is None]),
        ("Shelved:", [c for c in alarms if c.hiding is Hiding.SHELVED]),
        ("Out of service:", [c for c in alarms if c.hiding is Hiding.OUT_OF_SERVICE]),
        (
            "Said by another:",
            [c for c in alarms if c.new.standing and c.hiding is Hiding.SUPPRESSED],
        ),
    ):
        lines += [heading] if found else []
        lines += [
            f"  {_line(rig, change, came.get(change.key, change), utc_ms)}" for change in found
        ]
    if not any(change.new.standing for change in alarms):
        lines.insert(0, "No alarm stands.")
    return lines


def notice_lines(rig: Rig, folder: Path, *, utc_ms: int) -> list[str]:
    """What was held back, what was not delivered, and how the trial stands.

    Raises
    ------
    StoreError
        The record can't be read.
    """
    record = NoticeRecord(folder)
    since_ms = utc_ms - _DAY_MS
    lines = _held_now(rig, record)
    passed = record.happened((HELD_BACK,), since_ms=since_ms, limit=_MOST)
    lines += [f"  {_happened(event)}" for event in passed[-_SHOWN:]]
    if lines:
        lines.insert(0, "Held back during quiet hours:")
    # What was tried again in vain is told once for each route and reason.
    failed = {
        (event.subject, event.says): event
        for event in record.happened((OUTLET, REFUSED), since_ms=since_ms, limit=_MOST)
    }
    if any(event.says != WELL for event in failed.values()):
        lines.append("Trouble with notices and copies since yesterday:")
        lines += [f"  {_happened(event)}" for event in list(failed.values())[-_SHOWN:]]
    if rig.trial is not None:
        lines += trial_lines(rig, record.trial(), utc_ms=utc_ms)
    return lines


def trial_lines(rig: Rig, trial: Trial | None, *, utc_ms: int) -> list[str]:
    """How the weekly trial stands: which ways took it, which did not, and who answered."""
    if trial is None:
        return ["Weekly trial: none went out yet."]
    names = [route.name for route in routes_of(rig)]
    took = ", ".join(name for name in names if name in trial.taken) or "none"
    lacks = ", ".join(name for name in names if name not in trial.taken)
    answered = "nobody has answered it yet"
    if trial.waiting_ms is None and trial.answered is not None:
        answered = f"answered {one_line(trial.answered[0])}"
    elif trial.waiting_ms is not None and trial.waiting_ms < trial.sent_ms:
        answered = f"nobody has answered one since {time_words(trial.waiting_ms)}"
    return [
        f"Weekly trial: went out {ago_words((utc_ms - trial.sent_ms) / 1000)}; {answered}.",
        f"  Taken by: {took}." + (f" Not by: {lacks}." if lacks else ""),
    ]


def _line(rig: Rig, change: StoredChange, came: StoredChange, utc_ms: int) -> str:
    title = title_of(rig, change)
    if change.hiding is Hiding.SHELVED and change.until_utc_ms is not None:
        return f"{title}, until {time_words(change.until_utc_ms)}"
    since = came if change.new.standing else change
    age = utc_ms - since.utc_ms
    stale = change.new.standing and not since.unsure and is_stale(age / 1000)
    days = f" (stale: {with_noun(age // _DAY_MS, 'day')})" if stale else ""
    return f"{title}, since {when_words(since)}{days}"


def _held_now(rig: Rig, record: NoticeRecord) -> list[str]:
    lines = []
    for route in routes_of(rig):
        if route.person is None or not (held := record.cursor(held_cursor(route.name))):
            continue
        changes = [
            change
            for change in record.alarm_changes_after(held - 1, limit=_MOST)
            if is_wanted(rig, change, route.person) and may_wait(rig, change)
        ]
        titles = list(dict.fromkeys(title_of(rig, change) for change in changes))
        more = f" and {len(titles) - _SHOWN} more" if len(titles) > _SHOWN else ""
        lines.append(f"  {route.name}, waiting: {', '.join(titles[:_SHOWN])}{more}")
    return lines


def _happened(event: Event) -> str:
    return f"{event.subject}, {time_words(event.utc_ms)}: {one_line(event.says)}"
