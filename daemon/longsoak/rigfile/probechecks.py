"""Whether each probe has what its kind needs, and stands and hangs where it can."""

from collections.abc import Collection
from enum import StrEnum

from longsoak.rigfile.draft import BayDraft, Draft
from longsoak.rigfile.kinds import DEFAULTS, MAY, NEEDS, POSITION, expected_of, has, most_read
from longsoak.rigfile.lines import KeyPath
from longsoak.rigfile.reading import Part, words_of
from longsoak.rigfile.references import add_unknown, check_known, check_unique
from longsoak.rigfile.report import MISSING, Report, number
from longsoak.rigfile.tables import ProbeTable
from longsoak.rigfile.waterchecks import check_probe_kind
from longsoak.vocabulary.rig import PUMP, UNIT_WORDS, Kind

_WORDS = dict(words_of(ProbeTable))


def check_probes(
    draft: Draft,
    *,
    curves: Collection[str],
    report: Report,
) -> None:
    """Note what is wrong between a probe, its kind and the rest of the file."""
    check_unique(
        report,
        (((*probe.path, "name"), probe.table.name) for probe in draft.probes),
        what="probe",
    )
    bays = {bay.part.table.name: bay for bay in draft.bays if bay.part.table.name is not None}
    for probe in draft.probes:
        _check_keys(probe, report=report)
        check_known(
            report,
            (*probe.path, "bus"),
            probe.table.bus,
            names=draft.bus_names,
            what="a bus",
            header="[[buses]]",
        )
        if _may(probe, "bay") and check_known(
            report,
            (*probe.path, "bay"),
            probe.table.bay,
            names=draft.bay_names,
            what="a bay",
            header="[[bays]]",
        ):
            _check_place(probe, bays.get(probe.table.bay or ""), draft, report=report)
        if _may(probe, "temperature"):
            _check_temperatures(probe, draft, report=report)
        if _may(probe, "pair"):
            pair = probe.table.pair
            check_probe_kind(draft, (*probe.path, "pair"), pair, kind=Kind.PINS, report=report)
        if _may(probe, "curve"):
            _check_curve(probe, curves=curves, report=report)
        _check_warmth(probe, report=report)
        _check_storing(probe, report=report)
        _check_water(probe, draft, report=report)
        _check_pump(probe, report=report)


def _may(probe: Part[ProbeTable], key: str) -> bool:
    # Of an unreadable kind any key may be: what a reference names is looked at all the same.
    return probe.table.kind is None or has(probe.table.kind, key)


def _check_keys(probe: Part[ProbeTable], *, report: Report) -> None:
    kind, keys = probe.table.kind, probe.keys
    if kind is None:
        return
    for key in _WORDS:
        found = getattr(probe.table, key)
        if found is not None and not has(kind, key):
            owners = [str(other) for other in Kind if has(other, key)]
            report.add(
                (*probe.path, key),
                str(found) if isinstance(found, StrEnum) else found,
                expected=f'no such key on a probe of kind "{kind}": '
                f"it belongs to {', '.join(owners)}",
                remedy=f"Remove {key}, or correct kind.",
            )
    needed = list(NEEDS[kind])
    if set(POSITION) <= set(MAY[kind]):
        inside = [key for key in (*POSITION, "across") if key in keys]
        if inside and probe.table.place is not None:
            report.add(
                (*probe.path, "place"),
                probe.table.place,
                expected=f"no place where there is {inside[0]}: "
                "a probe is inside the specimen or somewhere else",
                remedy="Remove place, or remove bay, depth and height.",
            )
        needed += POSITION if inside else ["place"]
    for key in needed:
        if key not in keys:
            words = _WORDS[key]
            report.add(
                (*probe.path, key),
                MISSING,
                expected=expected_of(kind).get(key, words.expected),
                remedy=f"Write for example {key} = {words.example}."
                if key != "place"
                else f"Write for example place = {words.example}, "
                "or bay, depth and height where it is inside the specimen.",
            )


def _check_place(
    probe: Part[ProbeTable], bay: BayDraft | None, draft: Draft, *, report: Report
) -> None:
    if bay is None:
        return
    table, edges = probe.table, bay.part.table
    if bay.thickness is not None:
        _check_range(probe, "depth", table.depth, low=0, high=bay.thickness, report=report)
    if draft.specimen.table.height is not None:
        _check_range(
            probe, "height", table.height, low=0, high=draft.specimen.table.height, report=report
        )
    if edges.start is not None and edges.end is not None and edges.start < edges.end:
        _check_range(probe, "across", table.across, low=edges.start, high=edges.end, report=report)


