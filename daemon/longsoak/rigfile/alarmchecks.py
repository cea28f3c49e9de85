"""Whether what ``[[alarms]]`` changes or adds is there, and makes sense."""

from collections.abc import Mapping

from longsoak.rigfile.alarmtable import OUTLETS, AlarmTable
from longsoak.rigfile.draft import Draft
from longsoak.rigfile.reading import Part
from longsoak.rigfile.references import check_known
from longsoak.rigfile.report import MISSING, Report, listed, nearest, number, quoted
from longsoak.rigfile.tables import ProbeTable
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.notices import MAIL_LIST, Way
from longsoak.vocabulary.rig import JUDGED, PUMP, SWITCHES, UNIT_WORDS, Kind

RECORD = "record"  # what an alarm about the record has for its subject
COMPUTER = "computer"
OF_THE_RECORD = (Watch.RECORD, Watch.LOST, Watch.DAMAGED, Watch.DISK, Watch.LOG)
OF_THE_COMPUTER = (Watch.CLOCK, Watch.RESTARTED, Watch.UNDERVOLTAGE, Watch.TRIAL)
FOUND = (Watch.STUCK, Watch.DRIFTING, Watch.SHORT, Watch.INSULATION, Watch.DOUBT)  # by judging
OWN = (Watch.ABOVE, Watch.BELOW)  # alarms of one's own, of which a rig has none by itself
# What a table narrows its watch to: a probe, where nothing else is said.
_ONE_ONLY = (*OF_THE_RECORD, *OF_THE_COMPUTER, Watch.BACKUP)
_NARROWED_BY: Mapping[Watch, str | None] = {
    Watch.BUS: "bus",
    Watch.OUTLET: "outlet",
    Watch.BEHIND: "outlet",
    **dict.fromkeys(_ONE_ONLY),
}
_LEVELS = (Watch.OVERFILL, Watch.NEAR, Watch.CONTACT, Watch.LOW, Watch.DRY)
_ROOM = (Watch.HOT, Watch.COLD, Watch.HUMID)
_WITH_SETPOINT = (*_LEVELS, *_ROOM, *OWN, Watch.DISAGREE, Watch.DRIFT)
_OF_THE_LEVEL = (
    Watch.NEAR,
    Watch.CONTACT,
    Watch.LOW,
    Watch.DRY,
    Watch.LEVEL_UNKNOWN,
    Watch.LEVEL_DOUBT,
    Watch.LEAK,
    Watch.SALTS,
)
_WATER = (
    *_OF_THE_LEVEL,
    Watch.OVERFILL,
    Watch.DISAGREE,
    Watch.PUMP_STOPPED,
    Watch.PUMP_STILL,
)
_OF_SOME_KINDS = (*_WATER, *_ROOM, *FOUND, Watch.OPEN)
_FORWARDERS = ("readings", "database")
_STATES = {Kind.FLOAT: "up or down", Kind.BUTTON: "pressed or not"}
_AN_OUTLET = "[notices.mail], [notices.mqtt], [forward.database] or [heartbeat]"


def check_alarms(draft: Draft, *, report: Report) -> None:
    """Note alarms that watch nothing, and keys that change nothing."""
    taken: dict[tuple[Watch, str | None], int] = {}
    for entry in draft.alarms:
        watch = entry.table.watch
        wrong = _foreign_keys(watch) if watch is not None else frozenset()
        _check_references(entry, draft, skip=wrong, report=report)
        if watch is None:
            continue
        for key in AlarmTable.model_fields:
            if key in wrong and getattr(entry.table, key) is not None:
                report.add(
                    (*entry.path, key),
                    getattr(entry.table, key),
                    expected=f'no such key with watch = "{watch}"',
                    remedy=f"Remove {key}, or correct watch.",
                )
        subject = subject_of(entry.table)
        line = report.line(entry.path)
        first = taken.setdefault((watch, subject), line)
        if first != line:
            report.add(
                (*entry.path, "watch"),
                str(watch),
                expected=f"one table for each alarm (line {first} is for the same)",
                remedy="Put what both say into one table.",
            )
        _check_subject(entry, watch, subject, draft, report=report)
        _check_setpoint(entry, watch, subject, draft, report=report)


