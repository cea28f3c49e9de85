"""Resistance to moisture content against handbook values. Compared with, never tuned to."""

from collections.abc import Callable
from dataclasses import replace
from math import log10

import numpy as np
import pytest

from longsoak.core.indication import corrected, indicated
from longsoak.core.resistance import (
    Budget,
    Reach,
    moisture_content,
    parts_of,
    prepare,
    resistance,
)
from longsoak.core.resistances import moisture_contents
from longsoak.rigfile.curves import shipped
from longsoak.vocabulary.errors import PhysicsError

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
    # Handed the resistance of 15 % wood, the formula would give millions of per cent.
    with pytest.raises(PhysicsError, match=r"indicated is 18600000.0, expected -10 to 1000 %"):
        corrected(1.86e7, 20.0)


NO_NUMBERS = [None, "20", [20.0], np.array([20.0]), 10**400, 10**5000, 1 + 0j]


@pytest.mark.parametrize("function", [corrected, indicated])
@pytest.mark.parametrize(
    "bad",
    [None, "x", "20", 10**400, float("nan"), float("inf"), 1e308],
    ids=lambda bad: f"{bad!r:.9}",
)
def test_the_correction_is_handed_numbers_within_its_range_or_refuses(
    function: Callable[[object, object], object], bad: object
) -> None:
    for arguments in ((bad, 20.0), (12.0, bad)):
        with pytest.raises(PhysicsError, match=r"expected -\d+ to \d+ (%|degC)$"):
            function(*arguments)


@pytest.mark.parametrize("bad", NO_NUMBERS, ids=lambda bad: type(bad).__name__)
def test_what_is_no_number_is_refused_by_name_with_the_range(bad: object) -> None:
    curve = prepare(shipped()[DOUGLAS_FIR])
    for function in (moisture_content, parts_of):
        with pytest.raises(PhysicsError, match=r"^resistance is .*, expected more than 0, and fin"):
            function(bad, 20.0, curve)  # type: ignore[arg-type]  # what a caller may hand over
        with pytest.raises(PhysicsError, match=r"^temperature is .*, expected -20 to 50 degC$"):
            function(1e7, bad, curve)  # type: ignore[arg-type]
    with pytest.raises(PhysicsError, match=r"^moisture_content is .*, expected 7.* to 25.* %$"):
        resistance(bad, 26.7, curve)  # type: ignore[arg-type]
    with pytest.raises(PhysicsError, match=r"^temperature is .*, expected -20 to 50 degC$"):
        resistance(12.0, bad, curve)  # type: ignore[arg-type]


def test_whole_numbers_and_single_precision_are_numbers() -> None:
    curve = prepare(shipped()[DOUGLAS_FIR])
    assert moisture_content(10**7, 20, curve) == moisture_content(1e7, 20.0, curve)
    single = moisture_content(np.float32(1e7), np.float32(20), curve)  # type: ignore[arg-type]
    assert single == moisture_content(1e7, 20.0, curve)
    assert type(single.value) is float


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


def at_other(content: float, temperature: float) -> float:
    """What a row of the table, which holds at 26.7 degC, means at another temperature, %."""
    return corrected(indicated(content, 26.7), temperature)


# The table's rows end at 7 and 25 %. Above about 28 % wood is saturated (from memory) and its
# resistance tells nothing, so a correction must not stretch a curve beyond where it was found.
@pytest.mark.parametrize(
    ("ohm", "temperature", "value", "reach"),
    [
        (4.7e5, 0.0, 25.0, Reach.WETTER),  # would be 29.7 %
        (1.1e6, 0.0, 25.0, Reach.WETTER),  # the row of 22 %
        (2.14e6, 0.0, at_other(20.0, 0.0), Reach.WITHIN),
        (22e9, 40.0, 7.0, Reach.DRIER),  # would be 6.2 %
        (4.78e9, 40.0, at_other(8.0, 40.0), Reach.WITHIN),
    ],
)
def test_a_correction_never_stretches_a_number_beyond_the_curves_ends(
    ohm: float, temperature: float, value: float, reach: Reach
) -> None:
    curve = prepare(shipped()[DOUGLAS_FIR])
    found = moisture_content(ohm, temperature, curve)
    assert found.reach is reach
    assert found.value == pytest.approx(value, abs=1e-9)
    many = moisture_contents(np.array([ohm]), np.array([temperature]), curve)
    assert many.values.tolist() == pytest.approx([found.value])
    assert (many.wetter.tolist(), many.drier.tolist()) == (
        [reach is Reach.WETTER],
        [reach is Reach.DRIER],
    )


def test_a_bound_that_the_correction_moves_inside_stays_the_moved_one() -> None:
    # Hot and wet: 1e5 Ohm is beyond the table's 25 % row, which means less than 25 % at 40 degC.
    curve = prepare(shipped()[DOUGLAS_FIR])
    hot, at_its_end = (moisture_content(ohm, 40.0, curve) for ohm in (1e5, 4.6e5))
    assert (hot.reach, at_its_end.reach) == (Reach.WETTER, Reach.WITHIN)
    assert hot.value == at_its_end.value == pytest.approx(at_other(25.0, 40.0))
    assert hot.value < 23.0
    cold, at_its_end = (moisture_content(ohm, 0.0, curve) for ohm in (1e12, 22.4e9))
    assert (cold.reach, at_its_end.reach) == (Reach.DRIER, Reach.WITHIN)
    assert cold.value == at_its_end.value == pytest.approx(at_other(7.0, 0.0))
    assert cold.value > 8.0


