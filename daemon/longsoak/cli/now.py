"""`longsoak now`: the latest reading of every probe, in the terminal."""

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import click

from longsoak.cli.common import DONE, FOUND_WRONG, own_record, rig_file, table, told
from longsoak.cli.nowdisk import DiskSeen, disk_lines, disk_picture, look_at_disk
from longsoak.cli.nowhealth import health_line, health_lines, health_picture
from longsoak.cli.outletwords import outlet_lines, outlets_as_json, trial_as_json
from longsoak.core.cautions import cautions
from longsoak.core.clockplace import NOT_KNOWN
from longsoak.core.handflags import laid_over
from longsoak.core.probehealth import ProbeHealth
from longsoak.core.proof.book import Book
from longsoak.core.recency import stale_after_ms
from longsoak.core.rigchanges import NOT_TAKEN_UP
from longsoak.core.water.vessel import volume
from longsoak.core.wording import (
    DECIMALS,
    age_words,
    ago_words,
    bound_words,
    flag_words,
    gap_length_words,
    ohm_words,
    rfc3339,
    time_words,
    unit_beside,
    value_words,
)
from longsoak.forward.health import OutletHealth, outlets_of
from longsoak.forward.times import TimedRecord
from longsoak.notify.digestlines import trial_lines
from longsoak.service.clock import SystemClock
from longsoak.store.derived import Derivation
from longsoak.store.health import HealthRecord
from longsoak.store.ledger import Ledger
from longsoak.store.noticerecord import NoticeRecord, Trial
from longsoak.store.overlay import flags_over
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState, StoredChange
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.ledger import DayHead
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import UNIT, Kind, Probe, Rig, code_words

_NOT_READ = "not read yet"
_SHORT = 16  # digits of a root; --json has it whole


@click.command(epilog="Example: longsoak now rig.toml --json")
@rig_file
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of a table.")
@click.option(
    "--health", is_flag=True, help="Good hours, doubts and proofs of every probe instead."
)
def now(rig_file: Path, as_json: bool, health: bool) -> None:
    """Print the latest value, unit and flag of every probe, the water, the alarms and cautions.

    Then how each outlet is, and what it has not sent yet.

    Ends with exit code 1 if any probe's latest reading is not a pass, an alarm stands, or nobody
    is recording.
    """
    from longsoak.rigfile.load import parse
    from longsoak.rigfile.ondisk import has_changed

    with told():
        record, version = own_record(rig_file)
        if version is None:
            click.echo(f"Nothing has been recorded in {record.folder} yet.", err=True)
            sys.exit(FOUND_WRONG)
        # Not the file beside it: that may have been changed since, or be half written.
        kept = f"the rig file in {record.folder}, version {version.number}"
        rig = parse(version.text, file=kept, find_kind=None)
        seen = _look(record, rig, utc_ms=SystemClock().utc_ms())
        changed = has_changed(rig_file, version.text)
    if as_json:
        picture = {**_picture(rig, seen), "rig_file_changed": changed}
        click.echo(json.dumps(picture, ensure_ascii=False, indent=1))
    elif health:
        click.echo("\n".join(health_lines(seen.health)).rstrip())
    else:
        click.echo(_words(rig, seen))
        if changed:
            click.echo(f"{NOT_TAKEN_UP}: `longsoak reload` does it.")
    good = all(
        probe.name in seen.latest and seen.latest[probe.name].flag is Flag.PASS
        for probe in rig.probes
    )
    sys.exit(DONE if good and seen.recording and not seen.loud else FOUND_WRONG)


@dataclass(frozen=True, slots=True)
class _Seen:
    """What one look at the record showed, for the table and for JSON alike."""

    utc_ms: int
    last_ms: int | None
    recording: bool
    latest: dict[str, Reading]
    alarms: tuple[StoredChange, ...]  # those that are not normal, hidden ones too
    gap: RunGap | None
    closed: DayHead | None
    derivation: Derivation | None
    outlets: tuple[OutletHealth, ...]
    trial: Trial | None
    disk: DiskSeen
    health: list[ProbeHealth]

    @property
    def loud(self) -> list[StoredChange]:
        """The alarms that somebody is to be told of."""
        return [change for change in self.alarms if change.hiding is None]


