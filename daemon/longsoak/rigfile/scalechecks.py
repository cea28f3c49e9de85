"""Whether scales on which what is seen is graded can be told apart, and their grades too."""

from collections.abc import Sequence

from longsoak.core.gradescales import USUAL
from longsoak.rigfile.reading import Part
from longsoak.rigfile.references import check_unique
from longsoak.rigfile.report import Report, quoted
from longsoak.rigfile.scaletable import GradeScaleTable


def check_grade_scales(parts: Sequence[Part[GradeScaleTable]], *, report: Report) -> None:
    """Note scales of a name that is taken, and two grades that say the same."""
    check_unique(report, (((*p.path, "name"), p.table.name) for p in parts), what="scale")
    usual = [scale.name for scale in USUAL]
    for part in parts:
        table, path = part.table, part.path
        if table.name in usual:
            report.add(
                (*path, "name"),
                table.name,
                expected=f"a name that no usual scale has ({', '.join(map(quoted, usual))})",
                remedy="Give it another name.",
            )
        words = table.words or []
        for place, text in enumerate(words):
            if text in words[:place]:
                report.add(
                    (*path, "words", place),
                    text,
                    expected="words that no other grade of it has",
                    remedy="Say how the two differ, or leave one out.",
                )
