"""Whether the reservoir holds together, with the specimen above it and the room around it."""

from itertools import pairwise

from longsoak.rigfile.draft import Draft
from longsoak.rigfile.lines import KeyPath
from longsoak.rigfile.references import check_known
from longsoak.rigfile.report import Report, listed, number, quoted
from longsoak.vocabulary.rig import Kind


def check_water(draft: Draft, *, report: Report) -> None:
    """Note what in ``[reservoir]`` can't be, or can't be safe."""
    if draft.reservoir is None:
        return
    path, table = draft.reservoir.path, draft.reservoir.table
    check_probe_kind(draft, (*path, "level"), table.level, kind=Kind.LEVEL, report=report)
    check_probe_kind(draft, (*path, "float"), table.float_probe, kind=Kind.FLOAT, report=report)
    _check_table(draft, report=report)
    _check_levels(draft, report=report)


def check_room(draft: Draft, *, report: Report) -> None:
    """Note what ``[room]`` names and isn't there, or measures something else."""
    if draft.room is None:
        return
    path, table = draft.room.path, draft.room.table
    for key, name, kind in (
        ("temperature", table.temperature, Kind.TEMPERATURE),
        ("humidity", table.humidity, Kind.HUMIDITY),
    ):
        check_probe_kind(draft, (*path, key), name, kind=kind, report=report)


def check_probe_kind(
    draft: Draft, path: KeyPath, name: str | None, *, kind: Kind, report: Report
) -> None:
    """Note a reference to a probe that isn't there, or that measures something else."""
    of_kind = [
        probe.table.name
        for probe in draft.probes
        if probe.table.kind is kind and probe.table.name is not None
    ]
    if not check_known(
        report,
        path,
        name,
        names=draft.probe_names,
        what=f'a probe of kind "{kind}"',
        header="[[probes]]",
        possible=of_kind,
    ):
        return
    found = draft.probes[draft.probe_names.first[name or ""]]
    if found.table.kind is None or found.table.kind is kind:
        return
    report.add(
        path,
        name,
        expected=f'a probe of kind "{kind}"'
        + (f": {listed([quoted(other) for other in of_kind])}" if of_kind else "")
        + f" (that one is of kind {quoted(found.table.kind)}, line {report.line(found.path)})",
        remedy=f"Name a probe of kind {quoted(kind)}.",
    )


def _check_table(draft: Draft, *, report: Report) -> None:
    if draft.reservoir is None or draft.reservoir.table.depth_table is None:
        return
    path, points = (*draft.reservoir.path, "depth_table"), draft.reservoir.table.depth_table
    if points[0] != (0, 0):
        report.add(
            (*path, 0),
            list(points[0]),
            expected="[0, 0]: no depth, no water",
            remedy="Begin depth_table with [0, 0].",
        )
    for index, (before, after) in enumerate(pairwise(points), start=1):
        if not (after[0] > before[0] and after[1] > before[1]):
            report.add(
                (*path, index),
                list(after),
                expected=f"a depth of more than {number(before[0])} mm and a volume of more than "
                f"{number(before[1])} L, as in the pair before",
                remedy="Sort the pairs, and give each depth once.",
            )
            return
    underside, stop = draft.specimen.table.underside, draft.reservoir.table.stop
    reach = points[-1][0]
    for height, what in ((underside, "the specimen's underside"), (stop, "stop")):
        if height is not None and height > reach:
            report.add(
                (*path, len(points) - 1),
                list(points[-1]),
                expected=f"a depth of {number(height)} mm or more: the table has to reach {what}",
                remedy="Add a pair for the greater depth.",
            )
            return


def _check_levels(draft: Draft, *, report: Report) -> None:
    if draft.reservoir is None:
        return
    path, table = draft.reservoir.path, draft.reservoir.table
    stop, underside = table.stop, draft.specimen.table.underside
    if stop is None:
        return
    if underside is not None and stop >= underside:
        report.add(
            (*path, "stop"),
            stop,
            expected=f"less than {number(underside)}, the specimen's underside "
            f"(line {report.line(('specimen', 'underside'))}), or a top-up wets it from below",
            remedy="Lower stop, or raise the specimen.",
        )
    if table.rim is not None and table.rim < stop:
        report.add(
            (*path, "rim"),
            table.rim,
            expected=f"{number(stop)} or more, since a top-up ends at stop "
            f"(line {report.line((*path, 'stop'))})",
            remedy="Lower stop below the rim.",
        )
    if table.pump_needs is not None and table.pump_needs >= stop:
        report.add(
            (*path, "pump_needs"),
            table.pump_needs,
            expected=f"less than {number(stop)}, where a top-up ends "
            f"(line {report.line((*path, 'stop'))})",
            remedy="Correct pump_needs or stop.",
        )
