"""The full list of alarms: those every rig has, with what its file changes or adds."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from longsoak.rigfile.alarmchecks import RECORD, subject_of
from longsoak.rigfile.alarmtable import AlarmTable
from longsoak.rigfile.alarmtexts import AlarmWriter
from longsoak.rigfile.words import given
from longsoak.vocabulary.rig import (
    JUDGED,
    PUMP,
    UNIT,
    AlarmPlan,
    Bay,
    Bus,
    Kind,
    Probe,
    Reservoir,
    Watch,
)

# All of these are common practice for a rig that runs for months, none from a standard.
WATER_DEADBAND = 3.0  # mm: ripples from the drip rail and the pump
OVERFILL_ON, OVERFILL_OFF = 5.0, 30.0  # s
FLOAT_ON, FLOAT_OFF = 2.0, 30.0  # s: a float bounces for a second or so
DRY_ON, DRY_OFF = 30.0, 60.0  # s: a pump survives half a minute
LEVEL_UNKNOWN_ON, LEVEL_UNKNOWN_OFF = 30.0, 10.0  # s
DISAGREE_MARGIN = 5.0  # mm: what a float's mounting and a level probe's zero are off together
DISAGREE_ON, DISAGREE_OFF = 600.0, 60.0  # s: both have settled long since after a top-up
PUMP_ON, PUMP_OFF = 60.0, 30.0  # s: a pump that draws air for a while, or is started anew
SILENT_LEAST = 30.0  # s: a bus that is opened anew takes that long
SILENT_PERIODS = 1.5  # one missed poll and half a period's grace
BUS_ON = 10.0  # s
# 2 % more resistance moves a moisture content of up to 25 % by less than 0.1 % (computed from the
# two-parameter Douglas-fir relation of Straube, Onysko and Schumacher 2002, from memory).
DRIFT_PERCENT, DRIFT_DEADBAND = 2.0, 0.5  # % of nominal
DRIFT_DEADBAND_SHARE = 0.25  # of the setpoint, as for the reference resistor
AT_ONCE = 0.0  # s: one good answer is proof enough
RECORD_ON = 10.0  # s: a commit may stall for seconds
DISK_ON = 60.0  # s: something large may be there for a moment only
LOG_ON = 600.0  # s: a backup holds the log open while it copies
OUTLET_ON = 60.0  # s: a server that restarts is back by then
BACKUP_ON = 7200.0  # s: by then it was tried again
_OF_THE_RECORD = {
    Watch.RECORD: RECORD_ON,
    Watch.LOST: AT_ONCE,
    Watch.DAMAGED: AT_ONCE,
    Watch.DISK: DISK_ON,
    Watch.LOG: LOG_ON,
}


def plan_alarms(
    *,
    bays: Sequence[Bay],
    reservoir: Reservoir | None,
    probes: Sequence[Probe],
    buses: Sequence[Bus],
    outlets: Sequence[str],
    backup: bool,
    changes: Sequence[AlarmTable],
) -> tuple[AlarmPlan, ...]:
    """Plan every alarm of a rig.

    Parameters
    ----------
    bays, reservoir, probes, buses : checked parts of the rig
    outlets : sequence of str
        Which of mail, mqtt, readings and database are set up.
    backup : bool
        Whether the record is to be backed up.
    changes : sequence of AlarmTable
        The checked ``[[alarms]]``. One that names a subject goes before one that doesn't.
    """
    plans: dict[str, AlarmPlan] = {}
    by_name = {probe.name: probe for probe in probes}
    for plan in _defaults(reservoir=reservoir, probes=probes, buses=buses, outlets=outlets):
        plans[plan.key] = plan
    if backup:
        plan = _plan(Watch.BACKUP, RECORD, on_delay=BACKUP_ON, off_delay=AT_ONCE)
        plans[plan.key] = plan
    for change in sorted(changes, key=lambda change: subject_of(change) is not None):
        watch, subject = given(change.watch), subject_of(change)
        if watch is Watch.DRIFT and subject is not None:
            added = _drift(by_name[subject], change.against)
            plans.setdefault(added.key, added)
        for key, plan in plans.items():
            if plan.watch is watch and subject in (None, plan.subject):
                plans[key] = _changed(plan, change, by_name=by_name)
    writer = AlarmWriter(bays=bays, reservoir=reservoir, probes=probes)
    return tuple(writer.written(plan) for plan in plans.values())


def _plan(
    watch: Watch,
    subject: str,
    *,
    on_delay: float,
    off_delay: float,
    setpoint: float | None = None,
    deadband: float = 0.0,
    unit: str = "",
    against: str | None = None,
) -> AlarmPlan:
    # The texts are written last, when the numbers in them are settled.
    return AlarmPlan(
        key=f"{watch}:{subject}",
        title="",
        watch=watch,
        subject=subject,
        on_delay=on_delay,
        off_delay=off_delay,
        cause="",
        consequence="",
        actions=(),
        setpoint=setpoint,
        deadband=deadband,
        unit=unit,
        against=against,
    )


def _defaults(
    *,
    reservoir: Reservoir | None,
    probes: Sequence[Probe],
    buses: Sequence[Bus],
    outlets: Sequence[str],
) -> Iterator[AlarmPlan]:
    if reservoir is not None:
        yield from _water(reservoir)
    for probe in probes:
        if probe.kind in PUMP:
            yield _plan(
                Watch.PUMP_STOPPED,
                probe.name,
                on_delay=PUMP_ON,
                off_delay=PUMP_OFF,
                setpoint=given(probe.runs_from),
                unit=UNIT[probe.kind],
            )
    for probe in probes:
        if probe.kind is Kind.REFERENCE:
            yield _drift(probe, None)
    for probe in probes:
        if probe.kind in JUDGED:
            yield _plan(Watch.DOUBT, probe.name, on_delay=AT_ONCE, off_delay=AT_ONCE)
    for probe in probes:
        if reservoir is not None and probe.name == reservoir.level:
            continue  # "level unknown" says it already, and sooner
        yield _plan(Watch.SILENT, probe.name, on_delay=_patience(probe), off_delay=AT_ONCE)
    for bus in buses:
        yield _plan(Watch.BUS, bus.name, on_delay=BUS_ON, off_delay=AT_ONCE)
    for outlet in outlets:
        yield _plan(Watch.OUTLET, outlet, on_delay=OUTLET_ON, off_delay=AT_ONCE)
    for watch, on_delay in _OF_THE_RECORD.items():
        yield _plan(watch, RECORD, on_delay=on_delay, off_delay=AT_ONCE)


def _water(reservoir: Reservoir) -> Iterator[AlarmPlan]:
    yield _plan(
        Watch.OVERFILL,
        reservoir.level,
        on_delay=OVERFILL_ON,
        off_delay=OVERFILL_OFF,
        setpoint=reservoir.stop,
        deadband=WATER_DEADBAND,
        unit=UNIT[Kind.LEVEL],
    )
    if reservoir.float_switch is not None:
        yield _plan(Watch.OVERFILL, reservoir.float_switch, on_delay=FLOAT_ON, off_delay=FLOAT_OFF)
    yield _plan(
        Watch.DRY,
        reservoir.level,
        on_delay=DRY_ON,
        off_delay=DRY_OFF,
        setpoint=reservoir.pump_needs,
        deadband=WATER_DEADBAND,
        unit=UNIT[Kind.LEVEL],
    )
    yield _plan(
        Watch.LEVEL_UNKNOWN,
        reservoir.level,
        on_delay=LEVEL_UNKNOWN_ON,
        off_delay=LEVEL_UNKNOWN_OFF,
    )
    if reservoir.float_switch is not None:
        yield _plan(
            Watch.DISAGREE,
            reservoir.float_switch,
            on_delay=DISAGREE_ON,
            off_delay=DISAGREE_OFF,
            setpoint=DISAGREE_MARGIN,
            deadband=disagree_deadband(DISAGREE_MARGIN),
            unit=UNIT[Kind.LEVEL],
            against=reservoir.level,
        )


def disagree_deadband(margin: float) -> float:
    """The usual deadband, mm: ripples, but never so much that agreeing would not end the alarm."""
    return min(WATER_DEADBAND, margin / 2)


def _patience(probe: Probe) -> float:
    return max(SILENT_LEAST, SILENT_PERIODS * probe.every)


def _drift(probe: Probe, against: str | None) -> AlarmPlan:
    if against is None:
        return _plan(
            Watch.DRIFT,
            probe.name,
            on_delay=_patience(probe),
            off_delay=AT_ONCE,
            setpoint=DRIFT_PERCENT,
            deadband=DRIFT_DEADBAND,
            unit="%",
        )
    return _plan(
        Watch.DRIFT,
        probe.name,
        on_delay=_patience(probe),
        off_delay=AT_ONCE,
        unit=UNIT[probe.kind],
        against=against,
    )


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
    return replace(
        plan,
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
