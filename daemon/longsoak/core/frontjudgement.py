"""What is to be doubted in the arrivals of a wetting front, in sentences. Pure."""

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from longsoak.core.fitjudgement import Remark
from longsoak.core.front import Front
from longsoak.core.regression import student_quantile
from longsoak.core.straightline import line_through
from longsoak.core.uptake import FEWEST, Undetermined
from longsoak.vocabulary.rig import Bay

# mm/s^0.5: 2 kg/(m2 s^0.5), as the fastest of common materials, into 200 kg/m3; from memory.
FASTEST = 10.0
LARGEST_START = 0.05  # of the deepest depth: a line that begins so near the face is through it


@dataclass(frozen=True, slots=True)
class Reach:
    """A depth and when the front reached it.

    `name` is what sentences call it. `depth` counts from the wet face, mm; `uncertainty` is its
    standard uncertainty, mm, None if not known; `time` is since the face met the water, s, None
    if the front has not come yet.
    """

    name: str
    depth: float
    uncertainty: float | None
    time: float | None


def front_doubts(reaches: Sequence[Reach], *, front: Front | Undetermined) -> tuple[Remark, ...]:
    """What to be wary of, the worst first.

    Parameters
    ----------
    reaches : sequence of Reach
        Those the front has not come to as well.
    front : Front or Undetermined
        What was found in them.
    """
    remarks = []
    if isinstance(front, Front) and front.pace > FASTEST:
        last = max(reach.time for reach in reaches if reach.time is not None)
        remarks.append(
            Remark(
                f"{front.pace:.3g} mm/√s is faster than any common material takes up water. Look "
                f"at the units: all arrivals lie within {last:.4g} s.",
                unusable=True,
            )
        )
    remarks += [
        Remark(
            f"{deeper.name} was reached before {nearer.name}, which lies nearer to the face"
            f"{' and has not been reached yet' if nearer.time is None else ''}. Such a front is "
            "not flat: look for a crack, a joint or water along a lead, and whether a name, a "
            "depth or a time is wrong."
        )
        for nearer, deeper in _overtaken(reaches)
    ]
    remarks += [Remark(says) for says in (_bend(reaches), _floor(reaches, front)) if says]
    return tuple(remarks)


def layers_remark(bay: Bay, *, deepest: float) -> Remark | None:
    """Tell of a front that has gone through more layers than one; None if it has not.

    Parameters
    ----------
    bay : Bay
        The bay it runs through.
    deepest : float
        The greatest depth it has reached, mm from the wet face.
    """
    through, start = [], 0.0
    for layer in bay.layers:
        if start < deepest:
            through.append(layer.name)
        start += layer.thickness
    if len(through) < 2:
        return None
    return Remark(
        f"The front has gone through {', '.join(through[:-1])} into {through[-1]}. One pace holds "
        f"for one material: leave out what lies deeper than {bay.layers[0].thickness:g} mm to have "
        "that of the first."
    )


def _overtaken(reaches: Sequence[Reach]) -> list[tuple[Reach, Reach]]:
    """Depths that were reached after a deeper one, or not yet, with the first of the deeper.

    Deeper is what lies deeper by twice both uncertainties; one that is not known counts for none.
    """
    low = sorted((r for r in reaches if r.time is not None), key=_nearest_end, reverse=True)
    ends = [-_nearest_end(reach) for reach in low]  # rising, for bisect
    firsts: list[Reach] = []
    for reach in low:
        sooner = not firsts or _when(reach) < _when(firsts[-1])
        firsts.append(reach if sooner else firsts[-1])
    found = []
    for reach in sorted(reaches, key=lambda reach: reach.depth):
        deeper = bisect_left(ends, -(reach.depth + 2.0 * (reach.uncertainty or 0.0)))
        if deeper and _when(firsts[deeper - 1]) < _when(reach):
            found.append((reach, firsts[deeper - 1]))
    return found


def _nearest_end(reach: Reach) -> float:
    return reach.depth - 2.0 * (reach.uncertainty or 0.0)


def _when(reach: Reach) -> float:
    return math.inf if reach.time is None else reach.time


def _bend(reaches: Sequence[Reach]) -> str | None:
    """Say so where a line through the points alone does not begin at the face, nor near it.

    It must miss the face by more than the scatter about it leaves to chance in 95 of 100 sets
    (Student's t; common practice), by more than twice what the depths' own uncertainties make of
    it, and by more than `LARGEST_START` of the deepest depth.
    """
    there = [(r, math.sqrt(r.time)) for r in reaches if r.time is not None]
    roots = [root for _, root in there]
    depths = [reach.depth for reach, _ in there]
    n = len(there)
    if len(set(roots)) < FEWEST:
        return None
    line = line_through(roots, depths)
    mean = math.fsum(roots) / n
    spread = math.fsum((root - mean) ** 2 for root in roots)
    # The start of the line is the sum of the depths, each times its share.
    shares = [1.0 / n - mean * (root - mean) / spread for root in roots]
    told = math.sqrt(line.squares / (n - 2) * math.fsum(share**2 for share in shares))
    known = math.sqrt(
        math.fsum(
            (s * (reach.uncertainty or 0.0)) ** 2
            for s, (reach, _) in zip(shares, there, strict=True)
        )
    )
    by_chance = max(student_quantile(0.975, n - 2) * told, 2.0 * known)
    if abs(line.intercept) <= max(by_chance, LARGEST_START * max(depths)):
        return None
    if line.intercept > 0.0:
        return (
            "The points bend away: the late arrivals are later than the pace of the first. The "
            "front has slowed, as by gravity, evaporation, a denser layer or water that ran short; "
            "or time was counted from too late."
        )
    return (
        "The points bend away: the first arrivals are later than the pace of the others. The face "
        "took up water slowly at first, as through a skin, paint or trapped air; or time was "
        "counted from too early."
    )


def _floor(reaches: Sequence[Reach], front: Front | Undetermined) -> str | None:
    """Say so where depths of known uncertainty among others make more of it than was found.

    Where it is known of some alone, all count alike and a lucky line looks better known than the
    depths it is drawn through.
    """
    there = [(r.time, r.uncertainty) for r in reaches if r.time is not None]
    if isinstance(front, Undetermined) or all(doubt is not None for _, doubt in there):
        return None
    total = math.fsum(time for time, _ in there)
    floor = math.sqrt(math.fsum(time * (doubt or 0.0) ** 2 for time, doubt in there)) / total
    if floor <= front.uncertainty:
        return None
    return (
        f"The pace is known no better than to {floor:.2g} mm/√s ({60.0 * floor:.2g} mm/√h): so "
        "much the known uncertainties of some depths make alone. The smaller one that is told "
        "comes of depths that lie on a line by chance."
    )
