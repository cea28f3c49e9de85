"""Moist air against handbook values, psychrolib and CoolProp. Compared with, never tuned to."""

import math
import pickle
from importlib import import_module
from types import ModuleType

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.humidity import (
    COLDEST,
    TRIPLE_POINT,
    WARMEST,
    ZERO,
    Phase,
    absolute_humidity,
    condensation_margin,
    dew_point,
    dew_point_uncertainty,
    frost_point,
    humidity_ratio,
    saturation_over_ice,
    saturation_over_water,
    vapour_pressure,
    vapour_pressure_deficit,
)
from longsoak.vocabulary.errors import PhysicsError

psychrolib.SetUnitSystem(psychrolib.SI)
# It takes seconds to load: only where it is used, and only by one of those who run tests.
COOLPROP = pytest.mark.xdist_group("CoolProp")

# Murphy and Koop 2005, table C1, the values the authors give to check a program with: from
# memory, not read. The tolerance is their rounding to five digits.
MURPHY_KOOP_2005_TABLE_C1_WATER = [  # K, Pa
    (180.0, 0.011239), (210.0, 1.2335), (240.0, 37.667), (273.15, 611.213), (273.16, 611.657),
    (300.0, 3536.8),
]  # fmt: skip
MURPHY_KOOP_2005_TABLE_C1_ICE = [
    (180.0, 0.0053975), (210.0, 0.70202), (240.0, 27.272), (273.15, 611.154), (273.16, 611.657),
]  # fmt: skip

# ASHRAE Handbook - Fundamentals 2017, chapter 1, table 3, as quoted in the tests of psychrolib
# 2.5.0: second hand. That package allows its own formula 3e-4 against them; ours differs from its
# by up to 3e-4 more.
ASHRAE_2017_TABLE_3_WATER = [(5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3)]  # degC, Pa
ASHRAE_2017_TABLE_3_ICE = [(-20.0, 103.24), (-5.0, 401.74)]
# The same, table 2, humidity ratio at saturation: second hand. The table has real gases, the
# function ideal ones, which are 0.4 to 0.6 % below.
ASHRAE_2017_TABLE_2 = [(25.0, 0.020173), (5.0, 0.005425), (50.0, 0.086863)]  # degC, kg/kg
ASHRAE_2017_TABLE_2_ICE = [(-20.0, 0.0006373)]

# Computed with psychrolib 2.5.0 and CoolProp 8.0.0 at 101325 Pa, and with the Magnus formula.
# Below 0 degC the two packages give the frost point and the Magnus formula the dew point; the two
# packages count relative humidity over ice at an air temperature below 0.01 degC.
COMPUTED = [  # degC, % RH, Pa at saturation, psychrolib, CoolProp, Magnus degC, g/m3, kg/kg
    (20, 50, 2338.80, 9.272, 9.274, 9.255, 8.6433, 0.0072617),
    (25, 50, 3169.22, 13.864, 13.867, 13.852, 11.5158, 0.0098810),
    (20, 80, 2338.80, 16.447, 16.448, 16.442, 13.8293, 0.0117007),
    (20, 95, 2338.80, 19.175, 19.175, 19.174, 16.4223, 0.0139438),
    (5, 85, 872.49, 2.691, 2.692, 2.686, 5.7770, 0.0045857),
    (30, 40, 4246.03, 14.936, 14.941, 14.925, 12.1393, 0.0106028),
    (50, 90, 12349.86, 47.893, 47.895, 47.902, 74.5259, 0.0766304),
    (25, 10, 3169.22, -7.747, -7.744, -8.774, 2.3032, 0.0019514),
    (-10, 70, 259.90, -13.957, -13.957, -14.439, 1.4980, 0.0011187),
]

# Dew-point application note of a maker of humidity sensors, printed checks of the Magnus formula:
# read. % RH, degC, degC.
MAGNUS_PRINTED = [(10.0, 25.0, -8.77), (90.0, 50.0, 47.90)]

