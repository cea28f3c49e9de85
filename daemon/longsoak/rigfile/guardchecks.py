"""Whether every guard of the water is watched, and its alarm comes in time and can end.

These compare values a record may already be kept under, so a kept text is not held to them.
"""

from dataclasses import dataclass
from math import inf

from longsoak.rigfile.alarmchecks import subject_of
from longsoak.rigfile.alarmset import DISAGREE_MARGIN, WATER_DEADBAND, disagree_deadband
from longsoak.rigfile.draft import Draft
from longsoak.rigfile.lines import KeyPath
from longsoak.rigfile.reading import Part
from longsoak.rigfile.report import Report, number, quoted
from longsoak.rigfile.tables import ReservoirTable
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.rig import Kind


@dataclass(frozen=True, slots=True)
class _Set:
    """A height in mm and where the file says it; no path where the file leaves it to us."""

    value: float
    path: KeyPath | None


@dataclass(frozen=True, slots=True)
class _Alarm:
    """What an alarm of the water goes by; `own` where ``[[alarms]]`` gives the setpoint."""

    setpoint: _Set
    deadband: _Set
    own: bool


def check_guards(draft: Draft, *, report: Report) -> None:
    """Note levels and floats that nothing watches, and setpoints that contradict the rig."""
    if draft.reservoir is None:
        return
    _check_named(draft, draft.reservoir, report=report)
    _check_float(draft, draft.reservoir, report=report)
    _check_disagreement(draft, draft.reservoir, report=report)
    table, path = draft.reservoir.table, draft.reservoir.path
    if table.level is None or table.stop is None or table.pump_needs is None:
        return
    stop = _Set(table.stop, (*path, "stop"))
    needs = _Set(table.pump_needs, (*path, "pump_needs"))
    overfill = _alarm(draft, Watch.OVERFILL, table.level, usual=stop)
    dry = _alarm(draft, Watch.DRY, table.level, usual=needs)
    rim = inf if table.rim is None else table.rim
    set_here = [alarm.setpoint.value for alarm in (overfill, dry) if alarm.own]
    if not all(0 < setpoint <= rim for setpoint in set_here):
        return  # said already
    if overfill.own:
        _check_overfill(overfill, draft, report=report)
    _check_overfill_ends(overfill, report=report)
    if needs.value >= stop.value:
        return  # said of pump_needs already
    _check_dry(dry, overfill, stop=stop, needs=needs, report=report)
    _check_dry_ends(dry, stop, report=report)


def _alarm(draft: Draft, watch: Watch, probe: str, *, usual: _Set) -> _Alarm:
    # As `plan_alarms` has it: a table that names the probe goes before one that doesn't.
    found = _Alarm(usual, _Set(WATER_DEADBAND, None), own=False)
    tables = [part for part in draft.alarms if part.table.watch is watch]
    for part in sorted(tables, key=lambda part: subject_of(part.table) is not None):
        if subject_of(part.table) not in (None, probe):
            continue
        setpoint, deadband = found.setpoint, found.deadband
        if part.table.setpoint is not None:
            setpoint = _Set(part.table.setpoint, (*part.path, "setpoint"))
        if part.table.deadband is not None:
            deadband = _Set(part.table.deadband, (*part.path, "deadband"))
        found = _Alarm(setpoint, deadband, own=found.own or part.table.setpoint is not None)
    return found


def _check_named(draft: Draft, reservoir: Part[ReservoirTable], *, report: Report) -> None:
    table = reservoir.table
    for kind, key, words, named in (
        (Kind.LEVEL, "level", "level probe", table.level),
        (Kind.FLOAT, "float", "float", table.float_probe),
    ):
        if key in reservoir.keys and named not in {
            probe.table.name for probe in draft.probes if probe.table.kind in (kind, None)
        }:
            continue  # that reference is the mistake
        for probe in draft.probes:
            name = probe.table.name
            if probe.table.kind is not kind or name is None or name == named:
                continue
            if draft.pan is not None and name == draft.pan.table.level:
                continue
            if named is None:
                expected = f"a {words} that [reservoir] names: no other is watched for an overfill"
                remedy = f"Write {key} = {quoted(name)} in [reservoir], or remove the probe."
            else:
                expected = (
                    f"{quoted(named)}, the one {words} that [reservoir] names "
                    f"(line {report.line((*reservoir.path, key))}): no other is watched for an "
                    "overfill"
                )
                remedy = f"Name this one in [reservoir] as {key} instead, or remove the probe."
            report.add((*probe.path, "name"), name, expected=expected, remedy=remedy)


def _check_float(draft: Draft, reservoir: Part[ReservoirTable], *, report: Report) -> None:
    stop, name = reservoir.table.stop, reservoir.table.float_probe
    underside = draft.specimen.table.underside
    for probe in draft.probes:
        trips_at = probe.table.trips_at
        if name is None or probe.table.name != name or trips_at is None:
            continue
        if stop is not None and stop >= trips_at:
            report.add(
                (*reservoir.path, "stop"),
                stop,
                expected=f"less than {number(trips_at)}, where {quoted(name)} trips "
                f"(line {report.line((*probe.path, 'trips_at'))}), or every top-up sets it off",
                remedy="Lower stop, or mount the float higher.",
            )
        if underside is not None and trips_at >= underside:
            report.add(
                (*probe.path, "trips_at"),
                trips_at,
                expected=f"less than {number(underside)}, the specimen's underside "
                f"(line {report.line(('specimen', 'underside'))}), or it is wet before the float "
                "trips",
                remedy="Mount the float lower, or raise the specimen.",
            )


