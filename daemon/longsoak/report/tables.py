"""The rows of an export's smaller tables."""

import hashlib
import json
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from longsoak.core.handflags import flags_of
from longsoak.core.handplaces import hand_readings
from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.metercheck import meter_checks
from longsoak.core.observations import observations
from longsoak.core.phases import phases
from longsoak.report.fields import BOUNDS, Cell
from longsoak.report.rigs import Rigs
from longsoak.report.source import Seat
from longsoak.store.health import HealthRecord
from longsoak.store.logbook import Logbook, canonical
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import StoredChange
from longsoak.vocabulary.logbook import METER_CHECK, OBSERVATION, PHASE
from longsoak.vocabulary.rig import UNIT, Probe, Rig
from longsoak.vocabulary.water import Aside, ContactWindow

Rows = list[tuple[Cell, ...]]

_PAGE = 4096  # alarm changes fetched at a time
_ALL = 2**62  # more than there can be


@dataclass(frozen=True, slots=True)
class Range:
    """``since_ms <= UTC < until_ms``; None is no limit."""

    since_ms: int | None = None
    until_ms: int | None = None

    def __contains__(self, utc_ms: int) -> bool:
        return (self.since_ms is None or utc_ms >= self.since_ms) and (
            self.until_ms is None or utc_ms < self.until_ms
        )

    def touches(self, from_ms: int, to_ms: int) -> bool:
        """Whether a time from `from_ms` to `to_ms` has a part in it."""
        return (self.since_ms is None or to_ms >= self.since_ms) and (
            self.until_ms is None or from_ms < self.until_ms
        )


ALWAYS = Range()


def rig_file_path(version: int) -> str:
    """Where the text of a rig file's version lies in an export."""
    return f"rig_files/version-{version}.toml"


def curves_path(version: int) -> str:
    """Where the curves of a version's probes lie in an export."""
    return f"curves/version-{version}.toml"


def rig_version_rows(rigs: Rigs) -> Rows:
    """Every version of the rig file."""
    return [
        (
            version.number,
            version.accepted_utc_ms,
            hashlib.sha256(version.text.encode()).hexdigest(),
            rig_file_path(version.number),
            curves_path(version.number) if rigs.curves(version.number) else None,
        )
        for version in rigs.versions
    ]


def probe_rows(rigs: Rigs, seats: Sequence[Seat]) -> Rows:
    """Every probe that was read, or is declared beside them, by version and in the file's order."""
    wanted = {seat.probe for seat in seats}
    read = {(seat.rig_version, seat.probe): seat.bus for seat in seats}
    rows: Rows = []
    for version in rigs.versions:
        rig = rigs.rig(version.number)
        declared = [] if rig is None else [p for p in rig.probes if p.name in wanted]
        names = {probe.name for probe in declared}
        rows += [_probe_row(version.number, probe) for probe in declared]
        rows += [
            (version.number, name, *[None] * 9, bus, None)
            for (number, name), bus in read.items()
            if number == version.number and name not in names
        ]
    return rows


def event_rows(record: Record, within: Range) -> Rows:
    """What happened, oldest first."""
    events = record.events(limit=_ALL)[::-1]
    return [
        (number, event.utc_ms, event.kind, event.subject, event.says or None)
        for number, event in enumerate(events, 1)
        if event.utc_ms in within
    ]


def alarm_rows(record: Record, within: Range, *, rig: Rig | None) -> Rows:
    """Every change of every alarm, oldest first."""
    plans = {} if rig is None else {plan.key: plan for plan in rig.alarms}
    rows: Rows = []
    for change in _alarm_changes(record):
        plan = plans.get(change.key)
        if change.utc_ms in within:
            rows.append(
                (
                    change.id,
                    change.utc_ms,
                    change.key,
                    None if plan is None else plan.title,
                    change.old.value,
                    change.new.value,
                    change.value,
                    None if plan is None or change.value is None else plan.unit or None,
                    change.says or None,
                    change.by,
                    None if change.hiding is None else change.hiding.value,
                    change.until_utc_ms,
                    change.told,
                )
            )
    return rows


def gap_rows(record: Record, within: Range) -> Rows:
    """Times without readings that reach into the range, oldest first."""
    return [
        (
            number,
            gap.from_utc_ms,
            gap.to_utc_ms,
            None if gap.length_ms is None else gap.length_ms / 1000,
            gap.clean,
        )
        for number, gap in enumerate(record.gaps(), 1)
        if within.touches(gap.from_utc_ms, gap.to_utc_ms)
    ]


def proof_rows(record: Record) -> Rows:
    """Every step of every proof: they are about all readings, whenever taken."""
    return [
        (
            entry.id,
            entry.utc_ms,
            entry.proof,
            entry.step.value,
            entry.subject,
            entry.outcome.value,
            entry.by,
            entry.says or None,
            canonical(entry.content),
        )
        for entry in record.proof_entries()
    ]