temperatures = st.floats(COLDEST, WARMEST)
GRID = [(float(t), float(rh)) for t in range(-44, 60, 4) for rh in (5, 20, 50, 80, 100)]


def magnus_dew_point(temperature: float, relative_humidity: float) -> float:
    # WMO form over water, -45 to 60 degC, coefficients from the same application note: read.
    h = math.log(relative_humidity / 100.0) + 17.62 * temperature / (243.12 + temperature)
    return 243.12 * h / (17.62 - h)


def phase_of_the_packages(temperature: float) -> Phase:
    return Phase.ICE if temperature <= TRIPLE_POINT else Phase.WATER


def lowest_point(vapour: float) -> float:
    """Frost point where there is one, else dew point: what both packages return."""
    try:
        return frost_point(vapour)
    except PhysicsError:
        return dew_point(vapour)


@pytest.mark.parametrize(("kelvin", "expected"), MURPHY_KOOP_2005_TABLE_C1_WATER)
def test_pressure_over_water_is_what_its_authors_print(kelvin: float, expected: float) -> None:
    assert saturation_over_water(kelvin - ZERO) == pytest.approx(expected, rel=5e-5)


@pytest.mark.parametrize(("kelvin", "expected"), MURPHY_KOOP_2005_TABLE_C1_ICE)
def test_pressure_over_ice_is_what_its_authors_print(kelvin: float, expected: float) -> None:
    assert saturation_over_ice(min(kelvin - ZERO, TRIPLE_POINT)) == pytest.approx(
        expected, rel=2e-5
    )


@pytest.mark.parametrize(("temperature", "expected"), ASHRAE_2017_TABLE_3_WATER)
def test_pressure_over_water_matches_the_handbook(temperature: float, expected: float) -> None:
    assert saturation_over_water(temperature) == pytest.approx(expected, rel=6e-4)


@pytest.mark.parametrize(("temperature", "expected"), ASHRAE_2017_TABLE_3_ICE)
def test_pressure_over_ice_matches_the_handbook(temperature: float, expected: float) -> None:
    assert saturation_over_ice(temperature) == pytest.approx(expected, rel=6e-4)


def test_the_handbooks_value_at_boiling_is_out_of_range_and_refused() -> None:
    # 101418.0 Pa at 100 degC in the handbook; the formula was made for up to 59 degC and would be
    # 0.6 % off there.
    with pytest.raises(PhysicsError, match=r"temperature is 100\.0, expected -100 to 60 degC"):
        saturation_over_water(100.0)


@pytest.mark.parametrize(
    ("temperature", "phase", "expected"),
    [(t, Phase.WATER, w) for t, w in ASHRAE_2017_TABLE_2]
    + [(t, Phase.ICE, w) for t, w in ASHRAE_2017_TABLE_2_ICE],
)
def test_saturated_humidity_ratio_matches_the_handbook(
    temperature: float, phase: Phase, expected: float
) -> None:
    found = humidity_ratio(vapour_pressure(temperature, relative_humidity=100.0, phase=phase))
    assert found == pytest.approx(expected, rel=0.01)
    assert found < expected


def test_humidity_ratio_at_another_pressure_is_the_published_one() -> None:
    # psychrolib's tests: 3169.7 Pa of vapour at 95461 Pa, the standard pressure at 500 m.
    assert humidity_ratio(3169.7, pressure=95461.0) == pytest.approx(0.0213603998047487, rel=1e-6)


def test_the_handbooks_first_example_holds_within_its_rounding() -> None:
    # ASHRAE 2017, chapter 1, example 1: 40 degC, wet bulb 20 degC gives 14 % RH, 0.0065 kg/kg, dew
    # point 7 degC: second hand. 14 % rounds half a per cent away, which is 3.6 % of value.
    vapour = vapour_pressure(40.0, relative_humidity=14.0)
    assert humidity_ratio(vapour) == pytest.approx(0.0065, rel=0.036)
    assert dew_point(vapour) == pytest.approx(7.0, abs=0.5)


