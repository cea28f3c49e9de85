"""What a notice says of changes of alarms. Pure; every way shares it."""

from collections.abc import Mapping, Sequence
from math import isfinite

from longsoak.core.alarmrates import BURST, first_outs
from longsoak.core.clockplace import NOT_KNOWN
from longsoak.core.wording import age_words, rfc3339, time_words, value_words, with_noun
from longsoak.vocabulary.alarm import Priority, StoredChange
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch
from longsoak.vocabulary.flags import Reason
from longsoak.vocabulary.rig import UNIT, Probe, Rig

_WHAT = {Watch.BUS: "Bus", Watch.OUTLET: "Outlet"}
_MANY = 4  # names in a subject; mail programs show some 80 characters of it
WHOLE, LINES = 12, 30  # alarms told in full in one notice, and further ones told in a line each
INVENTED = "All data of this rig are invented."
_DAY_MS = 86_400_000
Came = Mapping[str, StoredChange]  # the change by which each alarm came, as far as is known


def one_line(text: str) -> str:
    """Text as one line: what could end a mail's header or steer a terminal becomes a space."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def error_words(error: Exception) -> str:
    """Why something failed, as one line: the system's own words where it has some."""
    if isinstance(error, OSError) and error.strerror:
        return one_line(error.strerror)
    return one_line(str(error)) or type(error).__name__


def title_of(rig: Rig, change: StoredChange) -> str:
    """The alarm's title, or its key where the rig file has it no longer."""
    plan = plan_of(rig, change)
    return one_line(change.key if plan is None else plan.title)


def when_words(change: StoredChange) -> str:
    """When it was; what is sent stays, so it says if that may turn out to be wrong."""
    when = time_words(change.utc_ms)
    return f"{when} ({NOT_KNOWN})" if change.unsure else when


def is_high(rig: Rig, change: StoredChange) -> bool:
    """Whether what is told is that an alarm of high priority came or stands still."""
    plan = plan_of(rig, change)
    return plan is not None and plan.priority is Priority.HIGH and not change.over


def subject(rig: Rig, changes: Sequence[StoredChange]) -> str:
    """One line for all of `changes`: the alarm's title if it is one, else how many, of what.

    The priority is said only where it is high, or nobody would look for it any more.
    """
    last = {change.key: change for change in changes}
    high = any(is_high(rig, change) for change in last.values())
    head = f"{'High priority, ' if high else ''}{one_line(rig.name)}"
    if len(last) == 1:
        (change,) = last.values()
        over = "over: " if change.over else ""
        if change.new.standing and change.old.standing and len(changes) == 1:
            over = "still standing: "
        return f"{head}: {over}{title_of(rig, change)}"
    ended = [_of(rig, change) for change in last.values() if change.over]
    raised = [_of(rig, change) for change in last.values() if not change.over]
    counts = (
        f"{with_noun(len(raised), 'alarm')} ({_listed(raised)})" if raised else "",
        f"{len(ended)} over ({_listed(ended)})" if ended else "",
    )
    return f"{head}: {', '.join(filter(None, counts))}"


def body(
    rig: Rig,
    changes: Sequence[StoredChange],
    *,
    came: Came | None = None,
    heading: str | None = None,
    utc_ms: int | None = None,
) -> str:
    """The text of a message about `changes`: an alarm each, in the order they first changed.

    One that came and went meanwhile is a line. Of many, those of high priority and the first are
    told in full.

    Parameters
    ----------
    rig : Rig
        Says what the alarms mean.
    changes : sequence of StoredChange
        What is told, oldest first.
    came : mapping, optional
        The change by which each alarm came, by key.
    heading : str, optional
        What is said of all of them together.
    utc_ms : int, optional
        Now, to tell how much of the time one has is left.
    """
    last = {change.key: change for change in changes}
    raises = {change.key: change for change in reversed(changes) if change.came}
    passed = {key for key, change in last.items() if change.over and key in raises}
    ranked = sorted(last, key=lambda key: not is_high(rig, last[key]))  # stable: first ones first
    whole = set([key for key in ranked if key not in passed][:WHOLE])
    blocks, lines = [] if heading is None else [heading], []
    for key, change in last.items():
        if key in whole:
            raised = change if change.came else (came or {}).get(key)
            blocks.append(_block(rig, change, raised, utc_ms))
        elif key in passed:
            lines.append(
                f"{title_of(rig, change)}: came {when_words(raises[key])}, "
                f"over {when_words(change)}"
            )
        else:
            state = "over" if change.over else "standing"
            lines.append(f"{title_of(rig, change)}: {state} since {when_words(change)}")
    if len(lines) > LINES:
        more = f"And {len(lines) - LINES} more. `longsoak now` lists all that stand."
        lines = [*lines[:LINES], more]
    blocks += ["\n".join(lines)] if lines else []
    if rig.page is not None:
        blocks.append(f"To look, and to acknowledge: {rig.page}")
    if rig.invented:
        blocks.append(INVENTED)
    return "\n\n".join(blocks) + "\n"


