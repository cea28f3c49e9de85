"""Wood in air against the Wood Handbook. Compared with, never tuned to."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.sorption import (
    COLDEST,
    CURVE_UNCERTAINTY,
    DAMPEST,
    WARMEST,
    equilibrium_humidity,
    equilibrium_moisture,
    equilibrium_uncertainty,
)
from longsoak.vocabulary.errors import PhysicsError

# Wood Handbook (FPL), table 4-2, rows at 30, 70, 80 and 100 degF, 5 to 95 % RH in steps of 5: from
# memory; supported by calculation, as the handbook's equation returns all 76 cells within 0.052,
# their rounding. The tolerance is that rounding and a hair.
WOOD_HANDBOOK_TABLE_4_2 = {  # degC: %
    -1.1: (1.4, 2.6, 3.7, 4.6, 5.5, 6.3, 7.1, 7.9, 8.7, 9.5, 10.4, 11.3, 12.4, 13.5, 14.9, 16.5,
           18.5, 21.0, 24.3),
    21.1: (1.3, 2.5, 3.5, 4.5, 5.4, 6.2, 6.9, 7.7, 8.5, 9.2, 10.1, 11.0, 12.0, 13.1, 14.4, 16.0,
           17.9, 20.5, 23.9),
    26.7: (1.3, 2.4, 3.5, 4.4, 5.3, 6.1, 6.8, 7.6, 8.3, 9.1, 9.9, 10.8, 11.7, 12.9, 14.2, 15.7,
           17.7, 20.2, 23.6),
    37.8: (1.2, 2.3, 3.3, 4.2, 5.0, 5.8, 6.5, 7.2, 7.9, 8.7, 9.5, 10.3, 11.2, 12.3, 13.6, 15.1,
           17.0, 19.5, 22.9),
}  # fmt: skip
CELLS = [
    (temperature, 5.0 * (i + 1), content)
    for temperature, row in WOOD_HANDBOOK_TABLE_4_2.items()
    for i, content in enumerate(row)
]

# Computed from the handbook's equation in Celsius, so they check its transcription only.
COMPUTED = [  # degC, % RH, %
    (20, 50, 9.2711), (20, 65, 11.9963), (20, 80, 16.0371), (20, 90, 20.5311), (20, 95, 23.9415),
    (25, 40, 7.6082), (25, 55, 9.9480), (25, 80, 15.8078), (0, 50, 9.5194), (10, 70, 13.4257),
    (60, 55, 8.3726),
]  # fmt: skip

temperatures = st.floats(COLDEST, WARMEST)
humidities = st.floats(0.0, DAMPEST)


def in_fahrenheit(temperature: float, relative_humidity: float) -> float:
    # The handbook's equation 4-5 in Fahrenheit: from memory, agrees with the form in Celsius.
    f, h = 32.0 + 1.8 * temperature, relative_humidity / 100.0
    w = 330 + 0.452 * f + 0.00415 * f * f
    k = 0.791 + 4.63e-4 * f - 8.44e-7 * f * f
    k1 = 6.34 + 7.75e-4 * f - 9.35e-5 * f * f
    k2 = 1.09 + 2.84e-2 * f - 9.04e-5 * f * f
    kh = k * h
    bound = (k1 * kh + 2 * k1 * k2 * kh * kh) / (1 + k1 * kh + k1 * k2 * kh * kh)
    return 1800 / w * (kh / (1 - kh) + bound)


@pytest.mark.parametrize(("temperature", "rh", "content"), CELLS)
def test_every_cell_of_the_handbook_comes_back(
    temperature: float, rh: float, content: float
) -> None:
    assert equilibrium_moisture(temperature, relative_humidity=rh) == pytest.approx(
        content, abs=0.06
    )


def test_there_are_76_cells() -> None:
    assert len(CELLS) == 76


@pytest.mark.parametrize(("temperature", "rh", "content"), COMPUTED)
def test_the_equation_is_transcribed_right(temperature: float, rh: float, content: float) -> None:
    assert equilibrium_moisture(temperature, relative_humidity=rh) == pytest.approx(
        content, abs=6e-5
    )


def test_140_fahrenheit_and_55_percent_agree_with_an_encyclopaedia() -> None:
    # 8.4 % by the equation, an encyclopaedia's copy: read. The handbook's table has 8.0 there.
    assert equilibrium_moisture(60.0, relative_humidity=55.0) == pytest.approx(8.4, abs=0.05)


def test_the_fahrenheit_form_differs_by_this_much() -> None:
    # Largest difference from 0 to 55 degC and 5 to 95 % RH: 0.0126 % MC, computed.
    worst = max(
        abs(in_fahrenheit(t, rh) - equilibrium_moisture(float(t), relative_humidity=float(rh)))
        for t in range(56)
        for rh in range(5, 96)
    )
    assert worst == pytest.approx(0.0126, abs=0.0002)


@given(temperatures, humidities)
def test_humidity_undoes_moisture(temperature: float, rh: float) -> None:
    content = equilibrium_moisture(temperature, relative_humidity=rh)
    assert equilibrium_humidity(temperature, moisture_content=content) == pytest.approx(
        rh, abs=1e-9
    )


@given(temperatures, st.floats(0.0, 20.9))
def test_moisture_undoes_humidity(temperature: float, content: float) -> None:
    rh = equilibrium_humidity(temperature, moisture_content=content)
    assert equilibrium_moisture(temperature, relative_humidity=rh) == pytest.approx(
        content, abs=1e-9
    )


@given(temperatures, humidities, humidities)
def test_moisture_rises_with_humidity(temperature: float, one: float, other: float) -> None:
    low, high = sorted((one, other))
    drier = equilibrium_moisture(temperature, relative_humidity=low)
    wetter = equilibrium_moisture(temperature, relative_humidity=high)
    assert math.isfinite(wetter)
    assert drier < wetter if high - low > 1e-9 else drier <= wetter


@given(humidities, st.floats(6.0, WARMEST), st.floats(6.0, WARMEST))
def test_warm_wood_holds_less(rh: float, one: float, other: float) -> None:
    # From 6 degC on. Nearer freezing the equation's polynomials turn, by up to 0.012 % MC per K.
    low, high = sorted((one, other))
    cold = equilibrium_moisture(low, relative_humidity=rh)
    assert equilibrium_moisture(high, relative_humidity=rh) <= cold + 1e-12


def test_an_array_gives_what_its_floats_give_in_the_same_shape() -> None:
    t = np.linspace(COLDEST, WARMEST, 12).reshape(3, 4)
    rh = np.linspace(0.0, DAMPEST, 12).reshape(3, 4)
    content = equilibrium_moisture(t, relative_humidity=rh)
    assert content.shape == (3, 4)
    back = equilibrium_humidity(t, moisture_content=content)
    assert back.shape == (3, 4)
    np.testing.assert_allclose(back, rh, atol=1e-9)
    for i, (one, other) in enumerate(zip(t.flat, rh.flat, strict=True)):
        assert content.flat[i] == equilibrium_moisture(float(one), relative_humidity=float(other))


@pytest.mark.parametrize(("temperature", "rh"), [(5.0, 85.0), (20.0, 50.0), (35.0, 20.0)])
def test_the_airs_share_of_the_uncertainty_is_that_of_a_simulation(
    temperature: float, rh: float
) -> None:
    # JCGM 101: 200,000 draws know a standard deviation to 0.16 %; the rest of the 1 % is what
    # first order leaves out.
    rng = np.random.default_rng(4)
    draws = equilibrium_moisture(
        temperature + 1.0 * rng.standard_normal(200_000),
        relative_humidity=rh + 1.0 * rng.standard_normal(200_000),
    )
    found = equilibrium_uncertainty(
        temperature, relative_humidity=rh, u_temperature=1.0, u_relative_humidity=1.0
    )
    assert math.sqrt(found**2 - CURVE_UNCERTAINTY**2) == pytest.approx(draws.std(), rel=0.01)


@pytest.mark.parametrize("temperature", [0.0, 20.0, 55.0])
def test_each_slope_is_that_of_the_equation(temperature: float) -> None:
    step = 1e-4
    for u_temperature, u_humidity in ((1.0, 0.0), (0.0, 1.0)):
        up = equilibrium_moisture(
            temperature + step * u_temperature, relative_humidity=60.0 + step * u_humidity
        )
        down = equilibrium_moisture(
            temperature - step * u_temperature, relative_humidity=60.0 - step * u_humidity
        )
        found = equilibrium_uncertainty(
            temperature,
            relative_humidity=60.0,
            u_temperature=u_temperature,
            u_relative_humidity=u_humidity,
        )
        share = math.sqrt(found**2 - CURVE_UNCERTAINTY**2)
        assert share == pytest.approx(abs(up - down) / (2 * step), rel=1e-6)


def test_the_curves_own_uncertainty_is_mostly_hysteresis() -> None:
    # 2 to 3 % MC between wetting and drying: from memory. Evenly spread over 3, that is 0.87.
    assert pytest.approx(math.hypot(3.0 / math.sqrt(12.0), 0.163), abs=0.001) == CURVE_UNCERTAINTY


@pytest.mark.parametrize(
    ("temperature", "rh", "words"),
    [
        (math.nan, 50.0, "temperature is nan, expected -1.1 to 60 degC"),
        (60.1, 50.0, "temperature is 60.1, expected -1.1 to 60 degC"),
        (20.0, 97.0, "relative_humidity is 97.0, expected 0 to 95 %"),
        (20.0, math.inf, "relative_humidity is inf, expected 0 to 95 %"),
    ],
)
def test_air_outside_the_table_is_refused_by_name(
    temperature: float, rh: float, words: str
) -> None:
    with pytest.raises(PhysicsError) as caught:
        equilibrium_moisture(temperature, relative_humidity=rh)
    assert str(caught.value) == words


def test_wood_wetter_than_air_can_make_it_is_refused() -> None:
    with pytest.raises(PhysicsError) as caught:
        equilibrium_humidity(20.0, moisture_content=26.0)
    assert str(caught.value) == "moisture_content is 26.0, expected 0 to 23.94 % at 20 degC"
    with pytest.raises(PhysicsError) as caught:
        equilibrium_humidity(np.array([0.0, 20.0]), moisture_content=np.array([24.0, 24.0]))
    assert str(caught.value) == "moisture_content is 24.0, expected 0 to 23.94 % at 20 degC"