def subject_of(table: AlarmTable) -> str | None:
    """What a table narrows its watch to; None for every alarm of that watch."""
    if table.watch is None:
        return None
    return {"probe": table.probe, "bus": table.bus, "outlet": table.outlet, None: None}[
        _NARROWED_BY.get(table.watch, "probe")
    ]


def _outlets(draft: Draft) -> list[str]:
    """What alarms about outlets can be about, as `longsoak.core.routes.subjects_of` has it."""
    parts = (draft.mail, draft.mqtt, draft.readings, draft.database, draft.heartbeat)
    found = [name for name, part in zip(OUTLETS, parts, strict=True) if part is not None]
    if draft.mail is not None and "to" in draft.mail.keys:
        found.append(MAIL_LIST)
    if draft.webhook is not None:
        found.append(Way.WEBHOOK.value)
    ways = ((Way.MAIL, "mail"), (Way.WEBHOOK, "webhook_file"), (Way.APPRISE, "apprise_file"))
    found += [
        f"{way} to {person.table.name}"
        for person in draft.people
        for way, key in ways
        if key in person.keys
    ]
    return found


def _check_references(
    entry: Part[AlarmTable], draft: Draft, *, skip: frozenset[str], report: Report
) -> None:
    table, path = entry.table, entry.path
    probes, buses = (
        (draft.probe_names, "a probe", "[[probes]]"),
        (
            draft.bus_names,
            "a bus",
            "[[buses]]",
        ),
    )
    for key, name, (names, what, header) in (
        ("probe", table.probe, probes),
        ("against", table.against, probes),
        ("bus", table.bus, buses),
    ):
        if key not in skip:
            check_known(report, (*path, key), name, names=names, what=what, header=header)
    if "outlet" in skip:
        return
    outlets = _outlets(draft)
    if table.outlet is not None and table.outlet not in outlets:
        meant = nearest(table.outlet, outlets)
        report.add(
            (*path, "outlet"),
            table.outlet,
            expected=f"an outlet that this file sets up: {listed(outlets)}"
            if outlets
            else "an outlet that this file sets up; it sets up none",
            remedy=f"Write outlet = {quoted(meant)}."
            if meant
            else f"Add {_AN_OUTLET}, or remove outlet.",
        )


def _foreign_keys(watch: Watch) -> frozenset[str]:
    wrong = {"probe", "bus", "outlet"} - {_NARROWED_BY.get(watch, "probe")}
    if watch is not Watch.DRIFT:
        wrong.add("against")
    if watch not in _WITH_SETPOINT:
        wrong |= {"setpoint", "deadband"}
    return frozenset(wrong)


def _check_subject(
    entry: Part[AlarmTable], watch: Watch, subject: str | None, draft: Draft, *, report: Report
) -> None:
    subjects = _subjects(watch, draft)
    if subjects is None:
        return
    if subject is None and not subjects and not entry.table.against:
        report.add(
            (*entry.path, "watch"),
            str(watch),
            expected=f"something to watch: {_WHY_NONE[watch]}",
            remedy="Add that, or remove this table.",
        )
    elif watch is Watch.DRIFT:
        _check_drift(entry, draft, report=report)
    elif watch in OWN:
        _check_own(entry, draft, report=report)
    elif watch is Watch.SILENT and draft.reservoir and subject == draft.reservoir.table.level:
        report.add(
            (*entry.path, "watch"),
            str(watch),
            expected=f'"level unknown": that is what a silent {quoted(str(subject))} alarms as',
            remedy='Write watch = "level unknown".',
        )
    elif watch in _OF_SOME_KINDS and subject in draft.probe_names.first and subject not in subjects:
        report.add(
            (*entry.path, "probe"),
            subject,
            expected=f'a probe that has the watch "{watch}": '
            f"{listed([quoted(name) for name in subjects]) or 'there is none'}",
            remedy="Name another probe, or remove this table.",
        )


