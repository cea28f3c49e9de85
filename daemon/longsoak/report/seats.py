"""Seats of bays: which stand side by side, which stay out, and what some of them come to. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations
from math import isfinite

from longsoak.core.findings.windows import Windows
from longsoak.core.zones import Spot
from longsoak.vocabulary.rig import Bay, Boundary, LimitQuantity, Rig


def by_depth(
    spots: Iterable[Spot], bay: str
) -> Mapping[tuple[LimitQuantity, float], dict[float, Spot]]:
    """The seats of a bay by quantity and depth, in the order of depth, then by height."""
    found: dict[tuple[LimitQuantity, float], dict[float, Spot]] = {}
    for spot in spots:
        if spot.bay == bay and spot.depth is not None and spot.height is not None:
            seats = found.setdefault((spot.quantity, spot.depth), {})
            seats.setdefault(spot.height, spot)
    return dict(sorted(found.items(), key=lambda item: (item[0][1], item[0][0])))


def at_open_line(rig: Rig, bay: Bay, other: Bay) -> set[str]:
    """Names of a bay's probes within its thickness of an open line to the other one."""
    bays, lines = rig.specimen.bays, rig.specimen.between_bays
    here, there = bays.index(bay), bays.index(other)
    if abs(here - there) != 1 or lines[min(here, there)] is not Boundary.OPEN:
        return set()
    line = bay.end if there > here else bay.start
    return {
        probe.name
        for probe in rig.probes
        if probe.bay == bay.name
        and probe.across is not None
        and abs(probe.across - line) < bay.thickness
    }


def pairs_of(bays: Sequence[Bay], control: str) -> Iterable[tuple[Bay, Bay]]:
    """Each bay with the control, where one was named; else all bays with each other."""
    if unwetted := next((bay for bay in bays if bay.name == control), None):
        return [(bay, unwetted) for bay in bays if bay is not unwetted]
    return combinations(bays, 2)


def mean_of(rows: Sequence[Windows]) -> list[float | None]:
    """The mean of some seats in each window; None unless all are known, and none is but a bound."""
    import numpy as np

    table = np.array([row.means for row in rows])
    edge = np.logical_or.reduce([row.at_least | row.at_most for row in rows])
    means = np.where(edge, np.nan, table.mean(axis=0))
    return [float(mean) if isfinite(mean) else None for mean in means]


def doubt_of(rows: Sequence[Windows]) -> float:
    """The standard uncertainty that readings of some seats have in common, as far as is known."""
    import numpy as np

    known = np.concatenate([row.uncertainties[np.isfinite(row.uncertainties)] for row in rows])
    return float(np.median(known)) if len(known) else 0.0
