"""The wash between probes: straight, inside their hull, and split where its steps say."""

import math
from collections import Counter
from itertools import combinations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import ConvexHull, Delaunay

from longsoak_dashboards.drawing.delaunay import cells, hull
from longsoak_dashboards.drawing.wash import BOUNDS, Outline, Vertex, Wash, shade

PLACES = st.tuples(st.integers(0, 900), st.integers(0, 2500))
SPREAD = st.lists(PLACES, min_size=3, max_size=40, unique=True)
GRID = st.builds(
    lambda xs, ys, left_out: [
        p for i, p in enumerate((x, y) for x in xs for y in ys) if i not in left_out
    ],
    st.lists(st.integers(0, 300), min_size=2, max_size=5, unique=True),
    st.lists(st.integers(0, 600), min_size=2, max_size=6, unique=True),
    st.sets(st.integers(0, 30), max_size=6),
)  # fmt: skip
VALUES = st.floats(6, 32).map(lambda value: round(value, 1))


def area(outline: Outline) -> float:
    turned = (*outline[1:], outline[0])
    return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(outline, turned, strict=True))) / 2


def flat(points: list[tuple[int, int]]) -> bool:
    return len(points) < 3 or np.linalg.matrix_rank(np.array(points[1:]) - points[0]) < 2


@settings(deadline=None, max_examples=150)
@given(st.one_of(SPREAD, GRID))
def test_cells_tile_the_hull_and_no_circle_holds_another_point(
    points: list[tuple[int, int]],
) -> None:
    """Against scipy.spatial, which is Qhull: the same hull, and the same area in all."""
    found = cells(points)
    if flat(points):
        assert found == []
        assert hull(points) == ()
        return
    whole = ConvexHull(points)
    assert set(hull(points)) == set(whole.vertices.tolist())
    outlines = [tuple((float(x), float(y)) for x, y in (points[i] for i in cell)) for cell in found]
    assert sum(map(area, outlines)) == pytest.approx(whole.volume)
    for cell in found:
        corners = np.array([points[i] for i in cell[:3]], dtype=float)
        middle, square = circle(corners)
        away = ((np.array(points, dtype=float) - middle) ** 2).sum(axis=1)
        assert (away >= square * (1 - 1e-9) - 1e-6).all(), "an empty circle is Delaunay's own rule"
        assert away[list(cell)] == pytest.approx(square, rel=1e-7, abs=1e-5)
    sides = Counter(
        frozenset(side) for cell in found for side in zip(cell, (*cell[1:], cell[0]), strict=True)
    )
    assert set(sides.values()) <= {1, 2}


def circle(
    corners: "np.ndarray[tuple[int, int], np.dtype[np.float64]]",
) -> tuple[np.ndarray, float]:
    """Middle and squared radius of the circle through three points."""
    a, b, c = corners
    matrix = 2 * np.array([b - a, c - a])
    right = np.array([b @ b - a @ a, c @ c - a @ a])
    middle = np.linalg.solve(matrix, right)
    return middle, float(((a - middle) ** 2).sum())


@settings(deadline=None, max_examples=100)
@given(SPREAD)
def test_in_general_position_they_are_the_triangles_scipy_finds(
    points: list[tuple[int, int]],
) -> None:
    assume(not flat(points))
    found = cells(points)
    assume(all(len(cell) == 3 for cell in found))
    known = Delaunay(np.array(points, dtype=float))
    assume(len(known.coplanar) == 0)
    # Qhull leaves out slivers at the hull that are flat to its own accuracy.
    theirs = {frozenset(map(int, simplex)) for simplex in known.simplices}
    ours = {frozenset(cell) for cell in found}
    sliver = {
        cell
        for cell in ours ^ theirs
        if area(tuple((float(points[i][0]), float(points[i][1])) for i in cell)) < 1e-6
    }
    assert ours - sliver == theirs - sliver


def value_at(wash: Wash, x: float, y: float) -> int:
    """The highest step that holds a place; -1 outside."""
    return max(
        (k for k, parts in enumerate(wash.steps) if any(holds(part, x, y) for part in parts)),
        default=-1,
    )


def holds(outline: Outline, x: float, y: float) -> bool:
    turns = [
        (b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0])
        for a, b in zip(outline, (*outline[1:], outline[0]), strict=True)
    ]
    return min(turns) >= -1e-9 or max(turns) <= 1e-9


@settings(deadline=None, max_examples=60)
@given(SPREAD, st.data())
def test_a_place_has_the_step_scipy_s_interpolation_gives_it(
    points: list[tuple[int, int]], data: st.DataObject
) -> None:
    assume(not flat(points))
    assume(all(len(cell) == 3 for cell in cells(points)))
    values = data.draw(st.lists(VALUES, min_size=len(points), max_size=len(points)))
    wash = shade([(float(x), float(y), v) for (x, y), v in zip(points, values, strict=True)])
    assert wash is not None
    between = LinearNDInterpolator(np.array(points, dtype=float), np.array(values))
    random = np.random.default_rng(1)
    for x, y in random.uniform((0, 0), (900, 2500), (60, 2)).tolist():
        known = float(between(x, y))
        if not math.isnan(known) and min(abs(known - bound) for bound in BOUNDS) > 1e-6:
            assert value_at(wash, x, y) == sum(known >= bound for bound in BOUNDS)


