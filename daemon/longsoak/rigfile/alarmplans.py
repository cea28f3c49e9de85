"""The full list of alarms: those every rig has, with what its file changes or adds."""

import re
from collections.abc import Sequence
from dataclasses import replace

from longsoak.rigfile.alarmchecks import subject_of
from longsoak.rigfile.alarmset import (
    DRIFT_DEADBAND_SHARE,
    Parts,
    crossed,
    disagree_deadband,
    drift,
    standard_set,
)
from longsoak.rigfile.alarmtable import AlarmTable
from longsoak.rigfile.alarmtexts import AlarmWriter
from longsoak.rigfile.alarmusual import REPEAT
from longsoak.rigfile.words import given
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch
from longsoak.vocabulary.rig import UNIT, Bay, Probe


def plan_alarms(
    parts: Parts, *, bays: Sequence[Bay], changes: Sequence[AlarmTable]
) -> tuple[AlarmPlan, ...]:
    """Plan every alarm of a rig.

    Parameters
    ----------
    parts : Parts
        What alarms are made for.
    bays : sequence of Bay
        Where its probes are.
    changes : sequence of AlarmTable
        The checked ``[[alarms]]``. One that names a subject goes before one that doesn't.
    """
    plans = {plan.key: plan for plan in standard_set(parts)}
    by_name = {probe.name: probe for probe in parts.probes}
    for change in sorted(changes, key=lambda change: subject_of(change) is not None):
        watch, subject = given(change.watch), subject_of(change)
        if subject is not None and watch in (Watch.DRIFT, Watch.ABOVE, Watch.BELOW):
            probe = by_name[subject]
            added = drift(probe, change.against) if watch is Watch.DRIFT else crossed(watch, probe)
            plans.setdefault(added.key, added)
        for key, plan in plans.items():
            if plan.watch is watch and subject in (None, plan.subject):
                plans[key] = _changed(plan, change, by_name=by_name)
    writer = AlarmWriter(bays=bays, reservoir=parts.reservoir, probes=parts.probes)
    return tuple(writer.written(plan) for plan in plans.values())


def _changed(plan: AlarmPlan, change: AlarmTable, *, by_name: dict[str, Probe]) -> AlarmPlan:
    usual = plan.watch is Watch.DISAGREE and plan.deadband == disagree_deadband(
        given(plan.setpoint)
    )
    if change.setpoint is not None and not (plan.watch is Watch.OVERFILL and plan.setpoint is None):
        plan = replace(plan, setpoint=change.setpoint)  # a float trips where it is mounted
    if usual:
        plan = replace(plan, deadband=disagree_deadband(given(plan.setpoint)))
    if change.against is not None and change.deadband is None:
        plan = replace(plan, deadband=DRIFT_DEADBAND_SHARE * given(plan.setpoint))
    if change.against is not None:
        unit = UNIT[by_name[plan.subject].kind]
        plan = replace(plan, against=change.against, unit=unit)
    if change.deadband is not None and plan.setpoint is not None:
        plan = replace(plan, deadband=change.deadband)
    priority = change.priority or plan.priority
    usual_repeat = plan.repeat if priority is plan.priority else REPEAT[priority]
    return replace(
        plan,
        priority=priority,
        within=change.within or plan.within,
        repeat=usual_repeat if change.repeat is None else change.repeat,
        latching=plan.latching if change.latching is None else change.latching,
        on_delay=plan.on_delay if change.on_delay is None else change.on_delay,
        off_delay=plan.off_delay if change.off_delay is None else change.off_delay,
        title=_naming(change.title, plan.subject) if change.title else plan.title,
        cause=change.cause or plan.cause,
        consequence=change.consequence or plan.consequence,
        actions=tuple(change.actions or plan.actions),
    )


def _naming(title: str, subject: str) -> str:
    # One table may give its title to many alarms, and a mail that says "Probe silent" sends nobody
    # anywhere.
    named = re.search(rf"(?<!\w){re.escape(subject)}(?!\w)", title, re.IGNORECASE)
    return title if named else f"{title}, {subject}"