@pytest.mark.parametrize("row", COMPUTED)
def test_the_computed_table_comes_back(row: tuple[float, ...]) -> None:
    temperature, rh, saturation, psychro, cool, magnus, absolute, ratio = row
    phase = phase_of_the_packages(temperature)
    vapour = vapour_pressure(temperature, relative_humidity=rh, phase=phase)
    full = vapour_pressure(temperature, relative_humidity=100.0, phase=phase)
    assert full == pytest.approx(saturation, rel=3e-4)
    assert lowest_point(vapour) == pytest.approx(psychro, abs=0.005)
    assert lowest_point(vapour) == pytest.approx(cool, abs=0.007)
    assert absolute_humidity(temperature, vapour_pressure=vapour) == pytest.approx(
        absolute, rel=3e-4
    )
    assert humidity_ratio(vapour) == pytest.approx(ratio, rel=4e-4)
    assert magnus_dew_point(temperature, rh) == pytest.approx(magnus, abs=0.0006)


def coolprop() -> ModuleType:
    """CoolProp's humid air, loaded by the first test that asks it."""
    return import_module("CoolProp.CoolProp")


@COOLPROP
@pytest.mark.parametrize(("temperature", "rh"), GRID)
def test_pressure_agrees_with_psychrolib_and_coolprop_on_a_grid(
    temperature: float, rh: float
) -> None:
    found = vapour_pressure(
        temperature, relative_humidity=rh, phase=phase_of_the_packages(temperature)
    )
    other = psychrolib.GetVapPresFromRelHum(temperature, rh / 100.0)
    # CoolProp's humid air adds 0.4 to 0.5 % for real gases; this is its pure phase.
    pure = coolprop().HAProps_Aux("p_ws", temperature + ZERO, 101325.0, 0.0)[0]
    assert found == pytest.approx(other, rel=5e-4)
    assert found == pytest.approx(pure * rh / 100.0, rel=5e-4)


@COOLPROP
@pytest.mark.parametrize(("temperature", "rh"), GRID)
def test_dew_or_frost_point_agrees_with_psychrolib_and_coolprop_on_a_grid(
    temperature: float, rh: float
) -> None:
    vapour = vapour_pressure(
        temperature, relative_humidity=rh, phase=phase_of_the_packages(temperature)
    )
    psychro = psychrolib.GetTDewPointFromRelHum(temperature, rh / 100.0)
    cool = coolprop().HAPropsSI("Tdp", "T", temperature + ZERO, "RH", rh / 100.0, "P", 101325.0)
    assert lowest_point(vapour) == pytest.approx(psychro, abs=0.02)  # goal 0.1 K
    assert lowest_point(vapour) == pytest.approx(cool - ZERO, abs=0.02)


@pytest.mark.parametrize(("temperature", "rh"), GRID)
def test_humidity_ratio_and_deficit_agree_with_psychrolib_on_a_grid(
    temperature: float, rh: float
) -> None:
    phase = phase_of_the_packages(temperature)
    vapour = vapour_pressure(temperature, relative_humidity=rh, phase=phase)
    ratio = psychrolib.GetHumRatioFromRelHum(temperature, rh / 100.0, 101325.0)
    # psychrolib never goes below 1e-7 kg/kg. In hot damp air dry air is the small rest.
    if ratio > 1e-7:
        assert humidity_ratio(vapour) == pytest.approx(ratio, rel=7e-4)
    if phase is Phase.WATER and rh < 100.0:
        deficit = psychrolib.GetVaporPressureDeficit(temperature, ratio, 101325.0)
        assert vapour_pressure_deficit(temperature, vapour_pressure=vapour) == pytest.approx(
            deficit, rel=7e-4
        )


