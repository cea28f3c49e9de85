"""Resistance to moisture content against handbook values. Compared with, never tuned to."""

from dataclasses import replace
from math import log10

import pytest

from longsoak.core.resistance import (
    Reach,
    corrected,
    indicated,
    moisture_content,
    prepare,
)
from longsoak.rigfile.curves import shipped

DOUGLAS_FIR = "Douglas-fir (coast)"

# FPL-GTR-6 (James 1988), Table 1, MOhm along the grain at 80 degF (26.7 degC): from memory, not
# read; supported by calculation (a free fit of the row returns the published closed form).
GTR_6_TABLE_1_DOUGLAS_FIR = {
    7: 22400, 8: 4780, 9: 1660, 10: 630, 11: 265, 12: 120, 13: 60, 14: 33, 15: 18.6, 16: 11.2,
    17: 7.1, 18: 4.6, 19: 3.09, 20: 2.14, 21: 1.51, 22: 1.10, 23: 0.79, 24: 0.60, 25: 0.46,
}  # fmt: skip

# Garrahan 1988 as used in Straube, Onysko and Schumacher 2002, neutral near 22.7 degC: from
# memory; these values are computed from that formula, so they check its transcription only.
GARRAHAN_AT = (-20, -10, 0, 10, 20, 25, 30, 40)  # degC
GARRAHAN_TABLE = {  # indicated %: corrected %
    8: (11.559, 10.601, 9.724, 8.922, 8.189, 7.847, 7.519, 6.907),
    16: (21.713, 20.203, 18.805, 17.510, 16.310, 15.744, 15.199, 14.170),
    20: (26.789, 25.004, 23.345, 21.804, 20.371, 19.693, 19.039, 17.802),
    25: (33.135, 31.005, 29.020, 27.171, 25.447, 24.629, 23.839, 22.341),
}
GARRAHAN = [
    (scale, at, content)
    for scale, row in GARRAHAN_TABLE.items()
    for at, content in zip(GARRAHAN_AT, row, strict=True)
]

# Straube then Garrahan, Douglas-fir, computed from both formulas (from memory).
CHAINED_AT = (-10, 0, 5, 10, 20, 27, 35)  # degC
CHAINED_TABLE = {  # Ohm: %
    1e6: (27.6086, 25.8082, 24.9555, 24.1329, 22.5737, 21.5471, 20.4351),
    1e7: (20.2113, 18.8126, 18.1525, 17.5172, 16.3174, 15.5306, 14.6815),
    1e9: (12.2957, 11.3270, 10.8730, 10.4382, 9.6228, 9.0926, 8.5248),
}
STRAUBE_THEN_GARRAHAN = [
    (ohm, at, content)
    for ohm, row in CHAINED_TABLE.items()
    for at, content in zip(CHAINED_AT, row, strict=True)
]


@pytest.mark.parametrize(("content", "megohm"), GTR_6_TABLE_1_DOUGLAS_FIR.items())
def test_the_table_comes_back_at_its_own_temperature(content: int, megohm: float) -> None:
    found = moisture_content(megohm * 1e6, 26.7, prepare(shipped()[DOUGLAS_FIR]))
    assert found.value == pytest.approx(content, abs=1e-9)
    assert found.reach is Reach.WITHIN


@pytest.mark.parametrize(
    ("megohm", "content"), [(v, k) for k, v in GTR_6_TABLE_1_DOUGLAS_FIR.items()]
)
def test_the_closed_form_agrees_with_the_interpolated_table(megohm: float, content: int) -> None:
    # Straube 2002, Douglas-fir: log10 MC = 2.99 - 2.113 log10 log10 R; from memory. Computed
    # agreement with the table: 0.25 % MC at most.
    closed_form = 10 ** (2.99 - 2.113 * log10(log10(megohm * 1e6)))
    found = moisture_content(megohm * 1e6, 26.7, prepare(shipped()[DOUGLAS_FIR]))
    assert found.value == pytest.approx(closed_form, abs=0.26)


