"""What is in the record for a limit on a mould index: the course of each seat of two probes."""

from collections.abc import Callable, Sequence
from math import ceil
from typing import TYPE_CHECKING

from longsoak.core.findings.mouldcourse import MouldWindows, highest_in, mould_course
from longsoak.core.findings.windows import Windows
from longsoak.core.mould import Decline, Sensitivity
from longsoak.core.zones import Spot
from longsoak.vocabulary.rig import Layer, Rig

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Numbers = NDArray[np.float64]

_HOUR_MS = 3_600_000

Averages = Callable[[str, Sequence[int]], Windows]


def layer_of(spot: Spot, rig: Rig) -> Layer:
    """The layer a spot inside the specimen is in."""
    bay = next(bay for bay in rig.specimen.bays if bay.name == spot.bay)
    return next(layer for layer in bay.layers if layer.name == spot.layer)


def mould_tables(
    spots: Sequence[Spot], rig: Rig, averages: Averages, *, first_ms: int, edges: Sequence[int]
) -> "tuple[Numbers, Numbers, Numbers, Numbers]":
    """Highest index of each spot in each window, its uncertainty, and the least and the most.

    Parameters
    ----------
    spots : sequence of Spot
        Seats of a humidity and a temperature probe, all in layers that declare their class.
    rig : Rig
        Whose layers they are in.
    averages : callable
        Gives a probe's means between edges, UTC ms.
    first_ms : int
        When the record begins, UTC ms.
    edges : sequence of int
        Where the phase's windows begin and end, UTC ms; two or more.
    """
    import numpy as np

    rows = [_row(spot, rig, averages, first_ms=first_ms, edges=edges) for spot in spots]
    parts = zip(*((r.values, r.uncertainties, r.least, r.most) for r in rows), strict=True)
    values, doubts, least, most = (np.array(part) for part in parts)
    return values, doubts, least, most


def _row(
    spot: Spot, rig: Rig, averages: Averages, *, first_ms: int, edges: Sequence[int]
) -> MouldWindows:
    """One seat: the index is 0 when its first reading was taken, or where the phase begins.

    What the surface was before anybody read it is not known; what it was like between the phase's
    beginning and a first reading that came later is a gap like any other.
    """
    import numpy as np

    humidity, temperature = spot.probes
    slowest = max(probe.record for probe in rig.probes if probe.name in spot.probes)
    length = _HOUR_MS * max(1, ceil(slowest * 1000 / _HOUR_MS))  # each step can hold a reading
    before = max(0, ceil((edges[0] - first_ms) / length))
    count = before + ceil((edges[-1] - edges[0]) / length)
    begins = edges[0] - before * length
    grid = [begins + n * length for n in range(count + 1)]
    rh, t = averages(humidity, grid), averages(temperature, grid)
    read = np.flatnonzero(np.isfinite(rh.means) | np.isfinite(t.means))
    since = min(before, int(read[0]) if read.size else before)
    own, layer = slice(since, None), layer_of(spot, rig)
    if layer.mould_class is None:
        raise TypeError("a layer without a class of mould growth was not left out")
    course = mould_course(
        t.means[own],
        humidities=rh.means[own],
        temperature_uncertainties=t.uncertainties[own],
        humidity_uncertainties=rh.uncertainties[own],
        bounds=(rh.at_least | rh.at_most | t.at_least | t.at_most)[own],
        hours=length / _HOUR_MS,
        material=Sensitivity[layer.mould_class.name],
        decline=None if layer.mould_decline is None else Decline[layer.mould_decline.name],
    )
    return highest_in(course, begins=grid[since], length=length, edges=edges)
