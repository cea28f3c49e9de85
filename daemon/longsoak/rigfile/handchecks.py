"""Whether what is declared of readings by hand names curves that there are."""

from collections.abc import Collection

from longsoak.core.handreadings import scale_key
from longsoak.rigfile.handtable import HandTable
from longsoak.rigfile.reading import Part
from longsoak.rigfile.references import add_unknown
from longsoak.rigfile.report import Report, quoted
from longsoak.rigfile.words import is_name


def check_hand(part: Part[HandTable] | None, *, curves: Collection[str], report: Report) -> None:
    """Note scales that are said to be curves there are none of, and scales that are said twice."""
    if part is None:
        return
    first: dict[str, str] = {}
    for scale, curve in (part.table.scales or {}).items():
        path = (*part.path, "scales", scale)
        if not is_name(scale):
            report.add(
                path,
                scale,
                expected="a scale's name of 1 to 60 characters on one line, no space at either end",
                remedy='Write for example "fir" = "Douglas-fir (coast)".',
            )
        if curve not in curves:
            add_unknown(report, path, curve, possible=curves, what="a curve", header='[curves."…"]')
        if (before := first.setdefault(scale_key(scale), scale)) != scale:
            report.add(
                path,
                scale,
                expected=f"each scale once, and {quoted(before)} is the same one",
                remedy="Remove one of them.",
            )
