"""Whether specimen, bays and layers fit together."""

from math import isclose

from longsoak.rigfile.draft import BayDraft, Draft
from longsoak.rigfile.references import check_unique
from longsoak.rigfile.report import MISSING, Report, number, quoted
from longsoak.vocabulary.rig import WetFace

SLACK = 1e-6  # mm: what adding decimal fractions costs


def check_geometry(draft: Draft, *, report: Report) -> None:
    """Note where bays leave a gap, overlap or don't end with the specimen."""
    check_unique(
        report, (((*bay.part.path, "name"), bay.part.table.name) for bay in draft.bays), what="bay"
    )
    _check_boundaries(draft, report=report)
    _check_lying(draft, report=report)
    placed: list[tuple[float, float, BayDraft]] = []
    for bay in draft.bays:
        start, end = bay.part.table.start, bay.part.table.end
        if start is None or end is None:
            continue
        if start < end:
            placed.append((start, end, bay))
        else:
            report.add(
                (*bay.part.path, "to"),
                end,
                expected=f"millimetres as a bare number, more than {number(start)}, where the bay "
                "begins",
                remedy="Correct from or to.",
            )
    if placed and len(placed) == len(draft.bays):
        placed.sort(key=lambda item: item[0])
        _check_tiling(placed, draft, report=report)


def _check_tiling(
    placed: list[tuple[float, float, BayDraft]], draft: Draft, *, report: Report
) -> None:
    border, whose = 0.0, "the specimen's left edge"
    for start, end, bay in placed:
        if not isclose(start, border, abs_tol=SLACK):
            report.add(
                (*bay.part.path, "from"),
                start,
                expected=f"{number(border)}, {whose}: bays leave no gap and do not overlap",
                remedy=f"Write from = {number(border)}.",
            )
        line = report.line((*bay.part.path, "to"))
        border, whose = end, f"where bay {quoted(bay.part.table.name or '?')} ends (line {line})"
    width = draft.specimen.table.width
    if width is not None and not isclose(border, width, abs_tol=SLACK):
        report.add(
            (*placed[-1][2].part.path, "to"),
            border,
            expected=f"{number(width)}, the specimen's width "
            f"(line {report.line(('specimen', 'width'))})",
            remedy=f"Write to = {number(width)}, or correct the width.",
        )


def _check_lying(draft: Draft, *, report: Report) -> None:
    """Note a specimen that lies without its breadth, and bays that are not as thick as it is high.

    Of one whose wet face is the underside or the top, layers lie above each other: together they
    are its height, and a probe's depth tells its height.
    """
    path, table = draft.specimen.path, draft.specimen.table
    lies = table.wet_face in (WetFace.UNDERSIDE, WetFace.TOP)
    if lies and "breadth" not in draft.specimen.keys:
        report.add(
            (*path, "breadth"),
            MISSING,
            expected=f"millimetres from front to back, for the wet face is the {table.wet_face}",
            remedy="Write for example breadth = 400.",
        )
    if not lies and table.breadth is not None:
        report.add(
            (*path, "breadth"),
            table.breadth,
            expected="no breadth of a specimen that stands: its layers say how broad it is",
            remedy='Remove breadth, or write wet_face = "underside" or "top" if it lies.',
        )
    if not lies or table.height is None:
        return
    for bay in draft.bays:
        if bay.thickness is not None and not isclose(bay.thickness, table.height, abs_tol=SLACK):
            report.add(
                (*bay.part.path, "layers"),
                bay.thickness,
                expected=f"layers that are {number(table.height)} mm together, the height of a "
                f"specimen that lies (line {report.line((*path, 'height'))})",
                remedy="Correct their thicknesses, or the height.",
            )
    for probe in draft.probes:
        depth, height = probe.table.depth, probe.table.height
        if depth is None or height is None or not 0 <= depth <= table.height:
            continue
        right = depth if table.wet_face is WetFace.UNDERSIDE else table.height - depth
        if not isclose(height, right, abs_tol=SLACK):
            report.add(
                (*probe.path, "height"),
                height,
                expected=f"{number(right)}, where {number(depth)} mm from the wet face is: that "
                f"is the {table.wet_face}",
                remedy=f"Write height = {number(right)}, or correct depth.",
            )


def _check_boundaries(draft: Draft, *, report: Report) -> None:
    specimen = draft.specimen
    boundaries = specimen.table.between_bays
    # With the key there but unreadable, its own mistake is enough.
    if not draft.bays or (boundaries is None and "between_bays" in specimen.keys):
        return
    needed = len(draft.bays) - 1
    if len(boundaries or ()) == needed:
        return
    example = ", ".join(['"sealed"'] * needed)
    report.add(
        (*specimen.path, "between_bays"),
        MISSING if boundaries is None else [str(boundary) for boundary in boundaries],
        expected=f"{needed} of sealed, guarded, open: one for each boundary between the "
        f"{len(draft.bays)} bays, left to right",
        remedy=f"Write for example between_bays = [{example}].",
    )
