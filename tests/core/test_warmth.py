"""The wood's temperature from thermometers at other depths, and how far it can be believed."""

from math import hypot, inf, nan

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.warmth import AIR, CURVATURE, GRADIENT, SENSOR, by_depth
from longsoak.vocabulary.errors import PhysicsError


def test_at_its_own_depth_a_thermometer_is_as_good_as_itself() -> None:
    found = by_depth(90, [90], [18.4])
    assert found == (18.4, SENSOR, False)


def test_away_from_it_the_gradient_adds() -> None:
    found = by_depth(30, [90], [18.4])
    assert found.temperature == 18.4
    assert found.uncertainty == pytest.approx(hypot(SENSOR, GRADIENT * 60))


def test_between_two_the_temperature_is_straight_by_depth() -> None:
    found = by_depth(60, [0, 240], [14.0, 22.0])
    assert found.temperature == pytest.approx(16.0)
    bent = CURVATURE * 8.0 * 4 * 0.75 * 0.25  # full in the middle
    assert found.uncertainty == pytest.approx(hypot(SENSOR * hypot(0.75, 0.25), bent))


def test_at_one_of_two_thermometers_only_its_own_doubt_is_left() -> None:
    assert by_depth(0, [0, 100], [12.0, 20.0]) == (12.0, SENSOR, False)
    assert by_depth(100, [0, 100], [12.0, 20.0]) == (20.0, SENSOR, False)


def test_beyond_two_the_nearer_one_serves_with_what_both_say_of_the_gradient() -> None:
    found = by_depth(200, [30, 150], [14.0, 20.0])
    assert found.temperature == 20.0
    assert found.uncertainty == pytest.approx(hypot(SENSOR, GRADIENT * 50, 6.0 / 120 * 50))


def test_beyond_two_the_line_that_they_draw_stays_believable() -> None:
    found = by_depth(140, [0, 100], [12.0, 20.0])
    assert abs(23.2 - found.temperature) < found.uncertainty


@pytest.mark.parametrize("edge", [0.0, 100.0])
def test_doubt_does_not_jump_where_the_outer_thermometer_sits(edge: float) -> None:
    around = [by_depth(edge + 100 + d, [100, 200], [12.0, 20.0]) for d in (-0.01, 0.0, 0.01)]
    for found in around:
        assert found.uncertainty == pytest.approx(around[1].uncertainty, abs=2e-3)
        assert found.temperature == pytest.approx(around[1].temperature, abs=2e-3)


def test_doubt_grows_beyond_two_and_more_so_the_steeper_they_are() -> None:
    flat, steep = (
        [by_depth(d, [0, 100], [12.0, warm]).uncertainty for d in (100, 101, 120, 140)]
        for warm in (13.0, 20.0)
    )
    assert flat == sorted(flat)
    assert steep == sorted(steep)
    assert all(one > other for one, other in zip(steep[1:], flat[1:], strict=True))


def test_two_thermometers_in_one_place_say_nothing_of_the_gradient() -> None:
    found = by_depth(60, [90, 90.2], [18.0, 20.0])
    assert found.temperature == 19.0
    assert found.uncertainty == pytest.approx(hypot(SENSOR, GRADIENT * 30.1, 1.0))


def test_the_doubt_is_never_wider_than_wood_can_be_measured_in() -> None:
    assert by_depth(1e6, [0, 1], [0.0, 60.0]).uncertainty == 70.0  # K, from -20 to 50 degC


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((nan, [90], [18.4]), "depth is nan, expected 0 to 1e+06 mm"),
        ((-1.0, [90], [18.4]), "depth is -1.0, expected 0 to 1e+06 mm"),
        ((30, [inf], [18.4]), "depths is inf, expected 0 to 1e+06 mm"),
        ((30, [90, 1e308], [18.4, 20.0]), "depths is 1e+308, expected 0 to 1e+06 mm"),
        ((30, [90], [nan]), "temperatures is nan, expected -100 to 200 degC"),
        ((30, [90], [1e308]), "temperatures is 1e+308, expected -100 to 200 degC"),
        ((30, [90], [None]), "temperatures is None, expected -100 to 200 degC"),
        ((30, ["90"], [18.4]), "depths is '90', expected 0 to 1e+06 mm"),
        ((30, [], []), "temperatures is of length 0, expected one or two"),
        ((30, [1, 2, 3], [1, 2, 3]), "temperatures is of length 3, expected one or two"),
        ((30, [90], [18.4, 20.0]), "depths is of length 1, expected 2, as the temperatures have"),
    ],
)
def test_what_is_no_place_or_no_temperature_is_refused(
    arguments: tuple[float, list[float], list[float]], says: str
) -> None:
    with pytest.raises(PhysicsError) as refused:
        by_depth(*arguments)
    assert str(refused.value) == says


def test_a_thermometer_without_a_depth_counts_as_half_a_wall_away() -> None:
    assert by_depth(30, [None], [20.0]).uncertainty == pytest.approx(hypot(SENSOR, AIR))
    both = by_depth(30, [None, 200], [18.0, 20.0])
    assert both.temperature == 19.0
    assert both.uncertainty > AIR


@given(
    st.floats(0, 500), st.floats(0, 500), st.floats(0, 500), st.floats(-10, 40), st.floats(-10, 40)
)
def test_the_temperature_lies_between_the_two_and_never_better_known_than_they_allow(
    depth: float, near: float, far: float, one: float, other: float
) -> None:
    found = by_depth(depth, [near, far], [one, other])
    assert min(one, other) - 1e-9 <= found.temperature <= max(one, other) + 1e-9
    assert found.uncertainty >= SENSOR / 2**0.5 - 1e-12
    assert by_depth(depth, [far, near], [other, one]).temperature == pytest.approx(
        found.temperature, abs=1e-6
    )


def test_the_gradient_is_the_wet_bulb_depression_over_half_a_wall() -> None:
    # ASHRAE Handbook of Fundamentals (2017), as in psychrolib 2.5.0: air at 20 degC and 50 % RH.
    psychrolib.SetUnitSystem(psychrolib.SI)
    depression = 20.0 - psychrolib.GetTWetBulbFromRelHum(20.0, 0.5, 101325.0)
    assert pytest.approx(depression / 100 / 3**0.5, rel=0.02) == GRADIENT
