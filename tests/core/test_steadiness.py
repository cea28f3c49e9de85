"""Whether probes have come to rest: trends, noise, gaps, ends of curves, and masses."""

import math
from itertools import pairwise

import numpy as np
import pytest

from longsoak.core.steadiness import (
    DAYS,
    MASS_SHARE,
    DayMean,
    Rest,
    mass_steadiness,
    steadiness,
)


def days(*means: float | None) -> list[DayMean]:
    return [DayMean(mean) for mean in means]


def judged(*means: float | None) -> Rest:
    return steadiness(days(*means), most=0.5, unit="% MC").rest


def test_a_straight_rise_is_told_by_what_it_comes_to_in_the_days() -> None:
    found = steadiness(days(*(12 + 0.2 * day for day in range(DAYS))), most=0.5, unit="% MC")
    assert found.rest is Rest.CHANGES
    assert found.change == pytest.approx(0.2 * DAYS)
    assert found.says == "+1.40 % MC in 7 days"


@pytest.mark.parametrize("slope", [-0.07, 0.0, 0.07])
def test_what_comes_to_no_more_than_is_allowed_is_steady(slope: float) -> None:
    assert judged(*(12 + slope * day for day in range(DAYS))) is Rest.STEADY


def test_a_trend_that_the_noise_of_the_days_hides_is_none() -> None:
    # It rises by 0.7 by its slope, and goes up and down by as much.
    assert judged(12.0, 12.6, 11.9, 12.7, 12.1, 12.9, 12.3) is Rest.STEADY


def test_noise_that_would_hide_any_trend_is_no_rest() -> None:
    found = steadiness(days(12, 18, 9, 17, 10, 19, 11), most=0.5, unit="% MC")
    assert found.rest is Rest.UNKNOWN
    assert "from day to day" in found.says


def test_one_odd_day_is_no_trend() -> None:
    assert judged(12.0, 12.0, 12.0, 19.0, 12.0, 12.0, 12.0) is Rest.STEADY


def test_with_days_without_readings_it_is_not_known() -> None:
    assert judged(12.0, None, 12.0, 12.0, 12.0, 12.0, 12.0) is Rest.STEADY
    assert judged(12.0, None, 12.0, None, 12.0, 12.0, 12.0) is Rest.UNKNOWN
    assert judged(*[None] * DAYS) is Rest.UNKNOWN


def test_drier_than_the_curve_on_every_day_is_at_rest_and_wetter_is_not_known() -> None:
    dry = [DayMean(None, drier=True)] * DAYS
    assert steadiness(dry, most=0.5, unit="% MC").rest is Rest.STEADY
    assert steadiness([*dry[:4], *days(7, 8, 9)], most=0.5, unit="% MC").rest is Rest.UNKNOWN


def test_of_steady_days_with_noise_few_are_called_changing() -> None:
    # Computed: the interval of the slope is at 95 %, and a slope below what is allowed passes too.
    draw = np.random.default_rng(10)
    runs = 500
    wrong = sum(
        judged(*(12 + draw.normal(0, 0.3) for _ in range(DAYS))) is Rest.CHANGES
        for _ in range(runs)
    )
    assert wrong / runs < 0.05


def test_of_days_that_rise_clearly_most_are_called_changing() -> None:
    draw = np.random.default_rng(11)
    runs = 500
    found = sum(
        judged(*(12 + 0.2 * day + draw.normal(0, 0.1) for day in range(DAYS))) is Rest.CHANGES
        for _ in range(runs)
    )
    assert found / runs > 0.95


# ISO 12570, constant mass: less than 0.1 % between weighings 24 h apart. From memory.
@pytest.mark.parametrize(
    ("masses", "rest"),
    [
        ((200.0, 200.15, 200.3), Rest.STEADY),
        ((200.0, 200.25, 200.3), Rest.CHANGES),
        ((200.0, 199.7, 199.69), Rest.CHANGES),
        ((200.0, None, 200.0), Rest.UNKNOWN),
        ((200.0, 200.0), Rest.UNKNOWN),
    ],
)
def test_a_mass_is_constant_by_its_share_of_a_day(
    masses: tuple[float | None, ...], rest: Rest
) -> None:
    assert mass_steadiness(days(*masses)).rest is rest
    known = [mass for mass in masses if mass is not None]
    if rest is Rest.STEADY:
        assert all(math.fabs(b - a) / a < MASS_SHARE for a, b in pairwise(known))