def first_out_words(rig: Rig, group: Sequence[StoredChange]) -> str | None:
    """Which of some alarms that came together came first; None where it is but one."""
    if len(group) < 2:
        return None
    seconds = (group[-1].boottime_ms - group[0].boottime_ms) / 1000
    return (
        f"First of {len(group)} alarms within {age_words(max(1.0, seconds))}: "
        f"{title_of(rig, group[0])}"
    )


def last_burst(raised: Sequence[StoredChange]) -> Sequence[StoredChange]:
    """The alarms, of those that came in this order, that came together with the last one.

    Each is there once, where it came first.
    """
    firsts = first_outs([change.boottime_ms for change in raised], burst=1000 * BURST)
    first = firsts.get(len(raised) - 1, len(raised) - 1)
    together: dict[str, StoredChange] = {}
    for change in raised[max(0, first) :]:
        together.setdefault(change.key, change)
    return list(together.values())


def payload(rig: Rig, change: StoredChange) -> dict[str, str | float | bool | None]:
    """A change as the keys of ``alarm.schema.json``."""
    probe, plan = _probe(rig, change), plan_of(rig, change)
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


def plan_of(rig: Rig, change: StoredChange) -> AlarmPlan | None:
    """The alarm a change is of; None where the rig file has it no longer."""
    return next((plan for plan in rig.alarms if plan.key == change.key), None)


def _block(rig: Rig, change: StoredChange, came: StoredChange | None, utc_ms: int | None) -> str:
    plan, probe = plan_of(rig, change), _probe(rig, change)
    lines = [title_of(rig, change)]
    if plan is not None and not change.over:
        lines.append(f"  Priority: {plan.priority}")
    since = change if change.over or came is None else came
    lines.append(f"  {'Over' if change.over else 'Standing'} since {when_words(since)}")
    if plan is not None and not change.over and came is not None:
        lines.append(f"  {_time_left(plan, came, utc_ms)}")
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


def _time_left(plan: AlarmPlan, came: StoredChange, utc_ms: int | None) -> str:
    until = came.utc_ms + round(1000 * plan.within)
    past = utc_ms is not None and utc_ms > until
    about = f"{'You had' if past else 'You have'} about {_length_words(plan.within)}"
    if came.unsure:  # a time of day would be wrong
        return f"{about} from when it came."
    words = time_words(until)
    return f"{about}, until {words if plan.within >= _DAY_MS / 1000 else words.split(', ')[1]}."


def _length_words(seconds: float) -> str:
    for size, word in ((86_400, "days"), (3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.3g} {word}"
    return f"{seconds:.3g} s"


def _of(rig: Rig, change: StoredChange) -> str:
    """What the alarm is of, or its key where the rig file has it no longer."""
    plan = plan_of(rig, change)
    return one_line(change.key if plan is None else plan.subject)


def _listed(names: Sequence[str]) -> str:
    different = list(dict.fromkeys(names))
    first = ", ".join(different[:_MANY])
    return first if len(different) <= _MANY else f"{first} and {len(different) - _MANY} more"


def _probe(rig: Rig, change: StoredChange) -> Probe | None:
    """What the alarm's value is a value of: its probe's own, whatever the setpoint is in."""
    plan = plan_of(rig, change)
    if plan is None:
        return None
    return next((probe for probe in rig.probes if probe.name == plan.subject), None)
