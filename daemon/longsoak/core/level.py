"""Water depth to volume, through the reservoir's own depth table."""

from bisect import bisect_right
from collections.abc import Sequence


def volume(level: float, depth_table: Sequence[tuple[float, float]]) -> float | None:
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
    upper = min(bisect_right(depth_table, level, key=lambda row: row[0]), len(depth_table) - 1)
    (low_mm, low_l), (high_mm, high_l) = depth_table[upper - 1], depth_table[upper]
    return low_l + (high_l - low_l) * (level - low_mm) / (high_mm - low_mm)
