"""Puts a message together, for people and for programs. Pure."""

from collections.abc import Mapping, Sequence
from hashlib import sha256

from longsoak.core.wording import age_words, rfc3339, time_words
from longsoak.notify.notice import Notice
from longsoak.notify.words import (
    INVENTED,
    Came,
    body,
    first_out_words,
    is_high,
    one_line,
    payload,
    plan_of,
    subject,
)
from longsoak.vocabulary.alarm import StoredChange
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.rig import Rig


def of_changes(
    rig: Rig,
    changes: Sequence[StoredChange],
    *,
    record: str,
    route: str,
    came: Came,
    burst: Sequence[StoredChange] = (),
    heading: str | None = None,
    utc_ms: int | None = None,
) -> Notice:
    """What is told of some changes of alarms.

    Parameters
    ----------
    rig : Rig
        Says what the alarms mean.
    changes : sequence of StoredChange
        Oldest first, at least one.
    record : str
        What tells the record from others: their changes have the same numbers.
    route : str
        By which it goes.
    came : mapping
        The change by which each alarm came, by key.
    burst : sequence of StoredChange
        The alarms that came together with the last of them.
    heading : str, optional
        What is said of all of them together.
    utc_ms : int, optional
        Now.
    """
    first = first_out_words(rig, burst)
    head = "\n".join(filter(None, (heading, first))) or None
    about = subject(rig, changes)
    key = _key(record, route, *(str(change.id) for change in changes))
    return Notice(
        about,
        body(rig, changes, came=came, heading=head, utc_ms=utc_ms),
        key,
        any(is_high(rig, change) for change in changes),
        {
            **_fields(rig, "alarms", about, key),
            "first_out": None if first is None else burst[0].key,
            "alarms": [_alarm(rig, change, came) for change in changes],
        },
    )


def of_trial(rig: Rig, *, sent_ms: int, number: int, record: str, route: str) -> Notice:
    """The weekly trial."""
    within = next((plan.within for plan in rig.alarms if plan.watch is Watch.TRIAL), 0.0)
    about = f"{one_line(rig.name)}: this is the weekly trial; acknowledge it"
    lines = [
        "This is the weekly trial of the notices; acknowledge it. Nothing is wrong at the rig.",
        "",
        f"It went out {time_words(sent_ms)}, and came to you by: {route}.",
        "To acknowledge it:",
        "  longsoak ack trial --rig rig.toml --by INITIALS",
        f"If nobody does within {age_words(within)}, everybody is told so.",
    ]
    lines += [] if rig.page is None else ["", f"To look: {rig.page}"]
    lines += ["", INVENTED] if rig.invented else []
    key = _key(record, route, "trial", str(number))
    return Notice(
        about,
        "\n".join(lines) + "\n",
        key,
        False,
        {**_fields(rig, "trial", about, key), "first_out": None, "alarms": []},
    )


def of_digest(rig: Rig, about: str, text: str, *, number: int, record: str, route: str) -> Notice:
    """The message of every day."""
    key = _key(record, route, "digest", str(number))
    fields = {**_fields(rig, "digest", about, key), "first_out": None, "alarms": []}
    return Notice(about, text, key, False, fields)


def _fields(rig: Rig, kind: str, about: str, key: str) -> dict[str, object]:
    return {
        "rig": rig.name,
        "notice": kind,
        "key": key,
        "subject": about,
        "page": rig.page,
        "invented": rig.invented,
    }


def _alarm(rig: Rig, change: StoredChange, came: Came) -> Mapping[str, object]:
    """A change as ``alarm.schema.json`` has it, with what it means and how long one has."""
    told: dict[str, object] = dict(payload(rig, change))
    plan = plan_of(rig, change)
    raised = change if change.came else came.get(change.key)
    for key in ("rig", "invented"):
        del told[key]
    until = None
    if plan is not None and not change.over and raised is not None and not raised.unsure:
        until = rfc3339(raised.utc_ms + round(1000 * plan.within))
    return told | {
        "id": change.id,
        "since": None if raised is None else rfc3339(raised.utc_ms),
        "cause": None if plan is None else plan.cause,
        "consequence": None if plan is None else plan.consequence,
        "actions": [] if plan is None else list(plan.actions),
        "within_s": None if plan is None else plan.within,
        "act_until": until,
    }


def _key(*parts: str) -> str:
    # One that tells nothing: it may lie in the logs of whoever takes the notice.
    return sha256("\n".join(parts).encode()).hexdigest()[:32]
