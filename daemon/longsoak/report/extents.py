"""How far readings of one probe went within times, for drawings and the room. Needs numpy."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag

if TYPE_CHECKING:
    from longsoak.store.arrays import Columns


class Extent(NamedTuple):
    """The lowest, the highest and the mean reading from `utc_ms` on, whatever their flags but fail.

    There is no mean where one is a bound; `wetter` is whether one is a lower bound.
    """

    utc_ms: int
    low: float
    high: float
    mean: float | None
    wetter: bool


def extents_of(read: "Columns", edges: Sequence[int]) -> list[Extent]:
    """That of each time between two edges, UTC ms; times without such a reading are left out.

    `read` is in the order of time.
    """
    import numpy as np

    good = (read.flags != Flag.FAIL) & np.isfinite(read.values)
    times, values, reasons = read.utc_ms[good], read.values[good], read.reasons[good]
    cuts = np.searchsorted(times, np.array(edges))
    place = np.flatnonzero(np.diff(cuts))  # of times that have any
    if not len(place):
        return []
    starts, end = cuts[place], cuts[-1]
    values, reasons = values[:end].astype(np.float64), reasons[:end]
    wetter, drier = (
        np.add.reduceat(np.isin(reasons, list(of)).astype(np.int64), starts) > 0
        for of in (AT_LEAST, AT_MOST)
    )
    means = np.add.reduceat(values, starts) / np.diff(np.append(starts, end))
    return [
        Extent(edges[number], low, high, None if over or under else mean, over)
        for number, low, high, mean, over, under in zip(
            place.tolist(),
            np.minimum.reduceat(values, starts).tolist(),
            np.maximum.reduceat(values, starts).tolist(),
            means.tolist(),
            wetter.tolist(),
            drier.tolist(),
            strict=True,
        )
    ]
