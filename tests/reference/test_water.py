"""The water against worked figures and general-purpose libraries."""

from random import Random

import numpy as np
import pytest
from scipy import integrate, interpolate, stats

from longsoak.core.water.decline import DAY, Point, rate_of_decline
from longsoak.core.water.forecast import Draw, days_until
from longsoak.core.water.split import DENSITY
from longsoak.core.water.vessel import depth, drawn, volume
from longsoak.vocabulary.rig import Block

# Computed (integral of the free plan area, by numpy): a tray of 600 x 400 mm with four pedestals
# of 50 x 50 x 30 mm.
CHECK_TRAY = drawn(600.0, 400.0, [Block(4 * 50.0 * 50.0, 0.0, 30.0)], rim=60.0)
LITRES_AT = [(45.0, 10.5), (40.0, 9.3), (30.0, 6.9), (20.0, 4.6), (10.0, 2.3)]


@pytest.mark.parametrize(("level", "litres"), LITRES_AT)
def test_the_check_tray_holds_what_was_computed(level: float, litres: float) -> None:
    assert volume(level, CHECK_TRAY) == pytest.approx(litres, abs=1e-9)


def test_the_same_drop_is_less_water_between_the_pedestals() -> None:
    at = {level: volume(level, CHECK_TRAY) or 0.0 for level in (45.0, 40.0, 25.0, 20.0)}
    assert at[45.0] - at[40.0] == pytest.approx(1.20)
    assert at[25.0] - at[20.0] == pytest.approx(1.15)


# Computed: to 10 mm from 45 mm, by a constant volume a day and by a constant fall of the level.
# The two differ by design.
def test_days_of_a_constant_draw_and_of_a_constant_fall() -> None:
    assert days_until(45.0, 10.0, CHECK_TRAY, Draw(0.0, 0.36)) == pytest.approx(22.778, abs=5e-4)
    assert days_until(45.0, 10.0, CHECK_TRAY, Draw(1.5, 0.0)) == pytest.approx(23.333, abs=5e-4)


def test_depth_is_what_a_general_interpolation_of_the_table_gives() -> None:
    """Against scipy.interpolate, a spline of the first degree."""
    rows = np.array(CHECK_TRAY)
    inverse = interpolate.make_interp_spline(rows[:, 1], rows[:, 0], k=1)
    for litres in np.linspace(0.0, 14.0, 50):
        assert depth(float(litres), CHECK_TRAY) == pytest.approx(float(inverse(litres)), abs=1e-9)


def test_days_are_what_a_solver_of_differential_equations_gives() -> None:
    """Against scipy.integrate.solve_ivp, by its event at 10 mm; its tolerance is 1e-9."""

    def fall(_: float, level: list[float]) -> list[float]:
        surface = 0.24 if level[0] > 30.0 else 0.23
        return [-(0.8 + 0.2 / surface)]

    def at_ten(_: float, level: list[float]) -> float:
        return level[0] - 10.0

    at_ten.terminal = True  # type: ignore[attr-defined]  # as the solver asks for it
    solved = integrate.solve_ivp(fall, (0, 100), [45.0], events=at_ten, rtol=1e-9, max_step=0.01)
    found = days_until(45.0, 10.0, CHECK_TRAY, Draw(0.8, 0.2))
    assert found == pytest.approx(float(solved.t_events[0][0]), rel=1e-4)


def test_a_rate_is_as_theil_and_sen_s_on_a_straight_course() -> None:
    """Against scipy.stats.theilslopes: alike where only noise is on a line, within its interval."""
    random = Random(1)  # noqa: S311 - a simulation
    hours = np.arange(24 * 7)
    values = 40.0 - 0.4 * hours / 24 + np.array([random.gauss(0, 0.1) for _ in hours])
    points = [Point(3600.0 * h, float(v), 0) for h, v in zip(hours, values, strict=True)]
    ours = rate_of_decline(points)
    theirs = stats.theilslopes(values, hours / 24.0)
    assert ours is not None
    assert ours.low < -theirs.slope < ours.high
    assert ours.per_day == pytest.approx(-theirs.slope, abs=3 * (theirs[3] - theirs[2]))
    assert points[-1].at / DAY == pytest.approx(167 / 24)


# kg/m3 at degC, computed with CoolProp (physics.md).
@pytest.mark.parametrize(("celsius", "density"), [(5, 999.967), (20, 998.207), (30, 995.649)])
def test_the_density_of_water_is_within_what_is_said_of_it(celsius: int, density: float) -> None:
    assert abs(DENSITY * 1000 - density) <= 0.003 * density, celsius
