"""Hours above a level: what is counted, what is not, and how often the ends hold the truth."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.findings.decision import Bound
from longsoak.core.findings.hours import HoursAbove, hours_above
from longsoak.vocabulary.errors import PhysicsError

HOUR = 3600.0


def counted(
    values: list[float],
    *,
    level: float = 20.0,
    off: float = 0.0,
    bounds: list[Bound] | None = None,
    times: list[float] | None = None,
    end: float | None = None,
) -> HoursAbove:
    """Hourly readings, unless told otherwise, in a window that they fill."""
    at = [HOUR * i for i in range(len(values))] if times is None else times
    return hours_above(
        level,
        times=at,
        values=values,
        uncertainties=[off] * len(values),
        longest=1.5 * HOUR,
        begin=at[0],
        end=at[-1] if end is None else end,
        bounds=bounds,
    )


@pytest.mark.parametrize(
    ("values", "hours"),
    [
        ([19.0, 19.0, 19.0], 0.0),
        ([21.0, 21.0, 21.0], 2.0),
        ([19.0, 21.0], 0.5),  # a straight course crosses in the middle
        ([19.0, 22.0, 19.0], 2 * 2 / 3),
        ([20.0, 20.0], 0.0),  # at the level is not above it
        ([20.0, 21.0], 1.0),
    ],
)
def test_a_straight_course_between_readings_is_counted(values: list[float], hours: float) -> None:
    found = counted(values)
    assert found.hours.value == pytest.approx(hours)
    assert found.hours.low == found.hours.high == found.hours.value  # nothing is uncertain
    assert (found.coverage, found.gaps) == (1.0, ())


def test_a_gap_is_not_bridged_though_both_its_ends_stand_above() -> None:
    times = [0.0, HOUR, 11 * HOUR, 12 * HOUR]
    found = counted([25.0] * 4, times=times, end=14 * HOUR)
    assert found.hours.value == 2.0
    assert (found.covered, found.window) == (2.0, 14.0)
    assert found.gaps == ((HOUR, 11 * HOUR), (12 * HOUR, 14 * HOUR))
    assert found.coverage == pytest.approx(1 / 7)
    assert found.at_most == 14.0


def test_a_window_without_readings_is_all_gap() -> None:
    found = hours_above(
        20.0, times=[], values=[], uncertainties=[], longest=60.0, begin=0.0, end=HOUR
    )
    assert (found.hours.value, found.covered, found.gaps) == (0.0, 0.0, ((0.0, HOUR),))
    late = hours_above(
        20.0, times=[9 * HOUR], values=[1.0], uncertainties=[0.0], longest=60.0, begin=0.0, end=HOUR
    )
    assert late.gaps == ((0.0, HOUR),)


def test_readings_near_the_level_leave_the_hours_in_doubt_and_others_do_not() -> None:
    near = counted([20.5] * 11, off=0.5)
    assert (near.hours.low, near.hours.value, near.hours.high) == (0.0, 10.0, 10.0)
    far = counted([22.0] * 11, off=0.5)
    assert (far.hours.low, far.hours.value, far.hours.high) == (10.0, 10.0, 10.0)


def test_the_end_of_a_range_leaves_open_what_lies_beyond_it() -> None:
    at_least = counted([25.0] * 3, level=28.0, bounds=[Bound.AT_LEAST] * 3)
    assert (at_least.hours.low, at_least.hours.value, at_least.hours.high) == (0.0, 0.0, 2.0)
    above = counted([25.0] * 3, level=20.0, bounds=[Bound.AT_LEAST] * 3)
    assert above.hours.low == 2.0
    at_most = counted([7.0] * 3, level=5.0, bounds=[Bound.AT_MOST] * 3)
    assert (at_most.hours.low, at_most.hours.value, at_most.hours.high) == (0.0, 2.0, 2.0)
    one = counted([25.0, 27.0], level=28.0, bounds=[Bound.AT_LEAST, Bound.NONE])
    assert one.hours.high == 0.5  # each reading stands for its half


@given(
    st.lists(st.floats(0.0, 40.0), min_size=2, max_size=30), st.floats(0.0, 40.0), st.floats(0, 5)
)
def test_hours_lie_between_their_ends_and_within_what_is_covered(
    values: list[float], level: float, off: float
) -> None:
    found = counted(values, level=level, off=off)
    assert 0.0 <= found.hours.low <= found.hours.value + 1e-9
    assert found.hours.value <= found.hours.high + 1e-9
    assert found.hours.high <= found.covered + 1e-9


@pytest.mark.parametrize(("shared", "own"), [(1.0, 0.0), (0.0, 1.0), (0.7, 0.7)])
def test_the_ends_hold_the_true_hours_at_least_as_often_as_stated(
    shared: float, own: float
) -> None:
    # 95 % where the error is shared, more where readings have their own; 1000 runs know 95 % to
    # 1.4 %. The truth is counted from a course 400 times as fine.
    random, held = np.random.default_rng(round(10 * own)), 0
    fine = np.linspace(0.0, 400.0 * HOUR, 40_001)
    truth = 20.0 + 3.0 * np.sin(fine / (70.0 * HOUR)) + np.sin(fine / (25.0 * HOUR))
    hours = float((truth > 20.0).mean()) * 400.0
    at = fine[::400]
    for _ in range(1000):
        errors = shared * random.standard_normal() + own * random.standard_normal(len(at))
        found = hours_above(
            20.0,
            times=at.tolist(),
            values=(truth[::400] + errors).tolist(),
            uncertainties=[math.hypot(shared, own)] * len(at),
            longest=5 * HOUR,
            begin=0.0,
            end=400.0 * HOUR,
        )
        held += found.hours.low - 0.5 <= hours <= found.hours.high + 0.5
    assert held / 1000 >= 0.95 - 0.014


def test_bad_arguments_are_told() -> None:
    with pytest.raises(PhysicsError, match="end is 0"):
        counted([1.0, 2.0], end=0.0)
    with pytest.raises(PhysicsError, match="times is 0"):
        counted([1.0, 2.0], times=[0.0, 0.0], end=5.0)
    with pytest.raises(PhysicsError, match="values is nan"):
        counted([1.0, math.nan])
    with pytest.raises(PhysicsError, match="uncertainties is -1"):
        counted([1.0, 2.0], off=-1.0)
    with pytest.raises(PhysicsError, match="bounds is 1"):
        counted([1.0, 2.0], bounds=[Bound.NONE])
    with pytest.raises(PhysicsError, match="level is inf"):
        counted([1.0, 2.0], level=math.inf)
