"""The table of the rig file that declares how readings by hand are held against the pins."""

from typing import Annotated

from pydantic import Field

from longsoak.core.handreadings import scale_key
from longsoak.rigfile.words import Finite, Table, Words, given, measured, one_of
from longsoak.vocabulary.handrule import DEPTH_WITHIN, HEIGHT_WITHIN, HandRule, Wins

_Percent = Annotated[Finite, Field(gt=0, le=100)]
_Near = Annotated[Finite, Field(gt=0, le=1000)]


class HandTable(Table):
    """``[hand_readings]``."""

    wins: Annotated[Annotated[Wins, Field(strict=False)] | None, one_of(Wins)] = None
    tolerance: Annotated[
        _Percent | None,
        measured("a difference in % as a bare number, more than 0 and up to 100", 2, unit="%"),
    ] = None
    depth_within: Annotated[
        _Near | None,
        measured(
            "millimetres as a bare number, more than 0 and up to 1000", DEPTH_WITHIN, needed=False
        ),
    ] = None
    height_within: Annotated[
        _Near | None,
        measured(
            "millimetres as a bare number, more than 0 and up to 1000", HEIGHT_WITHIN, needed=False
        ),
    ] = None
    scales: Annotated[
        dict[str, str] | None,
        Words(
            "a table of names of curves, each by what people call the meter's scale",
            '{ "fir" = "Douglas-fir (coast)" }',
        ),
    ] = None


def hand_rule_of(table: HandTable) -> HandRule:
    """The rule, with what the table leaves out as usual; scales by their name in small letters.

    Parameters
    ----------
    table : HandTable
        Checked.

    Raises
    ------
    TypeError
        It does not say what wins, or by how much two may differ: a check is missing.
    """
    return HandRule(
        wins=given(table.wins),
        tolerance=given(table.tolerance),
        depth_within=DEPTH_WITHIN if table.depth_within is None else table.depth_within,
        height_within=HEIGHT_WITHIN if table.height_within is None else table.height_within,
        scales={scale_key(scale): curve for scale, curve in (table.scales or {}).items()},
    )
