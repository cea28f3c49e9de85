"""What a notice says of an alarm's change. Pure; mail and MQTT share it."""

from collections.abc import Sequence
from math import isfinite

from longsoak.core.clockplace import NOT_KNOWN
from longsoak.core.wording import rfc3339, time_words, value_words
from longsoak.vocabulary.alarm import StoredChange
from longsoak.vocabulary.flags import Reason
from longsoak.vocabulary.rig import UNIT, AlarmPlan, Probe, Rig, Watch

_WHAT = {Watch.BUS: "Bus", Watch.OUTLET: "Outlet"}
_MANY = 4  # names in a subject; mail programs show some 80 characters of it
INVENTED = "All data of this rig are invented."


def one_line(text: str) -> str:
    """Text as one line: what could end a mail's header or steer a terminal becomes a space."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def title_of(rig: Rig, change: StoredChange) -> str:
    """The alarm's title, or its key where the rig file has it no longer."""
    plan = _plan(rig, change)
    return one_line(change.key if plan is None else plan.title)


def when_words(change: StoredChange) -> str:
    """When it was; what is sent stays, so it says if that may turn out to be wrong."""
    when = time_words(change.utc_ms)
    return f"{when} ({NOT_KNOWN})" if change.unsure else when


def subject(rig: Rig, changes: Sequence[StoredChange]) -> str:
    """One line for all of `changes`: the alarm's title if it is one, else how many, of what."""
    last = {change.key: change for change in changes}
    if len(last) == 1:
        (change,) = last.values()
        over = "over: " if change.over else ""
        return f"{one_line(rig.name)}: {over}{title_of(rig, change)}"
    ended = [_of(rig, change) for change in last.values() if change.over]
    raised = [_of(rig, change) for change in last.values() if not change.over]
    counts = (
        f"{len(raised)} alarm{'s' * (len(raised) > 1)} ({_listed(raised)})" if raised else "",
        f"{len(ended)} over ({_listed(ended)})" if ended else "",
    )
    return f"{one_line(rig.name)}: {', '.join(filter(None, counts))}"


def body(rig: Rig, changes: Sequence[StoredChange]) -> str:
    """The text of a mail about `changes`, in their order."""
    blocks = [_block(rig, change) for change in changes]
    if rig.page is not None:
        blocks.append(f"To look, and to acknowledge: {rig.page}")
    if rig.invented:
        blocks.append(INVENTED)
    return "\n\n".join(blocks) + "\n"


def payload(rig: Rig, change: StoredChange) -> dict[str, str | float | bool | None]:
    """A change as the keys of ``alarm.schema.json``."""
    probe, plan = _probe(rig, change), _plan(rig, change)
    value = change.value if change.value is not None and isfinite(change.value) else None
    return {
        "rig": rig.name,
        "alarm": change.key,
        "title": title_of(rig, change),
        "state": str(change.new),
        "standing": change.new.standing,
        "hiding": None if change.hiding is None else str(change.hiding),
        "until": None if change.until_utc_ms is None else rfc3339(change.until_utc_ms),
        "priority": None if plan is None else str(plan.priority),
        "at": rfc3339(change.utc_ms),
        "at_known": not change.unsure,
        "value": value,
        "unit": UNIT[probe.kind] if value is not None and probe is not None else None,
        "says": change.says,
        "by": change.by,
        "invented": rig.invented,
    }


def _block(rig: Rig, change: StoredChange) -> str:
    title = title_of(rig, change)
    lines = [title, f"  {'Over' if change.over else 'Standing'} since {when_words(change)}"]
    plan = _plan(rig, change)
    probe = _probe(rig, change)
    what = "Probe" if probe is not None else _WHAT.get(plan.watch) if plan is not None else None
    if what is not None:
        lines.append(f"  {what}: {_of(rig, change)}")
    if change.value is not None and probe is not None:
        value = value_words(probe.kind, change.value, Reason.NONE)
        lines.append(f"  Value: {value} {probe.unit_words}".rstrip())
    if change.says:
        lines.append(f"  Seen: {one_line(change.says)}")
    if plan is not None and not change.over:
        lines += [f"  Cause: {plan.cause}", f"  If nothing is done: {plan.consequence}"]
        lines += ["  What to do:"] if plan.actions else []
        lines += [f"    {number}. {action}" for number, action in enumerate(plan.actions, 1)]
    return "\n".join(lines)


def _of(rig: Rig, change: StoredChange) -> str:
    """What the alarm is of, or its key where the rig file has it no longer."""
    plan = _plan(rig, change)
    return one_line(change.key if plan is None else plan.subject)


def _listed(names: Sequence[str]) -> str:
    different = list(dict.fromkeys(names))
    first = ", ".join(different[:_MANY])
    return first if len(different) <= _MANY else f"{first} and {len(different) - _MANY} more"


def _plan(rig: Rig, change: StoredChange) -> AlarmPlan | None:
    return next((plan for plan in rig.alarms if plan.key == change.key), None)


def _probe(rig: Rig, change: StoredChange) -> Probe | None:
    """What the alarm's value is a value of: its probe's own, whatever the setpoint is in."""
    plan = _plan(rig, change)
    if plan is None:
        return None
    return next((probe for probe in rig.probes if probe.name == plan.subject), None)
