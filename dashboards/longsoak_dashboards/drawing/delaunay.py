"""Points in a plane joined to triangles, none of which has another point in its circumcircle."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

Point = tuple[int, int]
Corners = tuple[int, ...]


def cells(points: Sequence[Point]) -> list[Corners]:
    """The Delaunay cells of some points, each by its corners' places, in one sense round.

    Most are triangles. Where more points lie on one circle, as those of a grid do, no way to cut
    their polygon into triangles is better than another, so it is one cell.

    Parameters
    ----------
    points : sequence of (int, int)
        All of them different. They are whole numbers so that the signs on which it depends are
        exact; whoever has lengths in mm passes micrometres.

    Returns
    -------
    list of tuple of int
        Empty where the points are fewer than three, or on one line.
    """
    opposite = _flipped(points, _swept(points))
    return _merged(points, opposite)


def hull(points: Sequence[Point]) -> Corners:
    """The corners of the convex hull, in one sense round; empty where it has no area."""
    order = sorted(range(len(points)), key=lambda i: points[i])
    chains: list[list[int]] = []
    for way in (order, order[::-1]):
        chain: list[int] = []
        for i in way:
            while len(chain) > 1 and _turn(points[chain[-2]], points[chain[-1]], points[i]) <= 0:
                chain.pop()
            chain.append(i)
        chains.append(chain[:-1])
    found = (*chains[0], *chains[1])
    return found if len(found) > 2 else ()


def _turn(a: Point, b: Point, c: Point) -> int:
    """Above 0 if a, b, c turn one way, below it the other; 0 on a line."""
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def in_circle(a: Point, b: Point, c: Point, d: Point) -> int:
    """Above 0 if d lies in the circle through a, b, c, which turn the way `_turn` has above 0."""
    rows = [(p[0] - d[0], p[1] - d[1]) for p in (a, b, c)]
    (ax, ay), (bx, by), (cx, cy) = rows
    aa, bb, cc = (x * x + y * y for x, y in rows)
    return ax * (by * cc - bb * cy) - ay * (bx * cc - bb * cx) + aa * (bx * cy - by * cx)


def _swept(points: Sequence[Point]) -> list[tuple[int, int, int]]:
    """Some triangulation: from left to right each point is joined to what it sees of the hull."""
    order = sorted(range(len(points)), key=lambda i: points[i])
    apex = next(
        (
            k
            for k in range(2, len(order))
            if _turn(points[order[0]], points[order[1]], points[order[k]])
        ),
        None,
    )
    if apex is None:
        return []
    line, top = order[:apex], order[apex]
    if _turn(points[line[0]], points[line[1]], points[top]) < 0:
        line.reverse()
    found = [(a, b, top) for a, b in pairwise(line)]
    around = [*line, top]
    for i in order[apex + 1 :]:
        seen = [
            _turn(points[a], points[b], points[i]) < 0 for a, b in pairwise([*around, around[0]])
        ]
        n = len(around)
        first = next(k for k in range(n) if seen[k] and not seen[k - 1])
        sides = next(k for k in range(1, n) if not seen[(first + k) % n])
        chain = [around[(first + k) % n] for k in range(sides + 1)]
        found += [(b, a, i) for a, b in pairwise(chain)]
        rest = [around[(first + k) % n] for k in range(sides, n + 1)]
        around = [*rest, i]
    return found


def _flipped(
    points: Sequence[Point], triangles: Sequence[tuple[int, int, int]]
) -> dict[tuple[int, int], int]:
    """The third corner at each side of each triangle, once no circle holds another point."""
    opposite: dict[tuple[int, int], int] = {}
    for a, b, c in triangles:
        opposite |= {(a, b): c, (b, c): a, (c, a): b}
    doubtful = list(opposite)
    while doubtful:
        a, b = doubtful.pop()
        if (a, b) not in opposite or (b, a) not in opposite:
            continue
        c, d = opposite[a, b], opposite[b, a]
        if in_circle(points[a], points[b], points[c], points[d]) <= 0:
            continue
        del opposite[a, b], opposite[b, a]
        opposite |= {(c, a): d, (a, d): c, (d, c): a, (d, b): c, (b, c): d, (c, d): b}
        doubtful += [(a, d), (d, b), (b, c), (c, a)]
    return opposite


def _merged(points: Sequence[Point], opposite: dict[tuple[int, int], int]) -> list[Corners]:
    """Triangles that share a circle as one cell."""
    inner = {
        side
        for side, c in opposite.items()
        if (d := opposite.get(side[::-1])) is not None
        and not in_circle(points[side[0]], points[side[1]], points[c], points[d])
    }
    outer = opposite.keys() - inner
    found = []
    while outer:
        start = min(outer)
        cell = tuple(_round(start, opposite, inner))
        outer -= set(pairwise((*cell, cell[0])))
        found.append(cell)
    return found


def _round(
    start: tuple[int, int], opposite: dict[tuple[int, int], int], inner: set[tuple[int, int]]
) -> Iterator[int]:
    """The corners of the cell on that side of `start`, from its first on."""
    a, b = start
    while True:
        yield a
        # The next side from b on: past those that lie within the cell.
        a, c = b, opposite[a, b]
        while (a, c) in inner:
            c = opposite[c, a]
        b = c
        if (a, b) == start:
            return
