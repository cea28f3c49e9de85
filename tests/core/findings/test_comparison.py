"""Bays compared: what is said, and how often its intervals hold a known difference.

Expected shares are what the intervals state; two standard deviations of a share found from 1000
runs are 1.4 %, from 300 runs 2.5 %.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from longsoak.core.findings.comparison import Comparison, compare
from longsoak.core.findings.serial import block_length, worth_of_mean
from longsoak.core.uptake import Undetermined
from longsoak.vocabulary.errors import PhysicsError

pytestmark = pytest.mark.long


UNIT = "this specimen only: its bays are no replicates"


def noise(
    random: np.random.Generator, runs: int, count: int, *, memory: float, own: float = 0.0
) -> NDArray[np.float64]:
    """Rows of a noise that remembers, of standard deviation 1, and one of single readings."""
    new = random.standard_normal((runs, count))
    rows = np.empty((runs, count))
    rows[:, 0] = new[:, 0]
    for i in range(1, count):
        rows[:, i] = memory * rows[:, i - 1] + math.sqrt(1.0 - memory**2) * new[:, i]
    return rows + own * random.standard_normal((runs, count))


def compared(first: NDArray[np.float64], seed: int = 1, resamples: int = 400) -> Comparison:
    found = compare(
        first.tolist(), second=[0.0] * len(first), unit=UNIT, seed=seed, resamples=resamples
    )
    assert isinstance(found, Comparison), found.why
    return found


@pytest.mark.parametrize(
    ("memory", "own", "runs", "least"),
    [
        (0.0, 0.0, 300, 0.925),
        (0.5, 0.0, 300, 0.925),
        (0.8, 0.0, 300, 0.925),
        (0.9, 0.0, 300, 0.925),
        (0.9, 1.0, 300, 0.9),
    ],
)
def test_an_interval_holds_the_difference_at_its_stated_rate(
    memory: float, own: float, runs: int, least: float
) -> None:
    # The last has a slow noise under one of single readings, which hides its memory: 93 %.
    random, held, asked = np.random.default_rng(round(100 * memory)), 0, 0
    for row in noise(random, runs, 270, memory=memory, own=own):
        found = compare((row + 1.5).tolist(), second=[0.5] * 270, unit=UNIT, seed=1, resamples=200)
        if isinstance(found, Comparison):
            asked += 1
            held += found.difference.holds(1.0)
    assert asked > 0.95 * runs
    assert held / asked >= least


@pytest.mark.long
def test_bays_alike_are_told_apart_no_oftener_than_stated() -> None:
    random = np.random.default_rng(7)
    apart = [
        compared(row, resamples=200).told_apart for row in noise(random, 1000, 300, memory=0.7)
    ]
    assert sum(apart) / 1000 <= 0.05 + 0.014


def test_taking_readings_for_independent_would_tell_bays_alike_apart() -> None:
    # What the stretched blocks are for: Student's t on 300 readings with a memory.
    rows = noise(np.random.default_rng(7), 1000, 300, memory=0.7)
    naive = np.abs(rows.mean(axis=1)) > 1.968 * rows.std(axis=1, ddof=1) / math.sqrt(300)
    assert naive.mean() > 0.3


def test_the_effect_in_units_of_its_spread_is_held_too() -> None:
    random, held, asked = np.random.default_rng(9), 0, 0
    for row in noise(random, 300, 400, memory=0.5):
        found = compared(0.8 * (row + 1.0), resamples=200)
        if found.effect is not None:
            asked += 1
            held += found.effect.holds(1.0)
    assert asked > 250
    assert held / asked >= 0.925


def test_gaps_are_left_out_and_told() -> None:
    random = np.random.default_rng(4)
    row = noise(random, 1, 500, memory=0.6)[0] + 2.0
    first: list[float | None] = row.tolist()
    second: list[float | None] = [0.0] * 500
    first[100:160] = [None] * 60
    second[150:170] = [None] * 20
    found = compare(first, second=second, unit=UNIT, seed=3)
    assert isinstance(found, Comparison)
    assert (found.pairs, found.left_out) == (430, 70)
    there = np.r_[row[:100], row[170:]]
    assert found.difference.value == pytest.approx(float(there.mean()))
    assert found.difference.holds(2.0)
    assert found.basis.endswith(f"the interval is of {UNIT}")
    assert found.basis.startswith("430 pairs that tell as much as ")


def test_gaps_leave_the_interval_as_true_as_it_was() -> None:
    random, held = np.random.default_rng(12), 0
    for row in noise(random, 300, 400, memory=0.8):
        row[random.integers(0, 400, 60)] = math.nan
        row[120:170] = math.nan
        first = [None if math.isnan(v) else v for v in row.tolist()]
        found = compare(first, second=[0.0] * 400, unit=UNIT, seed=1, resamples=200)
        held += isinstance(found, Comparison) and found.difference.holds(0.0)
    assert held / 300 >= 0.925


def test_the_same_seed_gives_the_very_same_and_another_nearly_the_same() -> None:
    row = noise(np.random.default_rng(5), 1, 300, memory=0.5)[0]
    once, again, other = compared(row, seed=42), compared(row, seed=42), compared(row, seed=43)
    assert repr(once) == repr(again)
    assert once.difference != other.difference
    assert other.difference.low == pytest.approx(once.difference.low, rel=0.15)


def test_the_random_numbers_are_those_that_were_drawn_when_this_was_written() -> None:
    # Raw draws of PCG64 are kept by numpy from version to version; computed once, numpy 2.4.
    found = compared(np.arange(100.0) % 7.0, seed=20260101, resamples=200)
    assert found.difference.low == pytest.approx(2.4469033722166103, abs=1e-9)
    assert found.difference.high == pytest.approx(3.524967574609587, abs=1e-9)


def test_the_first_less_the_second_is_the_second_less_the_first_reversed() -> None:
    a, b = noise(np.random.default_rng(6), 2, 200, memory=0.3)
    forth = compare(a.tolist(), second=b.tolist(), unit=UNIT, seed=1)
    back = compare(b.tolist(), second=a.tolist(), unit=UNIT, seed=1)
    assert isinstance(forth, Comparison)
    assert isinstance(back, Comparison)
    assert back.difference.value == pytest.approx(-forth.difference.value)
    assert back.difference.high == pytest.approx(-forth.difference.low, rel=1e-9)
    assert replace(back, difference=forth.difference, effect=None) == replace(forth, effect=None)


def test_few_pairs_one_long_memory_or_no_scatter_are_undetermined() -> None:
    few = compare([1.0] * 95, second=[0.0] * 95, unit=UNIT, seed=1)
    assert isinstance(few, Undetermined)
    assert few.why.startswith("95 pairs of readings, and at least 96 are needed")
    still = compare([1.5] * 100, second=[0.5] * 100, unit=UNIT, seed=1)
    assert isinstance(still, Undetermined)
    assert "no two probes show" in still.why
    drift = compare([0.1 * i for i in range(200)], second=[0.0] * 200, unit=UNIT, seed=1)
    assert isinstance(drift, Undetermined)
    assert drift.why.endswith("Compare over a longer time")


def test_readings_that_do_not_hang_together_are_worth_their_number() -> None:
    row = noise(np.random.default_rng(8), 1, 40, memory=0.0)[0]
    found = worth_of_mean(row, confidence=0.95)
    assert found.stretch == 1
    assert found.independent <= 40
    assert found.effective <= 41
    # Student's t with 39 degrees is 2.02: the classical interval, or a little more.
    classical = 2.0227 * row.std(ddof=1) / math.sqrt(40)
    assert classical * 0.99 <= found.half_width <= 1.6 * classical


def test_a_series_without_scatter_has_blocks_of_one() -> None:
    assert block_length(np.full(50, 3.0)) == 1


def test_bad_arguments_are_told() -> None:
    row = [1.0, 2.0] * 60
    with pytest.raises(PhysicsError, match="unit is empty"):
        compare(row, second=row, unit=" ", seed=1)
    with pytest.raises(PhysicsError, match="second is 1"):
        compare(row, second=[1.0], unit=UNIT, seed=1)
    with pytest.raises(PhysicsError, match="first is nan"):
        compare([math.nan, *row[1:]], second=row, unit=UNIT, seed=1)
    with pytest.raises(PhysicsError, match="seed is -1"):
        compare(row, second=row, unit=UNIT, seed=-1)
    with pytest.raises(PhysicsError, match="resamples is 10"):
        compare(row, second=row, unit=UNIT, seed=1, resamples=10)
    with pytest.raises(PhysicsError, match="confidence is 95"):
        compare(row, second=row, unit=UNIT, seed=1, confidence=95.0)
