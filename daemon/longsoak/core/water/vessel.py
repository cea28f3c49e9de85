"""What a reservoir holds at a depth, through its depth table or its drawn shape. Pure.

A drawn shape is a rectangle less the blocks that stand or hang in it. Between the heights at which
its free area changes, volume goes straight with depth, so a depth table says it exactly.
"""

import itertools
from bisect import bisect_right
from collections.abc import Sequence

from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.rig import Block

Table = Sequence[tuple[float, float]]
TABLE_U = 0.01  # of litres, standard: what a table is off by. Own choice: a can's scale.
_MM2 = 1e-6  # of a litre, one mm deep


def drawn(length: float, breadth: float, blocks: Sequence[Block], *, upto: float) -> Table:
    """The depth table of a drawn shape.

    Parameters
    ----------
    length, breadth : float
        Plan of the reservoir inside, mm.
    blocks : sequence of Block
        What takes room in it.
    upto : float
        How deep the table is to reach, mm.

    Returns
    -------
    sequence of (float, float)
        Depths in mm with their volumes in L, both rising from 0.

    Raises
    ------
    PhysicsError
        Somewhere the blocks leave no free area, or a size is not above 0.
    """
    for name, size in (("length", length), ("breadth", breadth), ("upto", upto)):
        if not size > 0:
            raise PhysicsError(name, size, "more than 0 mm")
    cuts = {0.0, upto}
    for block in blocks:
        cuts |= {min(max(height, 0.0), upto) for height in (block.start, block.end)}
    heights = sorted(cuts)
    table, held = [(0.0, 0.0)], 0.0
    for low, high in itertools.pairwise(heights):
        taken = sum(block.area for block in blocks if block.start <= low and high <= block.end)
        free = length * breadth - taken
        if free <= 0.0:
            raise PhysicsError(
                "blocks", taken, f"less than {length * breadth:g} mm2 between {low:g} and {high:g}"
            )
        held += free * (high - low) * _MM2
        table.append((high, held))
    return tuple(table)


def volume(level: float, depth_table: Table) -> float | None:
    """Volume of water at a depth.

    Parameters
    ----------
    level : float
        Water depth above the reservoir's floor, mm.
    depth_table : sequence of (float, float)
        Depths in mm with their volumes in L, both strictly rising.

    Returns
    -------
    float or None
        Volume in L, straight between the table's rows. None outside the table: what was not
        measured with the can is not guessed.
    """
    if not depth_table[0][0] <= level <= depth_table[-1][0]:
        return None
    (low_mm, low_l), (high_mm, high_l) = _rows_about(level, depth_table)
    return low_l + (high_l - low_l) * (level - low_mm) / (high_mm - low_mm)


def depth(litres: float, depth_table: Table) -> float | None:
    """Water depth at which there are so many litres, mm; None outside the table."""
    return volume(litres, [(held, level) for level, held in depth_table])


def free_surface(level: float, depth_table: Table) -> float | None:
    """Area of the water's surface, m2, which is litres for one mm; None outside the table.

    Where the free area changes it is that above, and at the table's end that below.
    """
    if not depth_table[0][0] <= level <= depth_table[-1][0]:
        return None
    return held(level, depth_table)[1]


def held(level: float, depth_table: Table) -> tuple[float, float]:
    """Litres and free surface (m2) at a level, carried on beyond the table's ends.

    Rates and differences need a figure where a level wavers about an empty or a brimful tray;
    what is shown as a volume is `volume`.
    """
    (low_mm, low_l), (high_mm, high_l) = _rows_about(level, depth_table)
    surface = (high_l - low_l) / (high_mm - low_mm)
    return low_l + surface * (level - low_mm), surface


def clearance(level: float, underside: float) -> float:
    """How far the water is below the specimen's underside, mm; less than 0 in contact."""
    return underside - level


def to_stop(level: float, stop: float, depth_table: Table) -> float | None:
    """Litres that a top-up to the stop takes, 0 at or above it; None outside the table."""
    now, then = volume(level, depth_table), volume(stop, depth_table)
    return None if now is None or then is None else max(0.0, then - now)


def _rows_about(
    level: float, depth_table: Table
) -> tuple[tuple[float, float], tuple[float, float]]:
    """The two rows that a level lies between, or the two at the end it lies beyond."""
    upper = min(max(bisect_right(depth_table, level, key=_depth), 1), len(depth_table) - 1)
    return depth_table[upper - 1], depth_table[upper]


def _depth(row: tuple[float, float]) -> float:
    return row[0]
