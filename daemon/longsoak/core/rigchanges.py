"""What is different between two versions of a rig file, in a few sentences. Pure."""

from collections.abc import Iterator, Sequence

from longsoak.core.wording import with_noun
from longsoak.vocabulary.alarmplan import AlarmPlan
from longsoak.vocabulary.rig import Probe, Rig

NOT_TAKEN_UP = "The rig file was changed on the disk since, and that is not taken up"
"""What is said of a file that is another than is measured under."""
_MOST = 6  # things named in one sentence
# All that a rig file says besides probes and alarms, by the fields of `Rig`, in its order.
PARTS = {
    "invented": "whether its data are invented",
    "start": "the start of the test",
    "page": "the address of the pages",
    "specimen": "the specimen",
    "reservoir": "the reservoir",
    "curves": "the curves",
    "buses": "",  # told by name
    "outputs": "the outputs",
    "mail": "mail",
    "mqtt": "MQTT",
    "database": "the database",
    "webhook": "the webhook",
    "heartbeat": "the heartbeat",
    "people": "who is told",
    "trial": "the weekly trial",
    "time_zone": "the time zone",
    "backup": "the backup",
    "marks": "the marks of the disk",
    "bands": "the bands",
    "thresholds": "the thresholds of judging",
    "limits": "the limits",
    "hand_rule": "the rule for hand readings",
    "scales": "the scales of grades",
    "room": "the room",
    "pan": "the evaporation pan",
    "answers": "the answers of the report",
}
_SEAT = ("bay", "depth", "height", "across", "place")


def changes_words(before: Rig, after: Rig) -> str:
    """What has changed from one version of a rig to another, as sentences; never empty."""
    said = [*_probes(before, after), *_alarms(before, after), *_parts(before, after)]
    if not said:
        return "No setting has changed, only the wording of the file."
    return " ".join(f"{words[0].upper()}{words[1:]}." for words in said)


def _probes(before: Rig, after: Rig) -> Iterator[str]:
    old = {probe.name: probe for probe in before.probes}
    new = {probe.name: probe for probe in after.probes}
    if added := [name for name in new if name not in old]:
        yield f"{with_noun(len(added), 'probe')} added: {_names(added)}"
    if gone := [name for name in old if name not in new]:
        yield f"{with_noun(len(gone), 'probe')} removed: {_names(gone)}"
    both = [(old[name], new[name]) for name in new if name in old]
    if moved := [b.name for a, b in both if a.seat != b.seat]:
        yield f"{with_noun(len(moved), 'probe')} moved: {_names(moved)}"
    if wired := [b.name for a, b in both if (a.bus, a.address) != (b.bus, b.address)]:
        yield f"bus or address changed of {_names(wired)}"
    periods = [_period(a, b) for a, b in both if (a.every, a.record) != (b.every, b.record)]
    if periods:
        yield f"{with_noun(len(periods), 'period')} changed: {_names(periods)}"
    if others := [b.name for a, b in both if _rest(a) != _rest(b)]:
        yield f"how it is read or converted changed of {_names(others)}"


def _period(before: Probe, after: Probe) -> str:
    if before.every != after.every:
        return f"{after.name} every {after.every:g} s ({before.every:g} s before)"
    return f"{after.name} kept every {after.record:g} s ({before.record:g} s before)"


def _rest(probe: Probe) -> tuple[object, ...]:
    """What is told of a probe in no other sentence."""
    told = {*_SEAT, "bus", "address", "every", "record"}
    return tuple(getattr(probe, name) for name in probe.__slots__ if name not in told)


def _alarms(before: Rig, after: Rig) -> Iterator[str]:
    """Changes of alarms but for those that come, go and change with their probes."""
    old = {plan.key: plan for plan in before.alarms}
    new = {plan.key: plan for plan in after.alarms}
    there = {probe.name for probe in before.probes} & {probe.name for probe in after.probes}
    probes = {probe.name for rig in (before, after) for probe in rig.probes}
    # What is said of an alarm names the place of its probe, and changes with that.
    as_before = {probe.name for probe in before.probes if probe in after.probes}

    def of_itself(plan: AlarmPlan) -> bool:
        return plan.subject in there or plan.subject not in probes

    added = [p.title for p in new.values() if p.key not in old and of_itself(p)]
    gone = [p.title for p in old.values() if p.key not in new and of_itself(p)]
    both = [(old[key], plan) for key, plan in new.items() if key in old]
    moved = [(a, b) for a, b in both if (a.setpoint, a.unit) != (b.setpoint, b.unit)]
    others = [
        b.title
        for a, b in both
        if a != b and (a, b) not in moved and (b.subject in as_before or b.subject not in probes)
    ]
    if added:
        yield f"{with_noun(len(added), 'alarm')} added: {_names(added)}"
    if gone:
        yield f"{with_noun(len(gone), 'alarm')} removed: {_names(gone)}"
    if moved:
        levels = [_level(a, b) for a, b in moved]
        yield f"{with_noun(len(levels), 'level')} of alarms changed: {_names(levels)}"
    if others:
        yield f"{with_noun(len(others), 'alarm')} changed otherwise: {_names(others)}"


def _level(before: AlarmPlan, after: AlarmPlan) -> str:
    was, now = (
        "none" if plan.setpoint is None else f"{plan.setpoint:g} {plan.unit}".rstrip()
        for plan in (before, after)
    )
    return f"{after.title}, {after.subject}, at {now} ({was} before)"


def _parts(before: Rig, after: Rig) -> Iterator[str]:
    old = {bus.name: bus for bus in before.buses}
    new = {bus.name: bus for bus in after.buses}
    if added := [name for name in new if name not in old]:
        yield f"{with_noun(len(added), 'bus', 'buses')} added: {_names(added)}"
    if gone := [name for name in old if name not in new]:
        yield f"{with_noun(len(gone), 'bus', 'buses')} removed: {_names(gone)}"
    if changed := [name for name, bus in new.items() if name in old and bus != old[name]]:
        yield f"{with_noun(len(changed), 'bus', 'buses')} changed: {_names(changed)}"
    parts = [
        words
        for field, words in PARTS.items()
        if words and getattr(before, field) != getattr(after, field)
    ]
    if parts:
        yield f"also changed: {_names(parts)}"


def _names(names: Sequence[str]) -> str:
    """Names in a row; of many, some, and how many more."""
    if len(names) <= _MOST:
        return "; ".join(names) if any("," in name for name in names) else ", ".join(names)
    more = len(names) - _MOST
    return f"{_names(names[:_MOST])} and {more} more"
