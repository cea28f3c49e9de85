"""A drawn reservoir and an evaporation pan: whether they can be, and what they come to."""

from math import pi

from longsoak.core.water.vessel import drawn
from longsoak.rigfile.draft import Draft
from longsoak.rigfile.reading import Part
from longsoak.rigfile.report import MISSING, Report, number
from longsoak.rigfile.watertables import BlockTable, EvaporationPanTable
from longsoak.rigfile.words import given
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.rig import Block, EvaporationPan, Kind, Reservoir

_ROUND_OR_NOT = "length and breadth, or diameter where it is round: one of the two"


def check_drawn(draft: Draft, *, report: Report) -> None:
    """Note a reservoir with neither or both of depth table and drawn shape, or a wrong shape."""
    if draft.reservoir is None:
        return
    path, table = draft.reservoir.path, draft.reservoir.table
    both = {"depth_table", "blocks"} & draft.reservoir.keys
    if len(both) != 1:
        report.add(
            (*path, "depth_table") if both != {"blocks"} else (*path, "blocks"),
            MISSING if not both else [list(pair) for pair in table.depth_table or ()],
            expected="either depth_table, as measured with a can, or blocks, the drawn shape"
            + (", not both" if both else ""),
            remedy="Write for example depth_table = [[0, 0], [150, 61.2]], or blocks = [] for a "
            "plain tray."
            if not both
            else "Keep depth_table, which was measured, and remove blocks.",
        )
    wrong = False
    for block in draft.blocks or ():
        wrong |= _check_size(block, report=report)
        low, high = block.table.start, block.table.end
        if low is not None and high is not None and high <= low:
            wrong = True
            report.add(
                (*block.path, "to"),
                high,
                expected=f"more than {number(low)}, its lower end",
                remedy="Correct from or to.",
            )
    sizes = (table.length, table.breadth, table.rim)
    if draft.blocks is None or wrong or None in sizes:
        return
    if any(None in (b.table.count, b.table.start, b.table.end) for b in draft.blocks):
        return
    try:
        _drawn(draft)
    except PhysicsError as error:
        report.add(
            (*path, "blocks"),
            table.blocks,
            expected=f"blocks that leave room for water: together they take {error.value:g} mm², "
            f"and have to take {error.allowed}",
            remedy="Correct count, length and breadth, or the heights.",
        )


def check_pan(draft: Draft, *, report: Report) -> None:
    """Note an evaporation pan that can't be one."""
    if draft.pan is None:
        return
    path, table = draft.pan.path, draft.pan.table
    _check_size(draft.pan, report=report)
    if draft.reservoir is None:
        report.add(
            path,
            "there",
            expected="no [evaporation_pan] without a table headed [reservoir]",
            remedy="Add [reservoir], or remove the pan.",
        )
    elif table.level is not None and table.level == draft.reservoir.table.level:
        report.add(
            (*path, "level"),
            table.level,
            expected="a level probe of its own, not the reservoir's",
            remedy="Name the probe that hangs in the pan.",
        )


def check_scales(draft: Draft, *, report: Report) -> None:
    """Note a second scale: which of them counts could not be told."""
    scales = [probe for probe in draft.probes if probe.table.kind is Kind.SCALE]
    for probe in scales[1:]:
        report.add(
            (*probe.path, "kind"),
            "scale",
            expected=f"one scale on a rig (the first is on line {report.line(scales[0].path)})",
            remedy="Remove one of them.",
        )


def reservoir_of(draft: Draft) -> Reservoir | None:
    """The reservoir, its depth table as measured or as drawn."""
    if draft.reservoir is None:
        return None
    table = draft.reservoir.table
    blocks = tuple(_block(part.table) for part in draft.blocks or ())
    return Reservoir(
        name=given(table.name),
        level=given(table.level),
        float_switch=table.float_probe,
        depth_table=_drawn(draft) if table.depth_table is None else tuple(table.depth_table),
        length=given(table.length),
        breadth=given(table.breadth),
        rim=given(table.rim),
        stop=given(table.stop),
        pump_needs=given(table.pump_needs),
        blocks=blocks,
        splash=table.splash or 0.0,
    )


def pan_of(part: Part[EvaporationPanTable] | None) -> EvaporationPan | None:
    """The evaporation pan, if there is one."""
    if part is None:
        return None
    table = part.table
    usual = EvaporationPan("", 0.0)
    return EvaporationPan(
        level=given(table.level),
        area=_area(table) * 1e-6,
        factor=usual.factor if table.factor is None else table.factor,
        factor_uncertainty=usual.factor_uncertainty
        if table.factor_uncertainty is None
        else table.factor_uncertainty,
    )


def _drawn(draft: Draft) -> tuple[tuple[float, float], ...]:
    """The depth table of the drawn shape: to the rim, and to what else has to be reached."""
    table = given(draft.reservoir).table
    heights = (table.rim, table.stop, draft.specimen.table.underside)
    blocks = [_block(part.table) for part in draft.blocks or ()]
    upto = max(height for height in heights if height is not None)
    return tuple(drawn(given(table.length), given(table.breadth), blocks, upto=upto))


def _block(table: BlockTable) -> Block:
    count, area = given(table.count), _area(table)
    sides = (table.length, table.breadth) if table.diameter is None else (table.diameter,) * 2
    return Block(count * area, given(table.start), given(table.end), count, *map(given, sides))


def _area(table: BlockTable | EvaporationPanTable) -> float:
    """The plan of one, mm2."""
    if table.diameter is not None:
        return pi * table.diameter**2 / 4
    return given(table.length) * given(table.breadth)


def _check_size(part: Part[BlockTable] | Part[EvaporationPanTable], *, report: Report) -> bool:
    """Note a plan that is neither round nor a rectangle; whether it is."""
    keys = part.keys & {"length", "breadth", "diameter"}
    if keys in ({"length", "breadth"}, {"diameter"}):
        table = part.table  # a size that could not be read is a mistake of its own
        return all(getattr(table, key) is None for key in keys)
    key = max(keys, default="length")
    report.add(
        (*part.path, key),
        MISSING if not keys else getattr(part.table, key),
        expected=_ROUND_OR_NOT,
        remedy="Write for example length = 50 and breadth = 50, or diameter = 60.",
    )
    return True