@COOLPROP
@pytest.mark.parametrize(("temperature", "rh"), [(5, 85), (20, 50), (25, 10), (50, 90)])
def test_coolprops_real_gases_hold_this_much_more(temperature: float, rh: float) -> None:
    real = coolprop().HAPropsSI("W", "T", temperature + ZERO, "RH", rh / 100.0, "P", 101325.0)
    ideal = humidity_ratio(vapour_pressure(temperature, relative_humidity=rh))
    assert 1.004 < real / ideal < 1.007


@pytest.mark.parametrize(("rh", "temperature", "expected"), MAGNUS_PRINTED)
def test_the_magnus_formula_here_is_the_printed_one(
    rh: float, temperature: float, expected: float
) -> None:
    assert magnus_dew_point(temperature, rh) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(
    ("coldest", "warmest", "apart"),
    [(0.0, 50.0, 0.054), (-20.0, 0.0, 0.043), (-44.0, -20.0, 0.064)],
)
def test_the_magnus_formula_differs_from_the_dew_point_by_this_much(
    coldest: float, warmest: float, apart: float
) -> None:
    # Both over supercooled water below 0 degC. The largest difference, K; held from both sides, so
    # that the record can't go stale.
    worst = 0.0
    for point in np.linspace(coldest, warmest, 101):
        vapour = saturation_over_water(float(point))
        ratio = math.log(vapour / 611.2)
        worst = max(worst, abs(243.12 * ratio / (17.62 - ratio) - dew_point(vapour)))
    assert worst == pytest.approx(apart, rel=0.1)


def test_below_freezing_the_frost_point_lies_above_the_dew_point() -> None:
    # The same air, 25 degC and 10 %: the packages say -7.7, a formula over water says -8.7.
    vapour = vapour_pressure(25.0, relative_humidity=10.0)
    assert frost_point(vapour) == pytest.approx(-7.747, abs=0.005)
    assert dew_point(vapour) == pytest.approx(-8.74, abs=0.03)
    assert 0.9 < frost_point(vapour) - dew_point(vapour) < 1.1


def test_at_the_triple_point_dew_and_frost_meet() -> None:
    assert saturation_over_water(TRIPLE_POINT) == pytest.approx(
        saturation_over_ice(TRIPLE_POINT), rel=1e-7
    )


@given(temperatures)
def test_dew_point_undoes_saturation(temperature: float) -> None:
    assert dew_point(saturation_over_water(temperature)) == pytest.approx(temperature, abs=1e-9)


@given(st.floats(COLDEST, TRIPLE_POINT))
def test_frost_point_undoes_saturation(temperature: float) -> None:
    assert frost_point(saturation_over_ice(temperature)) == pytest.approx(temperature, abs=1e-9)


@given(st.floats(0.0031, 19953.0))
def test_saturation_undoes_dew_point(vapour: float) -> None:
    assert saturation_over_water(dew_point(vapour)) == pytest.approx(vapour, rel=1e-11)


@given(temperatures, temperatures)
def test_pressure_rises_with_temperature(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert saturation_over_water(low) <= saturation_over_water(high)
    if high - low > 1e-9:
        assert saturation_over_water(low) < saturation_over_water(high)


@given(temperatures, st.floats(0.0, 100.0))
def test_what_is_there_and_what_lacks_make_saturation(temperature: float, rh: float) -> None:
    vapour = vapour_pressure(temperature, relative_humidity=rh)
    lacks = vapour_pressure_deficit(temperature, vapour_pressure=vapour)
    assert lacks + vapour == pytest.approx(saturation_over_water(temperature), rel=1e-12)
    assert absolute_humidity(temperature, vapour_pressure=vapour) >= 0.0
    assert math.isfinite(humidity_ratio(vapour))


def test_an_array_gives_what_its_floats_give_in_the_same_shape() -> None:
    t = np.linspace(COLDEST, WARMEST, 24).reshape(2, 3, 4)
    rh = np.linspace(5.0, 100.0, 24).reshape(2, 3, 4)
    vapour = vapour_pressure(np.maximum(t, -40.0), relative_humidity=rh)
    for array, scalars in [
        (saturation_over_water(t), [saturation_over_water(float(x)) for x in t.flat]),
        (
            saturation_over_ice(np.minimum(t, 0.0)),
            [saturation_over_ice(min(float(x), 0.0)) for x in t.flat],
        ),
        (dew_point(vapour), [dew_point(float(x)) for x in vapour.flat]),
        (
            absolute_humidity(t, vapour_pressure=vapour),
            [
                absolute_humidity(float(x), vapour_pressure=float(e))
                for x, e in zip(t.flat, vapour.flat, strict=True)
            ],
        ),
    ]:
        assert array.shape == (2, 3, 4)
        np.testing.assert_allclose(array.ravel(), scalars, rtol=1e-12)


@pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf, -100.1, 60.1])
def test_a_temperature_that_cannot_be_is_refused_by_name(wrong: float) -> None:
    with pytest.raises(
        PhysicsError, match=r"temperature is .*, expected -100 to 60 degC"
    ) as caught:
        vapour_pressure(wrong, relative_humidity=50.0)
    assert caught.value.argument == "temperature"
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


