"""Whether bands and thresholds are of probes that there are, and say something."""

from collections.abc import Sequence

from longsoak.rigfile.draft import Draft
from longsoak.rigfile.judgingtables import JUDGED_ALIKE, BandTable, ChecksTable
from longsoak.rigfile.reading import Part
from longsoak.rigfile.report import Report, Written, nearest, quoted
from longsoak.rigfile.waterchecks import check_probe_kind
from longsoak.vocabulary.rig import JUDGED, Band, Kind, Thresholds

_EMPTY = Written("a table that says nothing")
_BOTH, _NEITHER = Written("a table with both"), Written("a table with neither")
_SAYS = ("spike", "step", "rate", "flat", "apart")


def check_judging(draft: Draft, *, report: Report) -> None:
    """Note bands and thresholds that have no place in this file."""
    for place, band in enumerate(draft.bands):
        _check_probe(draft, band, JUDGED, report=report)
        _check_band(draft, band, draft.bands[:place], report=report)
    for bay in draft.bays:
        if bay.dry_face is not None:
            table, path = bay.dry_face.table, bay.dry_face.path
            for key, kind, name in (
                ("surface", Kind.TEMPERATURE, table.surface),
                ("temperature", Kind.TEMPERATURE, table.temperature),
                ("humidity", Kind.HUMIDITY, table.humidity),
            ):
                check_probe_kind(draft, (*path, key), name, kind=kind, report=report)
    for place, checks in enumerate(draft.checks):
        _check_probe(draft, checks, JUDGED_ALIKE, report=report)
        _check_thresholds(checks, draft.checks[:place], report=report)


def _check_probe(
    draft: Draft,
    part: Part[BandTable] | Part[ChecksTable],
    kinds: Sequence[Kind],
    *,
    report: Report,
) -> None:
    name = part.table.probe
    if name is None:
        return
    there = {p.table.name: p.table.kind for p in draft.probes if p.table.name is not None}
    kind = there.get(name)
    if kind is not None and kind not in kinds:
        report.add(
            (*part.path, "probe"),
            name,
            expected=f"a probe of kind {', '.join(kinds)}; this one is not judged so",
            remedy="Name another probe, or remove this table.",
        )
    elif name not in draft.probe_names.first and draft.probe_names.complete:
        near = nearest(name, list(there))
        hint = f"Write probe = {quoted(near)}." if near else "Correct it."
        report.add((*part.path, "probe"), name, expected="the name of a probe", remedy=hint)


def _check_band(
    draft: Draft, part: Part[BandTable], earlier: Sequence[Part[BandTable]], *, report: Report
) -> None:
    table, path = part.table, part.path
    if not part.keys & {"low", "high", "moves"}:
        report.add(
            path,
            _EMPTY,
            expected="low, high or moves",
            remedy="Write for example low = 8.0 and high = 24.0.",
        )
    if table.low is not None and table.high is not None and table.low >= table.high:
        report.add(
            (*path, "low"),
            table.low,
            expected=f"less than high, which is {table.high:g}",
            remedy="Exchange the two.",
        )
    if table.days is not None:
        first, last = table.days
        if first > last:
            report.add(
                (*path, "days"),
                [first, last],
                expected="the first day, then the last",
                remedy=f"Write days = [{last}, {first}].",
            )
        if draft.rig.table.start is None and "start" not in draft.rig.keys:
            report.add(
                (*path, "days"),
                [first, last],
                expected="a start in [rig] that days of the test count from",
                remedy="Write in [rig] the date of day 1, for example start = 2026-05-04.",
            )
    own = band_of(table)
    if own.last is not None and own.first > own.last:
        return
    for other in earlier:
        if other.table.probe == table.probe and _overlap(own, band_of(other.table)):
            report.add(
                (*path, "days"),
                [own.first, own.last],
                expected="days that no other band of the probe has "
                f"(line {report.line(other.path)} has some of them)",
                remedy="Correct days of one of the two.",
            )
            break


def _overlap(one: Band, other: Band) -> bool:
    ends = [each.last if each.last is not None else 10**9 for each in (one, other)]
    return one.first <= ends[1] and other.first <= ends[0]


def _check_thresholds(
    part: Part[ChecksTable], earlier: Sequence[Part[ChecksTable]], *, report: Report
) -> None:
    table, path = part.table, part.path
    if ("probe" in part.keys) == ("kind" in part.keys):
        report.add(
            path,
            _BOTH if "probe" in part.keys else _NEITHER,
            expected="either probe, one of them, or kind, all of a kind",
            remedy='Write for example kind = "pins", and no probe.',
        )
    if not part.keys & set(_SAYS):
        report.add(
            path,
            _EMPTY,
            expected=f"one or more of {', '.join(_SAYS)}",
            remedy="Write for example spike = 2.",
        )
    if table.kind is not None and table.kind not in JUDGED_ALIKE:
        report.add(
            (*path, "kind"),
            table.kind.value,
            expected=f"one of {', '.join(JUDGED_ALIKE)}",
            remedy="Correct it, or remove this table.",
        )
    for other in earlier:
        if (other.table.probe, other.table.kind) == (table.probe, table.kind):
            report.add(
                (*path, "probe" if table.kind is None else "kind"),
                table.probe or table.kind,
                expected=f"one table for each (line {report.line(other.path)} is for the same)",
                remedy="Put what both say into one table.",
            )
            break


def band_of(table: BandTable) -> Band:
    """The band, with what the table leaves out as usual."""
    usual = Band("")
    first, last = table.days or (usual.first, usual.last)
    return Band(
        probe=table.probe or "",
        first=first,
        last=last,
        low=usual.low if table.low is None else table.low,
        high=usual.high if table.high is None else table.high,
        moves=table.moves or usual.moves,
    )


def thresholds_of(table: ChecksTable) -> Thresholds:
    """The thresholds a table changes."""
    return Thresholds(
        table.probe, table.kind, table.spike, table.step, table.rate, table.flat, table.apart
    )
