"""For how long a bay's face was wetted in a phase, as the water's books tell it. Needs numpy."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from longsoak.core.water.wetting import STATE_OF
from longsoak.report.stretches import HOUR_MS
from longsoak.store.water import Happening
from longsoak.vocabulary.water import Wetting

if TYPE_CHECKING:
    from longsoak.core.arrays import Array


@dataclass(frozen=True, slots=True)
class Wetted:
    """Hours wetted up to the end of each `hours`; how many were not, and how many nobody knows."""

    hours: "Array"
    stood: float
    unknown: float

    def at(self, hours: float) -> float:
        """Wetted hours up to some hours of the phase."""
        import numpy as np

        whole = np.arange(len(self.hours) + 1.0)
        return float(np.interp(hours, whole, np.append(0.0, self.hours)))


def wetted(edges: Sequence[int], changes: Sequence[Happening]) -> Wetted:
    """Add up the time in which a face was wetted; what is not known counts as such.

    Parameters
    ----------
    edges : sequence of int
        A phase's hours, UTC ms.
    changes : sequence of Happening
        When the bay began and ceased to be wetted, oldest first.
    """
    import numpy as np

    at_edges = np.array(edges, dtype=float)
    begin, end = at_edges[0], at_edges[-1]
    state, at = Wetting.UNKNOWN, begin
    stood = np.zeros(len(edges) - 1)
    unknown = 0.0

    def count(since: float, until: float) -> float:
        nonlocal stood
        if until <= since:
            return 0.0
        if state is Wetting.UNKNOWN:
            return until - since
        if state is Wetting.STOPPED:
            overlap = np.minimum(at_edges[1:], until) - np.maximum(at_edges[:-1], since)
            stood += np.maximum(overlap, 0.0)
        return 0.0

    for change in changes:
        upto = min(max(float(change.from_ms), at), end)
        unknown += count(at, upto)
        state, at = STATE_OF[change.figures["state"]], upto
    unknown += count(at, end)
    hours = np.cumsum(np.diff(at_edges) - stood) / HOUR_MS
    return Wetted(hours, float(stood.sum()) / HOUR_MS, unknown / HOUR_MS)