@settings(deadline=None, max_examples=25)
@given(GRID, st.data())
def test_steps_of_a_grid_cover_what_a_fine_raster_says(
    points: list[tuple[int, int]], data: st.DataObject
) -> None:
    assume(not flat(points))
    values = data.draw(st.lists(VALUES, min_size=len(points), max_size=len(points)))
    pins = [(float(x), float(y), v) for (x, y), v in zip(points, values, strict=True)]
    wash = shade(pins)
    assert wash is not None
    areas = [sum(map(area, parts)) for parts in wash.steps]
    assert areas == sorted(areas, reverse=True), "what is wetter lies within what is less wet"
    assert areas[0] == pytest.approx(area(wash.hull))
    # What the shape's own rule gives, point by point: each grid cell's middle has its mean.
    triangles = triangles_of(points, pins)
    xs, ys = zip(*points, strict=True)
    fine = 60
    x, y = np.meshgrid(
        (np.arange(fine) + 0.5) / fine * (max(xs) - min(xs)) + min(xs),
        (np.arange(fine) + 0.5) / fine * (max(ys) - min(ys)) + min(ys),
    )
    known = np.full(x.shape, np.nan)
    for corners in triangles:
        (x0, y0, v0), (x1, y1, v1), (x2, y2, v2) = corners
        double = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
        s = ((x - x0) * (y2 - y0) - (x2 - x0) * (y - y0)) / double
        t = ((x1 - x0) * (y - y0) - (x - x0) * (y1 - y0)) / double
        inside = (s >= 0) & (t >= 0) & (s + t <= 1)
        known[inside] = (v0 + s * (v1 - v0) + t * (v2 - v0))[inside]
    pixel = (max(xs) - min(xs)) * (max(ys) - min(ys)) / fine**2
    box = (max(xs) - min(xs)) * (max(ys) - min(ys))
    for k, bound in enumerate((-math.inf, *BOUNDS)):
        assert areas[k] == pytest.approx(float((known >= bound).sum()) * pixel, abs=0.03 * box)


def triangles_of(points: list[tuple[int, int]], pins: list[Vertex]) -> list[list[Vertex]]:
    found = []
    for cell in cells(points):
        corners = [pins[i] for i in cell]
        if len(corners) == 3:
            found.append(corners)
            continue
        middle = tuple(float(np.mean(part)) for part in zip(*corners, strict=True))
        found += [
            [a, b, (middle[0], middle[1], middle[2])]
            for a, b in zip(corners, [*corners[1:], corners[0]], strict=True)
        ]
    return found


@settings(deadline=None, max_examples=60)
@given(st.one_of(SPREAD, GRID), st.floats(-0.02, 0.02), st.floats(-0.01, 0.01))
def test_a_slope_that_is_even_is_drawn_as_it_is_whatever_the_places(
    points: list[tuple[int, int]], across: float, along: float
) -> None:
    assume(not flat(points))
    wash = shade([(float(x), float(y), 20 + across * x + along * y) for x, y in points])
    assert wash is not None
    random = np.random.default_rng(2)
    for x, y in random.uniform((0, 0), (900, 2500), (40, 2)).tolist():
        known = 20 + across * x + along * y
        if holds(wash.hull, x, y) and min(abs(known - bound) for bound in BOUNDS) > 1e-6:
            assert value_at(wash, x, y) == sum(known >= bound for bound in BOUNDS)


def test_a_rectangle_has_no_diagonal_that_nobody_measured() -> None:
    wash = shade([(0, 0, 10), (60, 0, 30), (60, 100, 10), (0, 100, 30)])
    assert wash is not None
    assert value_at(wash, 30, 50) == 3  # 20 %, the mean, and no ridge of 10 or of 30


def test_two_probes_or_a_line_of_them_make_no_area() -> None:
    assert shade([]) is None
    assert shade([(0, 0, 15), (10, 10, 20)]) is None
    assert shade([(30, 60.1, 15), (30, 160.1, 20), (30, 260.1, 25)]) is None
    assert shade([(0.1, 0.1, 15), (0.2, 0.2, 20), (0.3, 0.3, 25)]) is None


def test_several_at_one_place_count_as_their_mean() -> None:
    pair = shade([(0, 0, 10), (0, 0, 20), (50, 0, 15), (0, 50, 15)])
    assert pair is not None
    assert [bool(parts) for parts in pair.steps] == [True, True, False, False, False, False, False]


def test_a_bound_counts_as_itself() -> None:
    wet = shade([(0, 0, 28), (50, 0, 28), (0, 50, 28)])
    assert wet is not None
    assert area(wet.steps[6][0]) == pytest.approx(area(wet.hull))


def test_sixty_four_probes_take_no_time_worth_naming(monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted, not timed: no more tests of a circle than sides times a few."""
    from longsoak_dashboards.drawing import delaunay

    asked = 0
    plain = delaunay.in_circle

    def counted(*points: delaunay.Point) -> int:
        nonlocal asked
        asked += 1
        return plain(*points)

    monkeypatch.setattr(delaunay, "in_circle", counted)
    grid = [(x, y) for x in range(0, 80, 10) for y in range(0, 80, 10)]
    assert sum(len(cell) == 4 for cell in cells(grid)) == 49
    assert asked < 2500
    assert all(a != b for a, b in combinations(grid, 2))
