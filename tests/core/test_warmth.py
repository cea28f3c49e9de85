"""The wood's temperature from thermometers at other depths, and how far it can be believed."""

from math import hypot

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.warmth import AIR, CURVATURE, GRADIENT, SENSOR, by_depth


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
    assert found.uncertainty == pytest.approx(hypot(SENSOR * hypot(0.75, 0.25), CURVATURE * 8.0))


def test_beyond_two_the_nearer_one_serves_with_the_gradient() -> None:
    found = by_depth(200, [30, 150], [14.0, 20.0])
    assert found.temperature == 20.0
    assert found.uncertainty == pytest.approx(hypot(SENSOR, GRADIENT * 50))


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