@pytest.mark.parametrize("wrong", [math.nan, -0.1, 100.1])
def test_a_humidity_that_cannot_be_is_refused_in_an_array_too(wrong: float) -> None:
    with pytest.raises(PhysicsError, match=r"relative_humidity is .*, expected 0 to 100 %"):
        vapour_pressure(np.array([20.0, 21.0]), relative_humidity=np.array([50.0, wrong]))


def test_dry_air_has_no_dew_point_and_warm_vapour_no_frost_point() -> None:
    with pytest.raises(PhysicsError, match=r"vapour_pressure is 0\.0, expected 0\.00"):
        dew_point(0.0)
    with pytest.raises(PhysicsError, match=r"expected .* to 611\.657 Pa over ice"):
        frost_point(700.0)


@pytest.mark.parametrize(
    ("surface", "temperature", "rh", "deposit"),
    [
        (12.0, 20.0, 55.0, Phase.WATER),
        (3.0, 20.0, 15.0, Phase.ICE),
        (-12.0, -10.0, 70.0, Phase.ICE),
    ],
)
def test_the_margin_and_its_uncertainty_are_those_of_a_simulation(
    surface: float, temperature: float, rh: float, deposit: Phase
) -> None:
    # JCGM 101: 200,000 draws know a standard deviation to 0.16 %; what else is left of the 1 % is
    # what first order leaves out.
    rng = np.random.default_rng(4)
    n = 200_000
    vapour = vapour_pressure(
        temperature + 0.3 * rng.standard_normal(n),
        relative_humidity=rh + 1.5 * rng.standard_normal(n),
    )
    point = frost_point(vapour) if deposit is Phase.ICE else dew_point(vapour)
    margins = surface + 0.2 * rng.standard_normal(n) - point
    found = condensation_margin(
        surface,
        temperature=temperature,
        relative_humidity=rh,
        u_surface=0.2,
        u_temperature=0.3,
        u_relative_humidity=1.5,
    )
    assert found.deposit is deposit
    assert found.uncertainty == pytest.approx(margins.std(), rel=0.01)
    assert found.value == pytest.approx(margins.mean(), abs=0.1 * found.uncertainty)
    own = dew_point_uncertainty(
        temperature,
        relative_humidity=rh,
        u_temperature=0.3,
        u_relative_humidity=1.5,
        over=deposit,
    )
    assert math.hypot(own, 0.2) == pytest.approx(found.uncertainty)


def test_a_surface_below_the_dew_point_has_a_negative_margin() -> None:
    # Dew point of 20 degC and 50 %: 9.27 degC, psychrolib.
    found = condensation_margin(
        8.0,
        temperature=20.0,
        relative_humidity=50.0,
        u_surface=0.0,
        u_temperature=0.0,
        u_relative_humidity=0.0,
    )
    assert found.value == pytest.approx(-1.27, abs=0.01)
    assert found.uncertainty == 0.0