def _check_range(
    probe: Part[ProbeTable],
    key: str,
    value: float | None,
    *,
    low: float,
    high: float,
    report: Report,
) -> None:
    if value is None or low <= value <= high:
        return
    report.add(
        (*probe.path, key),
        value,
        expected=f"millimetres as a bare number, {number(low)} to {number(high)}",
        remedy=f"Correct {key}: that is outside the specimen."
        if key != "across"
        else "Correct across: that is outside the bay.",
    )


def _check_temperatures(probe: Part[ProbeTable], draft: Draft, *, report: Report) -> None:
    table, stand_in = probe.table, draft.stand_ins.get(probe.path[-1])
    plan = stand_in.table if stand_in else None
    named: list[tuple[KeyPath, str | None]] = [
        (("temperature",), table.temperature),
        (("second_temperature",), table.second_temperature),
        (("without_temperature", "probe"), plan.probe if plan else None),
    ]
    for path, name in named:
        check_probe_kind(draft, (*probe.path, *path), name, kind=Kind.TEMPERATURE, report=report)
    if table.second_temperature is not None and table.second_temperature == table.temperature:
        report.add(
            (*probe.path, "second_temperature"),
            table.second_temperature,
            expected="another probe than temperature names: one at another depth",
            remedy="Name the other one, or remove second_temperature.",
        )
    if stand_in is None:
        return
    chosen = [key for key in ("last_good", "probe", "fixed") if key in stand_in.keys]
    if len(chosen) != 1:
        report.add(
            stand_in.path,
            table.without_temperature,
            expected="exactly one of last_good, probe and fixed",
            remedy="Write for example without_temperature = { last_good = 6 }.",
        )


def _check_warmth(probe: Part[ProbeTable], *, report: Report) -> None:
    """Note a level whose temperature is not known, or is for nothing."""
    if probe.table.kind is not Kind.LEVEL:
        return
    given = {"zero_per_kelvin", "span_per_kelvin"} & probe.keys
    if given and "temperature" not in probe.keys:
        key = min(given)
        report.add(
            (*probe.path, key),
            getattr(probe.table, key),
            expected="temperature beside it, the probe that measures the sensor's",
            remedy=f'Write for example temperature = "T water", or remove {key}.',
        )
    elif "temperature" in probe.keys and not given:
        report.add(
            (*probe.path, "temperature"),
            probe.table.temperature,
            expected="zero_per_kelvin or span_per_kelvin beside it: else it corrects nothing",
            remedy="Write for example zero_per_kelvin = 0.05, or remove temperature.",
        )


def _check_curve(probe: Part[ProbeTable], *, curves: Collection[str], report: Report) -> None:
    name = probe.table.curve
    if name is not None and name not in curves:
        add_unknown(
            report,
            (*probe.path, "curve"),
            name,
            possible=curves,
            what="a curve",
            header='[curves."…"]',
        )


def _check_storing(probe: Part[ProbeTable], *, report: Report) -> None:
    table = probe.table
    if table.per_unit == 0:
        report.add(
            (*probe.path, "per_unit"),
            table.per_unit,
            expected=expected_of(table.kind).get("per_unit", _WORDS["per_unit"].expected),
            remedy="Write how much one raw unit is worth.",
        )
    if table.kind is None or not has(table.kind, "record") or table.record is None:
        return
    every = table.every if table.every is not None else DEFAULTS[table.kind].every
    if table.record < every:
        report.add(
            (*probe.path, "record"),
            table.record,
            expected=f"seconds as a bare number, {number(every)} (every) to 86400",
            remedy=f"Write record = {number(every)}, or read the probe more often.",
        )


def _check_water(probe: Part[ProbeTable], draft: Draft, *, report: Report) -> None:
    kind = probe.table.kind
    if kind not in (Kind.LEVEL, Kind.FLOAT):
        return
    if "reservoir" not in draft.keys:
        report.add(
            (*probe.path, "kind"),
            str(kind),
            expected=f'no probe of kind "{kind}" without a table headed [reservoir]',
            remedy="Add [reservoir], or remove the probe.",
        )
    rim = draft.reservoir.table.rim if draft.reservoir else None
    trips_at = probe.table.trips_at
    if kind is Kind.FLOAT and rim is not None and trips_at is not None and trips_at > rim:
        report.add(
            (*probe.path, "trips_at"),
            trips_at,
            expected=f"millimetres as a bare number, 0 to {number(rim)}: above the rim "
            f"(line {report.line(('reservoir', 'rim'))}) it never floats",
            remedy="Correct trips_at or rim.",
        )


def _check_pump(probe: Part[ProbeTable], *, report: Report) -> None:
    kind, runs_from = probe.table.kind, probe.table.runs_from
    if kind not in PUMP or kind is None or runs_from is None or runs_from <= most_read(kind):
        return
    report.add(
        (*probe.path, "runs_from"),
        runs_from,
        expected=expected_of(kind)["runs_from"],
        remedy=f"Write it in {UNIT_WORDS[kind]}: no more than that is believed.",
    )
