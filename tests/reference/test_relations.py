"""Every relation forward, back, falling and finite; its numbers against the published ones."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from longsoak.core.indication import COLDEST, WARMEST
from longsoak.core.relations import DoubleLog, MegohmLog, Power
from longsoak.core.resistance import (
    PreparedCurve,
    Reach,
    moisture_content,
    prepare,
    resistance,
)
from longsoak.core.resistances import moisture_contents
from longsoak.rigfile.curves import shipped
from longsoak.vocabulary.curve import Correction, Curve, Form, MadeFor
from longsoak.vocabulary.errors import PhysicsError

# Coefficients for the European shape are the user's to enter. These are a fit of the Douglas-fir
# row of FPL-GTR-6 to it (computed from values of memory), good for a test and not for wood.
EUROPEAN = Curve(
    name="a fit for tests",
    form=Form.MEGOHM_LOG,
    made_for=MadeFor.WOOD,
    lowest=7,
    highest=25,
    reference_temperature=20.0,
    correction=Correction.MOISTURE,
    source="computed",
    fitted_on="the Douglas-fir row of FPL-GTR-6, from memory",
    coefficients=(-0.04826, 1.07104),
    per_kelvin=-0.12,  # within "0.1 to 0.15 % units/degC", VTT 420 abstract (second hand)
    uncertainty=1.0,
)
MINERAL = replace(
    EUROPEAN,
    form=Form.POWER,
    made_for=MadeFor.MINERAL,
    lowest=2.9,
    highest=21.8,
    coefficients=(2.302014425623963, -0.2257373367904499),  # the sheet's synthetic set, computed
    correction=Correction.RESISTANCE,
    per_kelvin=0.0301,  # conductivity doubles with every 10 K: common practice
)
SPECIES = replace(shipped()["Douglas-fir (coast)"], name="with species", species=(0.9, 0.5))
ALL = {
    **shipped(),
    "European shape": EUROPEAN,
    "mineral": MINERAL,
    "with species": SPECIES,
    "no correction": replace(MINERAL, correction=Correction.NONE, per_kelvin=0.0),
}
PREPARED = {name: prepare(curve) for name, curve in ALL.items()}
curves = st.sampled_from(sorted(PREPARED)).map(PREPARED.__getitem__)
temperatures = st.floats(COLDEST, WARMEST)
shares = st.floats(0.0, 1.0)


def ohm_at(share: float, temperature: float, curve: PreparedCurve) -> float:
    """A resistance that share of the way along the curve, as it reads at a temperature."""
    x = curve.wet_end + share * (curve.dry_end - curve.wet_end)
    if curve.curve.correction is Correction.RESISTANCE:
        x -= curve.curve.per_kelvin * (temperature - curve.curve.reference_temperature)
    return float(10**x)


@given(curves, temperatures, shares)
def test_forward_and_back_is_the_same_resistance(
    curve: PreparedCurve, temperature: float, share: float
) -> None:
    ohm = ohm_at(share, temperature, curve)
    found = moisture_content(ohm, temperature, curve)
    assume(found.reach is Reach.WITHIN)
    again = resistance(found.value, temperature, curve)
    assert moisture_content(again, temperature, curve).value == pytest.approx(
        found.value, rel=1e-9, abs=1e-9
    )
    assert np.log10(again) == pytest.approx(np.log10(ohm), rel=1e-9, abs=2e-9)


@given(curves, temperatures, shares, shares)
def test_wood_that_conducts_better_is_never_read_drier(
    curve: PreparedCurve, temperature: float, one: float, other: float
) -> None:
    low, high = sorted((one, other))
    wetter = moisture_content(ohm_at(low, temperature, curve), temperature, curve)
    drier = moisture_content(ohm_at(high, temperature, curve), temperature, curve)
    assert wetter.value >= drier.value - 1e-12


@given(curves, temperatures, st.floats(min_value=1e-3, max_value=1e38))
def test_no_finite_input_gives_anything_but_finite_numbers(
    curve: PreparedCurve, temperature: float, ohm: float
) -> None:
    found = moisture_content(ohm, temperature, curve)
    assert np.isfinite(found.value)
    assert np.isfinite(found.uncertainty)
    assert found.uncertainty >= 0


@given(curves, temperatures, st.floats(-50, 500))
def test_back_from_beyond_the_curve_is_refused_with_the_range_it_has(
    curve: PreparedCurve, temperature: float, content: float
) -> None:
    ends = [
        moisture_content(ohm_at(share, temperature, curve), temperature, curve).value
        for share in (1.0, 0.0)
    ]
    if ends[0] <= content <= ends[1]:
        assert 0 < resistance(content, temperature, curve) < 1e19
    elif content < ends[0] - 1e-6 or content > ends[1] + 1e-6:
        with pytest.raises(PhysicsError) as refused:
            resistance(content, temperature, curve)
        assert refused.value.argument == "moisture_content"
        told = [float(end) for end in refused.value.allowed.removesuffix(" %").split(" to ")]
        assert told == pytest.approx(ends, rel=1e-3)


@given(curves, st.lists(st.tuples(shares, temperatures), min_size=1, max_size=20))
def test_arrays_give_what_scalars_give(
    curve: PreparedCurve, rows: list[tuple[float, float]]
) -> None:
    ohm = np.array([ohm_at(0.001 + 0.998 * s, t, curve) for s, t in rows])
    at = np.array([t for _, t in rows])
    values, wetter, drier = moisture_contents(ohm, at, curve)
    assert values.shape == ohm.shape
    one_by_one = [
        moisture_content(o, t, curve) for o, t in zip(ohm.tolist(), at.tolist(), strict=True)
    ]
    assert values == pytest.approx([one.value for one in one_by_one])
    for one, wet, dry in zip(one_by_one, wetter, drier, strict=True):
        if one.value not in (curve.least, curve.most):  # there the last digit decides
            assert (wet, dry) == (one.reach is Reach.WETTER, one.reach is Reach.DRIER)


def test_in_arrays_what_lies_beyond_the_curve_is_marked_as_a_bound() -> None:
    curve = PREPARED["Douglas-fir (coast)"]
    found = moisture_contents(np.array([1e3, 1e7, 1e12]), np.full(3, 26.7), curve)
    assert np.isfinite(found.values).all()
    assert found.values[[0, 2]] == pytest.approx([25.0, 7.0])
    assert found.wetter.tolist() == [True, False, False]
    assert found.drier.tolist() == [False, False, True]


@pytest.mark.parametrize(("ohm", "celsius"), [(0.0, 20.0), (np.nan, 20.0), (1e7, 99.0)])
def test_an_array_with_one_bad_element_is_refused(ohm: float, celsius: float) -> None:
    with pytest.raises(PhysicsError):
        moisture_contents(
            np.array([1e7, ohm]), np.array([20.0, celsius]), PREPARED["Douglas-fir (coast)"]
        )


# Straube, Onysko and Schumacher 2002, Douglas-fir: from memory; these are computed from the form.
STRAUBE = [
    (1e4, 52.2212), (1e5, 32.5894), (1e6, 22.1700), (1e7, 16.0069), (1e8, 12.0718), (1e9, 9.4121),
    (2.24e10, 7.0050), (1e11, 6.1594),
]  # fmt: skip
STRAUBE_INVERSE = [
    (6, 1.37194e11), (7, 2.25817e10), (10, 5.56655e8), (12, 1.05343e8), (15, 1.65417e7),
    (18, 4.18636e6), (25, 466002.0), (28, 235710.0), (30, 158414.0),
]  # fmt: skip


@pytest.mark.parametrize(("ohm", "content"), STRAUBE)
def test_the_closed_form_forward(ohm: float, content: float) -> None:
    assert DoubleLog(2.99, 2.113).moisture(np.log10(ohm).item())[0] == pytest.approx(
        content, abs=5e-5
    )


@pytest.mark.parametrize(("content", "ohm"), STRAUBE_INVERSE)
def test_the_closed_form_back(content: float, ohm: float) -> None:
    assert 10 ** DoubleLog(2.99, 2.113).log_resistance(float(content)) == pytest.approx(
        ohm, rel=1e-5
    )


# Sensitivity of the closed form, computed: change of % MC when the resistance is 1.01, 1.1, 2,
# 0.5 and 10 times itself. Printed with two or three digits, so it can be off by rounding twice.
SENSITIVITY = {
    7: (-0.006, -0.059, -0.41, 0.45, -1.24),
    10: (-0.010, -0.10, -0.69, 0.77, -2.05),
    15: (-0.019, -0.18, -1.24, 1.41, -3.60),
    20: (-0.029, -0.28, -1.88, 2.18, -5.35),
    25: (-0.040, -0.38, -2.59, 3.06, -7.26),
}


@pytest.mark.parametrize(("content", "changes"), SENSITIVITY.items())
def test_the_sensitivity_is_that_of_the_form(content: int, changes: tuple[float, ...]) -> None:
    relation = DoubleLog(2.99, 2.113)
    x = relation.log_resistance(float(content))
    for times, change in zip((1.01, 1.1, 2, 0.5, 10), changes, strict=True):
        got = relation.moisture(x + float(np.log10(times)))[0] - content
        assert got == pytest.approx(change, abs=0.001 if times == 1.01 else 0.01)


@pytest.mark.parametrize(
    "relation", [DoubleLog(2.99, 2.113), MegohmLog(-0.048, 1.07), Power(2.3, -0.2)]
)
@pytest.mark.parametrize("x", [5.7, 7.0, 9.9])
def test_stated_slopes_are_the_derivatives(
    relation: DoubleLog | MegohmLog | Power, x: float
) -> None:
    ahead, behind = relation.moisture(x + 1e-6)[0], relation.moisture(x - 1e-6)[0]
    assert relation.moisture(x)[1] == pytest.approx((ahead - behind) / 2e-6, rel=1e-6)


def test_the_european_shape_passes_its_own_fixed_point() -> None:
    # log10(log10(R_MOhm) + 1) = a u + b: at 1 MOhm the left side is 0, so u = -b / a.
    assert MegohmLog(-0.04826, 1.07104).moisture(6.0)[0] == pytest.approx(1.07104 / 0.04826)


# Agreement of the European shape fitted to the Douglas-fir row with the row itself: computed
# rms 0.33 and at most 0.90 % MC. Two published shapes of one wood differ by that much.
def test_by_how_much_the_european_shape_differs_from_the_table() -> None:
    table = shipped()["Douglas-fir (coast)"]
    fit = MegohmLog(-0.04826, 1.07104)
    off = [fit.moisture(float(np.log10(ohm)))[0] - content for content, ohm in table.points]
    assert max(map(abs, off)) == pytest.approx(0.90, abs=0.02)
    assert np.sqrt(np.mean(np.square(off))) == pytest.approx(0.33, abs=0.02)


# Garrahan's species coefficients with invented a and b, computed: indicated 15 %, 20 degC.
def test_species_coefficients_come_after_the_temperature() -> None:
    base = replace(
        shipped()["Douglas-fir, closed form"], reference_temperature=22.7, lowest=5, highest=30
    )
    x = prepare(base).relation.log_resistance(15.0)
    plain = moisture_content(float(10**x), 20.0, prepare(base)).value
    other = moisture_content(float(10**x), 20.0, prepare(replace(base, species=(0.9, 0.5)))).value
    assert plain == pytest.approx(15.295269, abs=0.02)  # the formula is neutral only near 22.7 degC
    assert other == pytest.approx((plain - 0.5) / 0.9, rel=1e-12)


# Chaining the 26.7 degC table with a correction that is neutral at 22.7 degC, without putting one
# on the other's scale first, reads low: computed, mean -0.57, worst -0.73 % MC.
def test_what_chaining_without_a_common_scale_would_cost() -> None:
    table = shipped()["Douglas-fir (coast)"]
    chained = prepare(replace(table, reference_temperature=22.7, lowest=6))
    off = [moisture_content(ohm, 26.7, chained).value - content for content, ohm in table.points]
    straube = prepare(
        replace(shipped()["Douglas-fir, closed form"], reference_temperature=22.7, lowest=6)
    )
    worst = min(
        moisture_content(ohm, 26.7, straube).value - content for content, ohm in table.points
    )
    assert max(off) < 0
    assert worst == pytest.approx(-0.73, abs=0.03)
