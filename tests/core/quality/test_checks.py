"""However a series is cut into pieces, the checks come to the same flags."""

from itertools import pairwise
from math import isnan, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.quality.checks import (
    GAP,
    NOT_EVALUATED,
    PASS,
    Before,
    Close,
    Pending,
    Piece,
    Rate,
    Run,
    Spike,
    piece_of,
)

EVERY = 60.0
STEPS = st.sampled_from([EVERY, EVERY, EVERY, EVERY, 5 * EVERY])
VALUES = st.sampled_from([1.0, 1.0, 1.0, 1.1, 1.3, 2.0, nan])
SERIES = st.lists(st.tuples(STEPS, VALUES), min_size=1, max_size=60)
CUTS = st.lists(st.integers(0, 60), max_size=8)


def pieces(series: list[tuple[float, float]], cuts: list[int]) -> list[Piece]:
    times, at = [], 0.0
    for step, _ in series:
        at += step
        times.append(at)
    values = [value for _, value in series]
    edges = sorted({0, len(series), *(cut for cut in cuts if cut < len(series))})
    return [piece_of(times[a:b], values[a:b]) for a, b in pairwise(edges)]


def whole(series: list[tuple[float, float]]) -> Piece:
    return pieces(series, [])[0]


@given(SERIES, CUTS)
def test_rates(series: list[tuple[float, float]], cuts: list[int]) -> None:
    check, before, found = Rate(0.002, 0.01), Before(), []
    for piece in pieces(series, cuts):
        flags, before = check.step(piece, before)
        found += flags
    assert found == check.step(whole(series), Before())[0]


@given(SERIES, CUTS)
def test_spikes(series: list[tuple[float, float]], cuts: list[int]) -> None:
    check, pending, found = Spike(0.15, 0.5), Pending(), []
    for piece in pieces(series, cuts):
        flags, pending = check.step(piece, pending)
        found += flags
    flags, last = check.step(whole(series), Pending())
    assert (found, repr(pending)) == (flags, repr(last))  # NaN does not equal itself
    assert len(found) == len(series) - 1


@given(SERIES, CUTS, st.sampled_from([0.05, 0.25, 0.4]), st.integers(1, 9), st.integers(1, 9))
def test_runs_of_close_readings(
    series: list[tuple[float, float]], cuts: list[int], within: float, suspect: int, more: int
) -> None:
    check, run, found = Close(within, EVERY, suspect, suspect + more), Run(), []
    for piece in pieces(series, cuts):
        flags, run = check.step(piece, run)
        found += flags
    assert found == looked_through(check, whole(series))


def looked_through(check: Close, piece: Piece) -> list[int]:
    """Every window by itself."""
    flags, on_end = [], list[float]()
    last = -1e9
    for time, value in zip(piece.times, piece.values, strict=True):
        if isnan(value):
            flags.append(9)
            continue
        if time - last > GAP * EVERY:
            on_end.clear()
        last = time
        on_end.append(value)
        flag = NOT_EVALUATED if len(on_end) < (check.suspect or 0) else PASS
        for n, worse in ((check.suspect, 3), (check.fail, 4)):
            window = on_end[-(n or 0) :]
            if n and len(window) == n and max(window) - min(window) < check.within:
                flag = worse
        flags.append(flag)
    return flags


@given(st.integers(1, 400))
def test_what_is_remembered_of_a_run_does_not_grow_with_it(n: int) -> None:
    """Readings that stay the same leave two places, those that waver a few."""
    check = Close(0.5, EVERY, suspect=50)
    times = [EVERY * i for i in range(n)]
    _, run = check.step(piece_of(times, [7.0] * n), Run())
    assert (run.seen, run.size) == (n, n)
    assert len(run.highs) == len(run.lows) == 1


@pytest.mark.parametrize("check", [Rate(1.0), Spike(1.0), Close(1.0, EVERY, 3)])
def test_a_piece_without_readings_has_no_flags(check: Rate | Spike | Close) -> None:
    state = {Rate: Before(), Spike: Pending(), Close: Run()}[type(check)]
    assert check.step(piece_of([], []), state) == ([], state)  # type: ignore[arg-type]
