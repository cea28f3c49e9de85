"""What is said of a front's arrivals, and how rarely of those that are as they should be."""

from math import sqrt

import numpy as np
import pytest

from longsoak.core.front import front_pace
from longsoak.core.frontjudgement import Reach, front_doubts

ARRIVALS = [4500.0, 18000.0, 40500.0, 72000.0, 112500.0]


def said(depths: list[float], doubts: list[float | None], times: list[float | None]) -> list[str]:
    rows = zip(depths, doubts, times, strict=True)
    reaches = [Reach(f"{d:.0f} mm", d, u, t) for d, u, t in rows]
    front = front_pace(
        [each.depth for each in reaches if each.time is not None],
        arrivals=[time for time in times if time is not None],
    )
    return [remark.says for remark in front_doubts(reaches, front=front)]


@pytest.mark.parametrize("doubts", [[None] * 5, [0.5, 3.0, 1.0, 2.0, 0.7]])
def test_a_front_as_it_should_be_is_rarely_said_to_bend(doubts: list[float | None]) -> None:
    # At most 5 of 100 by chance; 1000 draws know 5 % to 1.4 %. Computed.
    rng, bent = np.random.default_rng(7), 0
    deviations = np.array([2.0 if doubt is None else doubt for doubt in doubts])
    exact = 0.2 * np.sqrt(ARRIVALS)
    for _ in range(1000):
        depths = (exact + deviations * rng.standard_normal(5)).tolist()
        bent += any("bend away" in says for says in said(depths, doubts, [*ARRIVALS]))
    assert bent / 1000 <= 0.05 + 0.014


def test_a_front_with_the_fourth_root_of_time_is_said_to_slow() -> None:
    depths = [12.0 * (time / 4500.0) ** 0.25 for time in ARRIVALS]
    (says,) = said(depths, [None] * 5, [*ARRIVALS])
    assert says.startswith("The points bend away: the late arrivals are later than the pace of")


def test_a_front_that_starts_late_is_said_to_have_taken_up_slowly_at_first() -> None:
    depths = [0.2 * sqrt(time) - 10.0 for time in ARRIVALS]
    (says,) = said(depths, [0.5] * 5, [*ARRIVALS])
    assert says.startswith("The points bend away: the first arrivals are later than the pace of")


def test_a_bend_that_the_depths_own_doubts_may_make_is_not_said() -> None:
    depths = [0.2 * sqrt(time) - 10.0 for time in ARRIVALS]
    assert said(depths, [20.0] * 5, [*ARRIVALS]) == []


def test_depths_out_of_order_are_told_only_where_their_doubts_leave_it_sure() -> None:
    times: list[float | None] = [9000.0, 36000.0, 33000.0]
    (says,) = said([19.0, 38.0, 40.0], [0.4] * 3, times)
    assert says.startswith("40 mm was reached before 38 mm, which lies nearer to the face. Such")
    assert said([19.0, 38.0, 40.0], [0.6] * 3, times) == []


def test_a_depth_passed_over_is_told_once_with_the_first_that_was_deeper() -> None:
    times: list[float | None] = [9000.0, None, 90000.0, 80000.0]
    says = said([19.0, 38.0, 60.0, 58.0], [0.5, 0.5, 4.0, 4.0], times)
    assert [each.partition(". Such")[0] for each in says] == [
        "58 mm was reached before 38 mm, which lies nearer to the face and has not been reached yet"
    ]