@pytest.mark.parametrize(("scale", "temperature", "content"), GARRAHAN)
def test_the_temperature_correction_follows_its_formula(
    scale: float, temperature: float, content: float
) -> None:
    assert corrected(scale, temperature) == pytest.approx(content, abs=0.0006)
    assert indicated(corrected(scale, temperature), temperature) == pytest.approx(scale)


@pytest.mark.parametrize(("ohm", "temperature", "content"), STRAUBE_THEN_GARRAHAN)
def test_a_curve_on_the_corrections_own_scale_chains_without_a_shift(
    ohm: float, temperature: float, content: float
) -> None:
    closed_form = replace(shipped()["Douglas-fir, closed form"], reference_temperature=22.7)
    curve = prepare(replace(closed_form, lowest=5, highest=40))
    # The formula is neutral at 22.7 degC only to within 0.01 % MC.
    assert moisture_content(ohm, temperature, curve).value == pytest.approx(content, abs=0.02)


def test_cold_wood_reads_low_so_the_correction_adds() -> None:
    # James temperature rule for meters calibrated at 70 degF: from memory.
    assert corrected(12.0, 5.0) > 12.0 > corrected(12.0, 35.0)


def test_the_correction_takes_an_indication_and_not_ohms() -> None:
    # Handed the resistance of 15 % wood, the formula gives nonsense by orders of magnitude.
    assert corrected(1.86e7, 20.0) > 1e6


@pytest.mark.parametrize("temperature", [-20.5, 50.5, float("nan")])
def test_wood_outside_the_tried_temperatures_is_refused(temperature: float) -> None:
    with pytest.raises(ValueError, match="expected -20 to 50"):
        moisture_content(1e7, temperature, prepare(shipped()[DOUGLAS_FIR]))


@pytest.mark.parametrize("ohm", [0.0, -1.0, float("nan")])
def test_no_resistance_is_refused(ohm: float) -> None:
    with pytest.raises(ValueError, match="expected more than 0"):
        moisture_content(ohm, 20.0, prepare(shipped()[DOUGLAS_FIR]))


def test_beyond_its_ends_a_curve_says_so_and_gives_its_end() -> None:
    curve = prepare(shipped()[DOUGLAS_FIR])
    wetter, drier = moisture_content(1e3, 26.7, curve), moisture_content(1e12, 26.7, curve)
    assert (wetter.reach, round(wetter.value)) == (Reach.WETTER, 25)
    assert (drier.reach, round(drier.value)) == (Reach.DRIER, 7)


@pytest.mark.parametrize("ohm", [1e6, 1e7, 1e8, 5e9])
@pytest.mark.parametrize("temperature", [0.0, 15.0, 30.0])
def test_the_uncertainty_is_the_first_order_sum_of_its_parts(
    ohm: float, temperature: float
) -> None:
    curve = prepare(shipped()[DOUGLAS_FIR])

    def at(o: float, t: float) -> float:
        return moisture_content(o, t, curve).value

    # Each part by finite difference of the whole conversion; JCGM 100, 5.1.2 (from memory).
    resistance = (at(ohm * 1.001, temperature) - at(ohm / 1.001, temperature)) / 0.002 * 0.01
    kelvin = (at(ohm, temperature + 0.1) - at(ohm, temperature - 0.1)) / 0.2 * 0.5
    points = tuple((content + 0.01, r) for content, r in curve.curve.points)
    shifted = prepare(replace(curve.curve, points=points, lowest=7.01, highest=25.01))
    own = (moisture_content(ohm, temperature, shifted).value - at(ohm, temperature)) / 0.01 * 1.0
    contact = resistance / 0.01 * 0.05
    expected = (resistance**2 + contact**2 + kelvin**2 + own**2 + 0.5**2) ** 0.5
    assert moisture_content(ohm, temperature, curve).uncertainty == pytest.approx(
        expected, rel=0.02
    )