_NO_ROOM = "neither [room] nor the dry_face of a bay names a probe for that"
_WHY_NONE: Mapping[Watch, str] = {
    **dict.fromkeys((*_OF_THE_LEVEL, Watch.OVERFILL), "this file has no [reservoir]"),
    **dict.fromkeys(_ROOM, _NO_ROOM),
    **dict.fromkeys(FOUND, "this file has no pins, reference resistor, humidity or temperature"),
    **dict.fromkeys((Watch.OPEN, Watch.SHORT, Watch.INSULATION), "this file has no pins"),
    Watch.BEHIND: "this file has no [forward.mqtt] or [forward.database]",
    Watch.DISAGREE: "this file has no [reservoir], or it names no float",
    Watch.PUMP_STILL: "this file has no [reservoir], or a probe of kind flow or pump current, "
    f'which tells it sooner (watch = "{Watch.PUMP_STOPPED}")',
    Watch.PUMP_STOPPED: "this file has no probe of kind flow or pump current",
    Watch.SILENT: "this file has no probe",
    Watch.DRIFT: "this file has no reference resistor, and the table names no probe",
    Watch.BUS: "this file has no bus",
    Watch.BACKUP: "this file has no [backup]",
    Watch.TRIAL: "this file has no trial in [notices]",
    Watch.OUTLET: f"this file has no {_AN_OUTLET}",
}


_KINDS: Mapping[Watch, tuple[Kind, ...]] = {
    Watch.PUMP_STOPPED: PUMP,
    Watch.DRIFT: (Kind.REFERENCE,),
    **dict.fromkeys(FOUND, JUDGED),
    **dict.fromkeys((Watch.OPEN, Watch.SHORT, Watch.INSULATION), (Kind.PINS,)),
}


def _subjects(watch: Watch, draft: Draft) -> list[str] | None:
    # None where a faulty part of the file leaves it open.
    if watch in _KINDS:
        if any(probe.table.kind is None for probe in draft.probes):
            return None
        kinds = _KINDS[watch]
        return [probe.table.name or "" for probe in draft.probes if probe.table.kind in kinds]
    if watch in _WATER:
        if draft.reservoir is None:
            return []
        if watch is Watch.PUMP_STILL and any(p.table.kind in PUMP for p in draft.probes):
            return []
        if watch is Watch.DISAGREE:
            switch = draft.reservoir.table.float_probe
            return [] if "float" not in draft.reservoir.keys else [switch] if switch else None
        names: list[str | None] = [draft.reservoir.table.level]
        if watch is Watch.OVERFILL:
            names.append(draft.reservoir.table.float_probe)
        return [name for name in names if name is not None] or None
    if watch in _ROOM:
        return _room(watch, draft)
    if watch in (Watch.OUTLET, Watch.BEHIND):
        found = _outlets(draft)
        return found if watch is Watch.OUTLET else [n for n in found if n in _FORWARDERS]
    if watch is Watch.BACKUP:
        return [] if draft.backup is None else [RECORD]
    if watch is Watch.TRIAL:
        return [COMPUTER] if draft.notices is not None and "trial" in draft.notices.keys else []
    if watch in (*OF_THE_RECORD, *OF_THE_COMPUTER):
        return [RECORD if watch in OF_THE_RECORD else COMPUTER]
    if watch is Watch.BUS:
        return list(draft.bus_names.first) or None
    return list(draft.probe_names.first) or None


def _room(watch: Watch, draft: Draft) -> list[str] | None:
    """The probe that measures the room's air for a watch; what is faulty leaves it open."""
    if draft.room is not None:
        table, key = draft.room.table, "humidity" if watch is Watch.HUMID else "temperature"
        name = table.humidity if watch is Watch.HUMID else table.temperature
        return [name] if name is not None else None if key in draft.room.keys else []
    faces = [bay.dry_face.table for bay in draft.bays if bay.dry_face is not None]
    if not faces:
        return []
    name = faces[0].humidity if watch is Watch.HUMID else faces[0].temperature
    return None if name is None else [name]