def _look(record: Record, rig: Rig, *, utc_ms: int) -> _Seen:
    last = record.last_utc_ms()
    gaps = record.gaps()
    alarms = record.alarms()
    flags = flags_over(record.folder, rig, now_ms=utc_ms)
    read = record.latest(tuple(probe.name for probe in rig.probes))
    latest = laid_over(read, flags, rig.probes)
    timed = TimedRecord(record.folder, boottime_ms=SystemClock().boottime_ms)
    return _Seen(
        utc_ms=utc_ms,
        last_ms=last,
        recording=last is not None and abs(utc_ms - last) <= stale_after_ms(rig),
        latest=latest,
        alarms=tuple(c for c in alarms.values() if c.new is not AlarmState.NORMAL),
        gap=gaps[-1] if gaps else None,
        closed=Ledger(record.folder).last_head(),
        derivation=record.derivation(),
        outlets=tuple(outlets_of(rig, timed, alarms)),
        trial=NoticeRecord(record.folder).trial(),
        disk=look_at_disk(record.folder),
        health=HealthRecord(record.folder).seen(Book(record.proof_entries(), rig), flags, latest),
    )


def _picture(rig: Rig, seen: _Seen) -> dict[str, object]:
    titles = {plan.key: plan.title for plan in rig.alarms}
    last, utc_ms, gap = seen.last_ms, seen.utc_ms, seen.gap
    return {
        "rig": rig.name,
        "invented": rig.invented,
        "at": rfc3339(utc_ms),
        "recording": seen.recording,
        "last_scan_age_s": None if last is None else (utc_ms - last) / 1000,
        "probes": [_probe(probe, seen.latest.get(probe.name), utc_ms) for probe in rig.probes],
        "water": _water(rig, seen.latest),
        "alarms": [
            {
                "alarm": change.key,
                "title": titles.get(change.key, change.key),
                "state": change.new.value,
                "hiding": None if change.hiding is None else str(change.hiding),
                "since": rfc3339(change.utc_ms),
                "since_known": not change.unsure,
                "says": change.says,
            }
            for change in seen.alarms
        ],
        "outlets": outlets_as_json(seen.outlets, utc_ms=utc_ms),
        "trial": trial_as_json(seen.trial),
        "last_gap": {
            "from": rfc3339(gap.from_utc_ms),
            "to": rfc3339(gap.to_utc_ms),
            "length_s": None if gap.length_ms is None else gap.length_ms / 1000,
            "clean": gap.clean,
        }
        if gap
        else None,
        "disk": disk_picture(seen.disk),
        "health": health_picture(seen.health),
        "closed_day": None
        if seen.closed is None
        else {"day": str(seen.closed.day), "root": seen.closed.root},
        "converted_again": None
        if seen.derivation is None
        else {
            "rig_version": seen.derivation.rig_version,
            "until": rfc3339(seen.derivation.last_utc_ms),
        },
        "cautions": list(cautions(rig)),
    }


def _probe(probe: Probe, reading: Reading | None, utc_ms: int) -> dict[str, object]:
    known: dict[str, object] = {
        "probe": probe.name,
        "kind": probe.kind.value,
        "quantity": probe.quantity,
        "unit": UNIT[probe.kind],
        "unit_words": probe.unit_words,
    }
    if reading is None:
        return known | {
            "value": None,
            "value_words": value_words(probe.kind, None, Reason.NONE),
            "bound": None,
            "uncertainty": None,
            "flag": Flag.MISSING.word,
            "reason": _NOT_READ,
            "age_s": None,
            "at": None,
            "raw": None,
            "raw_unit": None,
        }
    bound = bound_words(probe.kind, reading.value, reading.as_kept.reason)
    return known | {
        "value": reading.value,
        "value_words": value_words(probe.kind, reading.value, reading.as_kept.reason),
        "bound": bound,
        "uncertainty": None if bound else reading.uncertainty,
        "flag": reading.flag.word,
        "reason": reading.reason.words,
        "age_s": (utc_ms - reading.utc_ms) / 1000,
        "at": rfc3339(reading.utc_ms),
        "raw": reading.raw,
        "raw_unit": reading.raw_unit,
    }


