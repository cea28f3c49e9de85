"""Drawn shapes to depth tables, and back from litres to depth."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.water.vessel import (
    clearance,
    depth,
    drawn,
    free_surface,
    held,
    to_stop,
    volume,
)
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.rig import Block

TRAY = drawn(600.0, 400.0, [Block(4 * 50.0 * 50.0, 0.0, 30.0)], rim=60.0)


def test_a_drawn_shape_has_a_row_where_its_free_area_changes() -> None:
    assert [level for level, _ in TRAY] == [0.0, 30.0, 60.0]
    assert [litres for _, litres in TRAY] == pytest.approx([0.0, 6.9, 14.1])


def test_blocks_that_hang_in_the_water_take_room_only_where_they_are() -> None:
    table = drawn(100.0, 100.0, [Block(5000.0, 20.0, 40.0)], rim=60.0)
    assert volume(20.0, table) == pytest.approx(0.2)
    assert volume(40.0, table) == pytest.approx(0.3)
    assert volume(60.0, table) == pytest.approx(0.5)


def test_blocks_that_leave_no_water_are_refused() -> None:
    with pytest.raises(PhysicsError, match="less than 10000 mm2 between 5 and 10"):
        drawn(100.0, 100.0, [Block(10_000.0, 5.0, 10.0)], rim=60.0)
    with pytest.raises(PhysicsError, match="rim is 0"):
        drawn(100.0, 100.0, [], rim=0.0)


@given(st.floats(0.0, 60.0))
def test_litres_and_depth_are_each_other_s_inverse(level: float) -> None:
    litres = volume(level, TRAY)
    assert litres is not None
    assert depth(litres, TRAY) == pytest.approx(level, abs=1e-9)


@given(st.floats(0.0, 59.9))
def test_the_free_surface_is_what_a_small_rise_takes(level: float) -> None:
    above = min(level + 1e-4, 60.0)
    if level < 30.0 < above:
        return
    low, high = volume(level, TRAY), volume(above, TRAY)
    assert low is not None
    assert high is not None
    assert free_surface(level, TRAY) == pytest.approx((high - low) / (above - level), rel=1e-5)


def test_outside_the_table_nothing_is_guessed_but_rates_go_on() -> None:
    assert depth(14.2, TRAY) is None
    assert free_surface(60.1, TRAY) is None
    assert held(-1.0, TRAY) == pytest.approx((-0.23, 0.23))
    assert held(61.0, TRAY) == pytest.approx((14.34, 0.24))


def test_clearance_and_litres_to_the_stop() -> None:
    assert clearance(45.0, 110.0) == 65.0
    assert to_stop(40.0, 45.0, TRAY) == pytest.approx(1.2)
    assert to_stop(50.0, 45.0, TRAY) == 0.0
    assert to_stop(50.0, 70.0, TRAY) is None