def _check_own(entry: Part[AlarmTable], draft: Draft, *, report: Report) -> None:
    """Note what an alarm of one's own lacks: without it nobody would know what to do."""
    table = entry.table
    for key, found, expected, example in (
        ("probe", table.probe, "the name of the probe that is watched", '"C 30/60"'),
        ("setpoint", table.setpoint, "the value at which it stands", "20"),
        ("cause", table.cause, "what it means that it stands", '"What it is."'),
        (
            "consequence",
            table.consequence,
            "what happens if nothing is done",
            '"What happens if nothing is done."',
        ),
        ("actions", table.actions, "what to do, a list of lines", '["Look at the pump."]'),
        ("within", table.within, "how long one has, s", "14400"),
    ):
        if found is None and key not in entry.keys:
            report.add(
                (*entry.path, key),
                MISSING,
                expected=f"{expected}: an alarm of your own has to say it",
                remedy=f"Write for example {key} = {example}.",
            )
    probe = next((p.table for p in draft.probes if p.table.name == table.probe), None)
    if probe is not None and probe.kind is Kind.FLOAT:
        report.add(
            (*entry.path, "probe"),
            table.probe,
            expected="a probe that measures; a float is only up or down",
            remedy="Name another probe, or remove this table.",
        )


def _check_drift(entry: Part[AlarmTable], draft: Draft, *, report: Report) -> None:
    table, path = entry.table, entry.path
    probes = {probe.table.name: probe.table for probe in draft.probes}
    probe = probes.get(table.probe) if table.probe is not None else None
    other = probes.get(table.against) if table.against is not None else None
    if table.probe is None and table.against is not None:
        report.add(
            (*path, "probe"),
            MISSING,
            expected="the name of the probe that is judged by the one in against",
            remedy='Write for example probe = "T cork-lime".',
        )
    if probe is None or probe.kind is None:
        return
    if probe.kind in SWITCHES:
        report.add(
            (*path, "probe"),
            table.probe,
            expected=f"a probe that measures; a {probe.kind} is only {_STATES[probe.kind]}",
            remedy="Name another probe, or remove this table.",
        )
        return
    if "against" not in entry.keys:
        if probe.kind is not Kind.REFERENCE:
            report.add(
                (*path, "against"),
                MISSING,
                expected=f'another probe of kind "{probe.kind}" to judge it by',
                remedy="Write against = and that probe's name.",
            )
    elif other is not None and (other is probe or other.kind not in (None, probe.kind)):
        report.add(
            (*path, "against"),
            table.against,
            expected=f'another probe of kind "{probe.kind}" to judge it by',
            remedy="Name a probe that measures the same.",
        )
    _check_drift_setpoint(entry, probe, report=report)


def _check_drift_setpoint(entry: Part[AlarmTable], probe: ProbeTable, *, report: Report) -> None:
    needed = probe.kind is not Kind.REFERENCE or entry.table.against is not None
    if needed and probe.kind is not None and "setpoint" not in entry.keys:
        unit = UNIT_WORDS[probe.kind]
        report.add(
            (*entry.path, "setpoint"),
            MISSING,
            expected=f"the difference that is too much, in {unit}, more than 0",
            remedy="Write for example setpoint = 2.",
        )


def _check_setpoint(
    entry: Part[AlarmTable], watch: Watch, subject: str | None, draft: Draft, *, report: Report
) -> None:
    setpoint = entry.table.setpoint
    if setpoint is None:
        return
    path = (*entry.path, "setpoint")
    if watch in (Watch.DRIFT, Watch.DISAGREE) and setpoint <= 0:
        report.add(
            path,
            setpoint,
            expected="a bare number in the unit of what is watched, more than 0",
            remedy="Write for example setpoint = 2.",
        )
    if watch not in _LEVELS or draft.reservoir is None:
        return
    if subject is not None and subject == draft.reservoir.table.float_probe:
        report.add(
            path,
            setpoint,
            expected="no setpoint for a float: it trips where it is mounted",
            remedy="Remove setpoint, or name the level probe.",
        )
        return
    rim = draft.reservoir.table.rim
    if rim is not None and not 0 < setpoint <= rim:
        report.add(
            path,
            setpoint,
            expected="millimetres above the reservoir's floor as a bare number, more than 0 and "
            f"up to {number(rim)}, the rim (line {report.line(('reservoir', 'rim'))})",
            remedy="Correct setpoint.",
        )