def _water(rig: Rig, latest: dict[str, Reading]) -> dict[str, float | None] | None:
    if rig.reservoir is None:
        return None
    reading = latest.get(rig.reservoir.level)
    if reading is None or reading.value is None:
        return {"level_mm": None, "litres": None, "clearance_mm": None}
    return {
        "level_mm": reading.value,
        "litres": volume(reading.value, rig.reservoir.depth_table),
        "clearance_mm": rig.specimen.underside - reading.value,
    }


def _words(rig: Rig, seen: _Seen) -> str:
    utc_ms, latest, gap = seen.utc_ms, seen.latest, seen.gap
    invented = " (all data invented)" if rig.invented else ""
    lines = [f"{rig.name}{invented}, {time_words(utc_ms)}", ""]
    rows = [_row(probe, latest.get(probe.name), utc_ms) for probe in rig.probes]
    lines.append(
        table(("probe", "value", "unit", "±", "flag", "age", "raw"), rows, right="value ±")
    )
    lines += ["", *_water_lines(rig, latest), *_alarm_lines(rig, seen), health_line(seen.health)]
    lines += disk_lines(seen.disk)
    lines += outlet_lines(seen.outlets, utc_ms=utc_ms)
    if rig.trial is not None:
        lines += trial_lines(rig, seen.trial, utc_ms=utc_ms)
    if gap is not None:
        why = "stopped on purpose" if gap.clean else "cut off"
        lines.append(
            f"Last gap: no readings for {gap_length_words(gap)} "
            f"until {time_words(gap.to_utc_ms)} ({why})."
        )
    if seen.closed is not None:
        lines.append(f"Closed up to {seen.closed.day}, root {seen.closed.root[:_SHORT]}...")
    if seen.derivation is not None:
        says = seen.derivation.words
        lines.append(f"{says[0].upper()}{says[1:]}; `longsoak reconvert --as-kept` undoes it.")
    if seen.last_ms is None:
        lines.append("Nothing has been recorded yet.")
    elif not seen.recording:
        ago = ago_words((utc_ms - seen.last_ms) / 1000)
        lines.append(f"Not recording: the last scan was taken {ago}.")
    lines += [f"Caution: {words}" for words in cautions(rig)]
    return "\n".join(lines)


def _row(probe: Probe, reading: Reading | None, utc_ms: int) -> tuple[str, ...]:
    if reading is None:
        return probe.name, "none", "", "", f"{Flag.MISSING.word}: {_NOT_READ}", "", ""
    spread = ""
    if reading.uncertainty and not bound_words(probe.kind, reading.value, reading.as_kept.reason):
        doubled = 2 * reading.uncertainty
        places = max(1, DECIMALS.get(probe.kind, 0))
        spread = (
            f"{ohm_words(doubled)}Ω" if probe.kind is Kind.REFERENCE else f"{doubled:.{places}f}"
        )
    raw = "" if reading.raw is None else f"{reading.raw:.6g} {code_words(reading.raw_unit or '')}"
    return (
        probe.name,
        *unit_beside(
            value_words(probe.kind, reading.value, reading.as_kept.reason), probe.unit_words
        ),
        spread,
        flag_words(reading.flag, reading.reason),
        age_words((utc_ms - reading.utc_ms) / 1000),
        raw.rstrip(),
    )


def _water_lines(rig: Rig, latest: dict[str, Reading]) -> list[str]:
    water = _water(rig, latest)
    if water is None:
        return []
    if water["level_mm"] is None:
        return ["Water: level unknown."]
    litres = (
        "volume not in the depth table" if water["litres"] is None else f"{water['litres']:.1f} L"
    )
    return [
        f"Water: {water['level_mm']:.0f} mm, {litres}; "
        f"clearance under the specimen {water['clearance_mm']:.0f} mm."
    ]


def _alarm_lines(rig: Rig, seen: _Seen) -> list[str]:
    titles = {plan.key: plan.title for plan in rig.alarms}
    if not seen.alarms:
        return ["No alarm stands."]
    return [
        f"Alarm: {titles.get(c.key, c.key)}: {c.new.value}{_hidden(c)}, "
        f"{ago_words((seen.utc_ms - c.utc_ms) / 1000)}{_doubt(c)}: {c.says}  [{c.key}]"
        for c in seen.alarms
    ]


def _hidden(change: StoredChange) -> str:
    return "" if change.hiding is None else f", {change.hiding}"


def _doubt(change: StoredChange) -> str:
    return f" ({NOT_KNOWN})" if change.unsure else ""
