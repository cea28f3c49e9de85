"""The table of the rig file about the disk that the record lies on."""

from typing import Annotated

from pydantic import Field

from longsoak.rigfile.reading import Part
from longsoak.rigfile.report import Report, number
from longsoak.rigfile.words import Finite, Table, measured
from longsoak.vocabulary.rig import Marks

MEGABYTE = 1_000_000
LOWEST_SHARE = 0.2  # of the low mark

_Mark = Annotated[Finite, Field(ge=1, le=1e6)]


class RecordTable(Table):
    """``[record]``."""

    low_mb: Annotated[
        _Mark | None,
        measured("megabytes as a bare number, 1 to 1000000", 500, unit="MB", needed=False),
    ] = None
    lowest_mb: Annotated[
        _Mark | None,
        measured("megabytes as a bare number, 1 to 1000000", 100, unit="MB", needed=False),
    ] = None
    reserve_mb: Annotated[
        Annotated[Finite, Field(ge=0, le=1000)] | None,
        measured("megabytes as a bare number, 0 to 1000", 8, unit="MB", needed=False),
    ] = None


def check_record(part: Part[RecordTable] | None, *, report: Report) -> None:
    """Note marks that are the wrong way round."""
    if part is None:
        return
    marks = marks_of(part.table)
    if part.table.lowest_mb is None or marks.lowest < marks.low:
        return
    low = marks.low / MEGABYTE
    report.add(
        (*part.path, "lowest_mb"),
        part.table.lowest_mb,
        expected=f"less than low_mb, which is {number(low)}",
        remedy=f"Write lowest_mb = {number(low * LOWEST_SHARE)}.",
    )


def marks_of(table: RecordTable) -> Marks:
    """The marks, in bytes; what the table leaves out is as usual."""
    usual = Marks()
    low = _bytes(table.low_mb, usual.low)
    return Marks(
        low=low,
        lowest=_bytes(table.lowest_mb, min(usual.lowest, round(low * LOWEST_SHARE))),
        reserve=_bytes(table.reserve_mb, usual.reserve),
    )


def _bytes(megabytes: float | None, usual: int) -> int:
    return usual if megabytes is None else round(megabytes * MEGABYTE)