def _check_disagreement(draft: Draft, reservoir: Part[ReservoirTable], *, report: Report) -> None:
    name = reservoir.table.float_probe
    switch = next((probe for probe in draft.probes if probe.table.name == name), None)
    if name is None or switch is None or switch.table.trips_at is None:
        return
    alarm = _alarm(draft, Watch.DISAGREE, name, usual=_Set(DISAGREE_MARGIN, None))
    margin, deadband, trips_at = alarm.setpoint, alarm.deadband, switch.table.trips_at
    if margin.value <= 0:
        return  # said already
    if margin.path is not None and margin.value >= trips_at:
        report.add(
            margin.path,
            margin.value,
            expected=f"less than {number(trips_at)}, where {quoted(name)} trips "
            f"(line {report.line((*switch.path, 'trips_at'))}), or a float that sticks up is never "
            "told",
            remedy="Write how far the two may differ in mm, for example setpoint = "
            f"{number(min(DISAGREE_MARGIN, trips_at / 2))}.",
        )
    if deadband.path is not None and deadband.value >= margin.value:
        given_by = f" (line {report.line(margin.path)})" if margin.path is not None else ""
        report.add(
            deadband.path,
            deadband.value,
            expected=f"less than {number(margin.value)}, how far the two may differ{given_by}, or "
            "the alarm stands even when they agree",
            remedy=f"Write for example deadband = {number(disagree_deadband(margin.value))}.",
        )


def _check_overfill(overfill: _Alarm, draft: Draft, *, report: Report) -> None:
    underside = draft.specimen.table.underside
    if underside is not None and overfill.setpoint.value >= underside:
        report.add(
            overfill.setpoint.path or (),
            overfill.setpoint.value,
            expected=f"less than {number(underside)}, the specimen's underside "
            f"(line {report.line(('specimen', 'underside'))}), or it is wet before the alarm comes",
            remedy="Lower setpoint, or raise the specimen.",
        )


def _check_overfill_ends(overfill: _Alarm, *, report: Report) -> None:
    setpoint, deadband = overfill.setpoint, overfill.deadband
    if deadband.value < setpoint.value:
        return
    if deadband.path is not None:
        report.add(
            deadband.path,
            deadband.value,
            expected=f"less than {number(setpoint.value)}, where the alarm comes "
            f"(line {report.line(setpoint.path or ())}), or it stands even with no water",
            remedy=f"Write for example deadband = {number(_usual_below(setpoint.value))}.",
        )
    else:
        report.add(
            setpoint.path or (),
            setpoint.value,
            expected=f"more than {number(deadband.value)}, the usual deadband, or the alarm "
            "stands even with no water",
            remedy="Correct it; it is in millimetres above the reservoir's floor.",
        )


def _usual_below(room: float) -> float:
    return min(WATER_DEADBAND, room / 2)


def _check_dry(dry: _Alarm, overfill: _Alarm, *, stop: _Set, needs: _Set, report: Report) -> None:
    if overfill.setpoint.value < stop.value:
        least, what = overfill.setpoint, "where the overfill alarm comes"
        why = "or one of the two always stands"
    else:
        least, what = stop, "where a top-up ends"
        why = "or no top-up ends the alarm"
    if dry.setpoint.value >= least.value:
        if dry.own:
            report.add(
                dry.setpoint.path or (),
                dry.setpoint.value,
                expected=f"less than {number(least.value)}, {what} "
                f"(line {report.line(least.path or ())}), {why}",
                remedy=f"Lower it; the pump needs {number(needs.value)}.",
            )
        else:
            report.add(
                least.path or (),
                least.value,
                expected=f"more than {number(needs.value)}, where the dry alarm comes "
                f"(pump_needs, line {report.line(needs.path or ())}), or one of the two always "
                "stands",
                remedy="Correct setpoint; leave it out to be told at stop.",
            )
    elif dry.own and dry.setpoint.value < needs.value:
        report.add(
            dry.setpoint.path or (),
            dry.setpoint.value,
            expected=f"{number(needs.value)} or more, what the pump needs "
            f"(line {report.line(needs.path or ())}), or it runs dry before the alarm comes",
            remedy=f"Write setpoint = {number(needs.value)}, or correct pump_needs.",
        )


def _check_dry_ends(dry: _Alarm, stop: _Set, *, report: Report) -> None:
    room = stop.value - dry.setpoint.value
    if room <= 0 or dry.deadband.value < room:
        return
    where = f"a top-up ends at {number(stop.value)} (line {report.line(stop.path or ())})"
    if dry.deadband.path is not None:
        report.add(
            dry.deadband.path,
            dry.deadband.value,
            expected=f"less than {number(room)}: {where}, "
            f"the alarm comes at {number(dry.setpoint.value)} "
            f"(line {report.line(dry.setpoint.path or ())}), and has to end between the two",
            remedy=f"Write for example deadband = {number(_usual_below(room))}.",
        )
    else:
        report.add(
            dry.setpoint.path or (),
            dry.setpoint.value,
            expected=f"less than {number(stop.value - dry.deadband.value)}: {where}, and the dry "
            f"alarm has to end {number(dry.deadband.value)}, the usual deadband, above where it "
            "comes",
            remedy="Lower it, or raise stop.",
        )