def logbook_rows(logbook: Logbook) -> Rows:
    """Every entry of the logbook: they may be about any reading, whenever written."""
    return [
        (
            entry.number,
            speaks_of_ms(entry),
            entry.asked_utc_ms,
            entry.kept_utc_ms,
            entry.kind,
            entry.subject.about.value,
            entry.subject.name,
            entry.by,
            entry.says or None,
            entry.corrects,
            json.dumps(entry.photos) if entry.photos else None,
            entry.rig_version,
            canonical(entry.content),
        )
        for entry in logbook.entries()[::-1]
    ]


def hand_flag_rows(logbook: Logbook, rig: Rig | None, names: Collection[str]) -> Rows:
    """Every flag set by hand that counts, one row for each of the probes it is about."""
    probes = [] if rig is None else [probe for probe in rig.probes if probe.name in names]
    flags = logbook.flags()
    return [
        (flag.number, probe.name, flag.from_ms, flag.until_ms, int(flag.flag), flag.by, flag.says)
        for probe in probes
        for flag in flags_of(flags, probe)
    ]


def hand_reading_rows(logbook: Logbook) -> Rows:
    """Every reading by hand that counts, oldest first."""
    return [
        (
            *(reading.number, reading.at_ms, reading.setting.round, reading.bay),
            *(reading.place.depth, reading.place.height, reading.place.across),
            *(reading.shown.value, reading.shown.unit, BOUNDS.get(reading.shown.bound)),
            *(reading.setting.uncertainty, reading.setting.meter, reading.setting.scale or None),
            *(reading.setting.correction_temperature, reading.wood_temperature),
            *(reading.setting.grain or None, reading.setting.pins or None),
            *(reading.same_hole, reading.by, reading.note or None),
        )
        for reading in hand_readings(logbook.entries())
        if reading.counts
    ]


def meter_check_rows(logbook: Logbook) -> Rows:
    """Every check of a hand meter that counts, oldest first."""
    return [
        (
            *(check.number, check.at_ms, check.round, check.meter, check.when),
            *(check.nominal.value, check.shown.value, BOUNDS.get(check.shown.bound)),
            *(check.shown.unit, check.by),
        )
        for check in meter_checks(logbook.entries(kind=METER_CHECK))
    ]


def observation_rows(logbook: Logbook) -> Rows:
    """Every observation that counts, oldest first."""
    return [
        (
            *(each.number, each.at_ms, each.at.bay, each.at.face),
            *(each.at.depth, each.at.low, each.at.high),
            *(each.of, each.scale, each.grade, each.highest, each.word, each.extent, each.looked),
            *(each.by, each.says, json.dumps(each.photos) if each.photos else None),
        )
        for each in observations(logbook.entries(kind=OBSERVATION))
    ]


def phase_rows(logbook: Logbook) -> Rows:
    """Every phase that counts, oldest first."""
    return [
        (
            each.number,
            each.phase,
            each.name or None,
            each.control or None,
            each.from_ms,
            each.until_ms,
            each.by,
            each.says,
        )
        for each in phases(logbook.entries(kind=PHASE))
    ]


def window_rows(
    windows: Sequence[ContactWindow], asides: Sequence[Aside], names: Collection[str]
) -> Rows:
    """Every contact with the water, with each of these probes that it set aside."""
    rows: Rows = []
    for window in windows:
        contact = (window.number, window.from_ms, window.until_ms, window.highest, window.says)
        own = [each for each in asides if each.window == window.number and each.probe in names]
        for aside in own or (None,):
            spoiled: tuple[Cell, ...] = (None,) * 5
            if aside is not None:
                times = aside.from_ms, aside.until_ms
                spoiled = (aside.probe, *times, aside.recovery.value, aside.says)
            rows.append((len(rows) + 1, *contact, *spoiled))
    return rows


def finding_rows(health: HealthRecord, within: Range, names: Collection[str]) -> Rows:
    """What was found against these probes in a time, and when it was over."""
    return [
        (
            *(number, each.found_ms, each.since_ms, each.probe, each.fault.value, each.over),
            *(each.says, json.dumps(each.against), canonical(each.figures)),
        )
        for number, each in enumerate(health.findings(), 1)
        if each.probe in names and within.touches(each.since_ms, each.found_ms)
    ]


def suspicion_rows(health: HealthRecord, within: Range, names: Collection[str]) -> Rows:
    """Readings of these probes that a check of single readings did not let pass."""
    since = -_ALL if within.since_ms is None else within.since_ms
    until = _ALL if within.until_ms is None else within.until_ms
    every = (s for name in names for s in health.suspicions(name, since_ms=since, until_ms=until))
    return [
        (number, s.probe, s.check.value, int(s.flag), s.first_ms, s.last_ms, s.readings)
        for number, s in enumerate(every, 1)
    ]


def _probe_row(version: int, probe: Probe) -> tuple[Cell, ...]:
    return (
        version,
        probe.name,
        probe.kind.value,
        probe.bay,
        probe.depth,
        probe.height,
        probe.across,
        probe.place,
        probe.curve,
        None if probe.quantity is None else probe.quantity.value,
        UNIT[probe.kind],
        probe.bus,
        probe.every,
    )


def _alarm_changes(record: Record) -> Iterator[StoredChange]:
    position = 0
    while changes := record.alarm_changes_after(position, limit=_PAGE):
        yield from changes
        position = changes[-1].id