@pytest.mark.parametrize("temperature", [-20.0, 0.0, 26.7, 40.0, 50.0])
@pytest.mark.parametrize("name", [DOUGLAS_FIR, "Douglas-fir, closed form"])
def test_the_way_back_takes_just_what_the_way_there_tells_as_a_number(
    temperature: float, name: str
) -> None:
    curve = prepare(shipped()[name])
    with pytest.raises(PhysicsError) as refused:
        resistance(90.0, temperature, curve)
    low, high = (float(end) for end in refused.value.allowed.removesuffix(" %").split(" to "))
    assert curve.curve.lowest <= low + 0.01 < high <= curve.curve.highest + 0.01
    for content in np.linspace(low + 0.01, high - 0.01, 50).tolist():
        found = moisture_content(resistance(content, temperature, curve), temperature, curve)
        assert found.reach is Reach.WITHIN
        assert found.value == pytest.approx(content, rel=1e-9)
    for beyond in (low - 0.01, high + 0.01):
        with pytest.raises(PhysicsError):
            resistance(beyond, temperature, curve)


def test_an_end_below_nothing_is_an_end_like_any_other() -> None:
    # Invented species coefficients that take more off than the driest wood has.
    curve = prepare(replace(shipped()[DOUGLAS_FIR], species=(0.9, 9.0)))
    found = moisture_content(22.4e9, 26.7, curve)
    assert found.reach is Reach.WITHIN
    assert found.value == pytest.approx(-2.0 / 0.9)
    assert resistance(found.value, 26.7, curve) == pytest.approx(22.4e9)


@pytest.mark.parametrize("a", [0.0, -0.9, float("nan")])
def test_species_coefficients_that_turn_a_curve_round_are_refused(a: float) -> None:
    with pytest.raises(PhysicsError, match=r"species is .*, expected a first coefficient of more"):
        prepare(replace(shipped()[DOUGLAS_FIR], species=(a, 0.5)))


def test_where_a_curve_gives_only_bounds_the_way_back_says_so() -> None:
    narrow = prepare(replace(shipped()[DOUGLAS_FIR], lowest=23.0, highest=25.0))
    with pytest.raises(PhysicsError, match="expected nothing: at 50 degC this curve gives only bo"):
        resistance(22.0, 50.0, narrow)
    assert moisture_content(5e5, 50.0, narrow).reach is Reach.DRIER


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"meter": float("nan")}, "meter is nan, expected 0 to 10"),
        ({"meter": -0.01}, "meter is -0.01, expected 0 to 10"),
        ({"contact": float("inf")}, "contact is inf, expected 0 to 10"),
        ({"contact": None}, "contact is None, expected 0 to 10"),
        ({"temperature": -0.5}, "temperature is -0.5, expected 0 to 1000 K"),
        ({"reference": "0.5"}, "reference is '0.5', expected 0 to 100 %"),
        ({"insulation": 0}, "insulation is 0.0, expected 1 Ohm or more"),
        ({"insulation": float("nan")}, "insulation is nan, expected 1 Ohm or more"),
    ],
)
def test_a_budget_of_impossible_uncertainties_is_refused(
    changes: dict[str, float], says: str
) -> None:
    with pytest.raises(PhysicsError) as refused:
        Budget(**changes)
    assert str(refused.value) == says


@pytest.mark.parametrize("ohm", [5e-324, 1e-305, 1.7e308])
def test_one_reading_and_many_take_the_same_resistances(ohm: float) -> None:
    curve = prepare(shipped()[DOUGLAS_FIR])
    many = moisture_contents(np.array([ohm]), np.array([26.7]), curve)
    assert many.values.tolist() == pytest.approx([moisture_content(ohm, 26.7, curve).value])
    for bad in (0.0, float("inf")):
        with pytest.raises(
            PhysicsError, match=r"resistance is .* Ohm, expected more than 0, and f"
        ):
            moisture_contents(np.array([bad]), np.array([26.7]), curve)


def test_as_many_temperatures_as_resistances_are_asked_for() -> None:
    curve = prepare(shipped()[DOUGLAS_FIR])
    with pytest.raises(PhysicsError, match=r"is of shape \(2,\), expected \(3,\), as the re"):
        moisture_contents(np.full(3, 1e7), np.full(2, 20.0), curve)
    with pytest.raises(PhysicsError, match=r"resistance is .*, expected more than 0, and finite"):
        moisture_contents(["1e7"], [20.0], curve)  # type: ignore[arg-type]  # text is no number


@pytest.mark.parametrize("ohm", [1e6, 1e7, 1e8, 5e9])
@pytest.mark.parametrize("temperature", [15.0, 20.0, 30.0])
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
