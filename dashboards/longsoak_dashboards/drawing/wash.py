"""Moisture between probes, straight from one to the next, in seven steps; nothing outside them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from longsoak_dashboards.drawing.delaunay import cells, hull

BOUNDS = (13.0, 16.0, 19.0, 22.0, 25.0, 28.0)  # %: where a step ends and the next begins
_UM = 1000  # places are told apart by micrometres

Vertex = tuple[float, float, float]  # x and y in mm, value
Outline = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Wash:
    """What is shaded between some probes.

    `steps` has, for each step from the driest on, what is at least as wet as it: outlines that do
    not overlap, mm. Each holds those of the next. `hull` is where it ends.
    """

    steps: tuple[tuple[Outline, ...], ...]
    hull: Outline


def shade(pins: Iterable[Vertex]) -> Wash | None:
    """Shade between probes; None where they are fewer than three, or on one line.

    Where several stand at one place, their mean counts. Inside a triangle of probes the values lie
    on a plane through its corners. Where four or more share a circle, as those of a grid do, each
    side of their polygon makes a triangle with its middle, which has the mean of all of them: to
    cut along one diagonal or the other would draw a slope that nobody measured.

    Parameters
    ----------
    pins : iterable of (float, float, float)
        Where each probe is, mm, and what it reads, %.
    """
    vertices = _one_a_place(pins)
    points = [(round(x * _UM), round(y * _UM)) for x, y, _ in vertices]
    triangles = [
        triangle
        for corners in cells(points)
        for triangle in _triangles([vertices[corner] for corner in corners])
    ]
    if not triangles:
        return None
    steps = [tuple(tuple((x, y) for x, y, _ in triangle) for triangle in triangles)]
    for bound in BOUNDS:
        wet = (_at_least(triangle, bound) for triangle in triangles)
        steps.append(tuple(tuple((x, y) for x, y, _ in part) for part in wet if len(part) > 2))
    edge = tuple(vertices[corner][:2] for corner in hull(points))
    return Wash(tuple(steps), edge)


def _one_a_place(pins: Iterable[Vertex]) -> list[Vertex]:
    at: dict[tuple[int, int], list[Vertex]] = {}
    for pin in pins:
        at.setdefault((round(pin[0] * _UM), round(pin[1] * _UM)), []).append(pin)
    return [(same[0][0], same[0][1], sum(v for *_, v in same) / len(same)) for same in at.values()]


def _triangles(corners: Sequence[Vertex]) -> list[tuple[Vertex, Vertex, Vertex]]:
    if len(corners) == 3:
        return [(corners[0], corners[1], corners[2])]
    x, y, value = (sum(parts) / len(corners) for parts in zip(*corners, strict=True))
    ends = (*corners[1:], corners[0])
    return [(a, b, (x, y, value)) for a, b in zip(corners, ends, strict=True)]


def _at_least(triangle: Sequence[Vertex], bound: float) -> tuple[Vertex, ...]:
    """The part of a triangle whose values are `bound` or more."""
    found = []
    for one, other in zip(triangle, (*triangle[1:], triangle[0]), strict=True):
        if one[2] >= bound:
            found.append(one)
        if min(one[2], other[2]) < bound < max(one[2], other[2]):
            share = (bound - one[2]) / (other[2] - one[2])
            x, y = (a + share * (b - a) for a, b in zip(one[:2], other[:2], strict=True))
            found.append((x, y, bound))
    return tuple(found)
