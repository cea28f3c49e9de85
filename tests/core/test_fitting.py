"""What a fit does with pairs of every kind; published values are in tests/reference."""

import math
import pickle
from dataclasses import replace
from math import isfinite, log10

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from longsoak.core.fitchoice import best, compare
from longsoak.core.fittedcurve import curve_of
from longsoak.core.fitting import (
    Fit,
    Pair,
    Shift,
    fit,
    moisture_steps,
    predict,
)
from longsoak.core.regression import least_squares, student_quantile
from longsoak.core.relations import relation_of
from longsoak.core.resistance import moisture_content, prepare
from longsoak.core.straightened import FORMS
from longsoak.vocabulary.curve import Correction, Curve, Form, MadeFor
from longsoak.vocabulary.errors import PhysicsError

# Invented: what a wooden sample might give, with a scatter written out so that it never changes.
SCATTER = [0.1, -0.2, 0.05, 0.15, -0.1, 0.0, 0.2, -0.15, -0.05, 0.1, -0.1, 0.05]


def dry_pairs(*, kelvin: float = 0.0, per_kelvin: float = 0.03) -> list[Pair]:
    """Twelve pairs from 7 to 24 %, every other one warmer by `kelvin`."""
    pairs = []
    for place, off in enumerate(SCATTER):
        u, warmer = 7.0 + 1.5 * place, kelvin * (place % 2)
        x = 10 ** ((2.99 - log10(u)) / 2.113) - per_kelvin * warmer
        pairs.append(Pair(10**x, 20.0 + warmer, u + off, f"S{place + 1}"))
    return pairs


def as_curve(found: Fit) -> Curve:
    return curve_of(found, name="own", made_for=MadeFor.WOOD, source="a test", fitted_on="a test")


@pytest.mark.parametrize("form", FORMS)
def test_the_curve_it_hands_over_says_what_the_fit_predicts(form: Form) -> None:
    found = fit(dry_pairs(), form)
    relation = relation_of(as_curve(found))
    for ohm in (3e6, 1e8, 5e9):
        assert relation.moisture(log10(ohm))[0] == pytest.approx(predict(found, ohm).value)


@pytest.mark.parametrize("form", [Form.POWER, Form.DOUBLE_LOG])
def test_the_curve_carries_the_spread_of_one_reading(form: Form) -> None:
    found = fit(dry_pairs(), form)
    read = moisture_content(1e8, found.reference_temperature, prepare(as_curve(found)))
    low, high = predict(found, 1e8).reading
    # Twice it is the fit's own 95 %; the budget adds the meter's part, so it is a little wider.
    own = math.log(high / low) / 4 * read.value
    assert own <= read.uncertainty <= 1.1 * own


def test_a_form_in_moisture_hands_over_one_uncertainty_that_covers_its_range() -> None:
    found = fit(dry_pairs(), Form.MEGOHM_LOG)
    curve = as_curve(found)
    t = student_quantile(0.975, found.line.freedom)
    widest = max(
        predict(found, pair.resistance).reading[1] - predict(found, pair.resistance).value
        for pair in found.pairs
    )
    assert curve.covariance is None
    assert curve.uncertainty == pytest.approx(widest / t)


@pytest.mark.parametrize("form", FORMS)
def test_an_exact_curve_is_found_exactly(form: Form) -> None:
    pairs = dry_pairs()
    made = as_curve(fit(pairs, form))
    exact = [
        replace(p, moisture=float(relation_of(made).moisture(log10(p.resistance))[0]))
        for p in pairs
    ]
    found = fit(exact, form)
    assert found.coefficients == pytest.approx(made.coefficients, rel=1e-9)
    assert found.left_out_error < 1e-9
    assert max(map(abs, found.studentised)) < 3  # rounding makes no outliers


@pytest.mark.parametrize("form", FORMS)
def test_a_left_out_prediction_is_that_of_a_fit_without_the_pair(form: Form) -> None:
    pairs = dry_pairs()
    found = fit(pairs, form)
    for place, pair in enumerate(pairs):
        others = fit(pairs[:place] + pairs[place + 1 :], form)
        alone = predict(others, pair.resistance)
        assert found.left_out[place] == pytest.approx(alone.value, rel=1e-9)


def test_a_studentised_residual_is_measured_by_the_scatter_of_the_others() -> None:
    pairs = dry_pairs()
    pairs[5] = replace(pairs[5], moisture=pairs[5].moisture * 1.3)
    found = fit(pairs, Form.POWER)
    others = fit(pairs[:5] + pairs[6:], Form.POWER)
    value, variance = others.line.at([log10(pairs[5].resistance)])
    expected = log10(pairs[5].moisture) - value
    expected /= math.sqrt(others.line.deviation**2 + variance)
    assert found.studentised[5] == pytest.approx(expected)
    # A plain one stops at the root of the degrees of freedom, and could never tell ten pairs' 3.
    assert found.studentised[5] > math.sqrt(found.line.freedom)


@pytest.mark.parametrize("form", FORMS)
def test_a_temperature_effect_is_found_and_handed_over(form: Form) -> None:
    found = fit(dry_pairs(kelvin=10.0), form)
    curve = as_curve(found)
    assert found.shift is Shift.FITTED
    assert curve.correction is Correction.RESISTANCE
    assert curve.per_kelvin == found.per_kelvin
    if form is Form.DOUBLE_LOG:  # the form the pairs were made by
        assert found.per_kelvin == pytest.approx(0.03, abs=3 * found.per_kelvin_uncertainty)


def test_the_fit_and_the_converter_correct_a_warm_reading_alike() -> None:
    found = fit(dry_pairs(kelvin=10.0), Form.DOUBLE_LOG)
    ready = prepare(as_curve(found))
    for pair, fitted in zip(found.pairs, found.fitted, strict=True):
        if not ready.curve.lowest <= fitted <= ready.curve.highest:
            continue  # the converter stops at the curve's ends
        read = moisture_content(pair.resistance, pair.temperature, ready)
        assert read.value == pytest.approx(fitted, rel=1e-9)


@pytest.mark.parametrize(
    ("pairs", "per_kelvin", "shift"),
    [
        (dry_pairs(kelvin=2.9), None, Shift.NARROW),
        (dry_pairs(kelvin=3.0), None, Shift.FITTED),
        (dry_pairs(kelvin=10.0), 0.02, Shift.GIVEN),
        (dry_pairs(kelvin=10.0)[:5], None, Shift.FEW),
        (
            [replace(p, temperature=10.0 + 2 * n) for n, p in enumerate(dry_pairs())],
            None,
            Shift.TIED,
        ),
    ],
)
def test_temperature_is_fitted_only_where_the_pairs_tell_it(
    pairs: list[Pair], per_kelvin: float | None, shift: Shift
) -> None:
    found = fit(pairs, Form.POWER, per_kelvin=per_kelvin)
    assert found.shift is shift
    corrects = shift in (Shift.FITTED, Shift.GIVEN)
    assert (as_curve(found).correction is Correction.RESISTANCE) == corrects


def test_the_choice_falls_on_the_least_left_out_error() -> None:
    tried = compare(dry_pairs())
    chosen = best(tried.values())
    fits = [one for one in tried.values() if isinstance(one, Fit)]
    assert chosen is not None
    assert chosen.form is Form.DOUBLE_LOG
    assert chosen.left_out_error == min(one.left_out_error for one in fits)


def test_a_form_that_has_no_value_at_a_resistance_says_so_and_leaves_the_others() -> None:
    pairs = [*dry_pairs(), Pair(5e4, 20.0, 30.0)]
    tried = compare(pairs)
    refused = tried[Form.MEGOHM_LOG]
    assert isinstance(refused, PhysicsError)
    assert str(refused) == "resistance is 5e+04 Ohm, expected more than 0.1 MOhm"
    assert isinstance(tried[Form.POWER], Fit)


def test_a_prediction_beyond_the_samples_is_marked() -> None:
    found = fit(dry_pairs(), Form.POWER)
    ohms = [pair.resistance for pair in found.pairs]
    assert predict(found, min(ohms)).within
    assert predict(found, max(ohms)).within
    assert not predict(found, 0.9 * min(ohms)).within
    assert not predict(found, 1.1 * max(ohms)).within


def test_a_curve_of_rising_moisture_is_seen() -> None:
    pairs = dry_pairs()
    turned = [replace(p, moisture=q.moisture) for p, q in zip(pairs, reversed(pairs), strict=True)]
    found = fit(turned, Form.POWER)
    assert not found.falls
    assert not found.tells
    assert best([found]) is found


@pytest.mark.parametrize(
    ("pairs", "says"),
    [
        (dry_pairs()[:2], "number of pairs is 2, expected at least 3"),
        ([Pair(1e6 + n, 20.0, 12.0) for n in range(5)], "moisture is 12 % in every pair"),
        ([Pair(1e6, 20.0, 12.0 + n) for n in range(5)], "resistance is 1e+06 Ohm in every pair"),
        ([*dry_pairs(), Pair(0.0, 20.0, 9.0)], "pair is 0.0 Ohm with 9.0 %"),
        ([*dry_pairs(), Pair(1e6, 20.0, math.nan)], "pair is 1000000.0 Ohm with nan %"),
        ([*dry_pairs(), Pair(1e6, math.inf, 9.0)], "temperature is inf degC"),
    ],
)
def test_pairs_that_no_line_can_be_drawn_through_are_refused(pairs: list[Pair], says: str) -> None:
    with pytest.raises(PhysicsError) as refused:
        fit(pairs, Form.POWER)
    assert str(refused.value).startswith(says)
    assert str(pickle.loads(pickle.dumps(refused.value))) == str(refused.value)


def test_a_table_is_no_form_to_fit() -> None:
    with pytest.raises(PhysicsError, match="form is table, expected one of power law"):
        fit(dry_pairs(), Form.TABLE)


@pytest.mark.parametrize("ohm", [0.0, -1.0, math.nan, math.inf])
def test_a_prediction_for_no_resistance_is_refused(ohm: float) -> None:
    with pytest.raises(PhysicsError, match="expected more than 0, and finite"):
        predict(fit(dry_pairs(), Form.POWER), ohm)


def test_regressors_that_say_the_same_are_refused() -> None:
    with pytest.raises(PhysicsError, match="regressor 2 is told by the others"):
        least_squares([[1.0, 2.0, 3.0, 5.0, 8.0], [2.0, 4.0, 6.0, 10.0, 16.0]], [1, 2, 4, 3, 5])


@pytest.mark.parametrize(("p", "freedom"), [(0.0, 5), (1.0, 5), (math.nan, 5), (0.9, 0.5)])
def test_a_quantile_outside_its_range_is_refused(p: float, freedom: float) -> None:
    with pytest.raises(PhysicsError):
        student_quantile(p, freedom)


@pytest.mark.parametrize(
    ("moistures", "steps"),
    [
        ([5, 10, 15, 20, 25], 5),
        ([5, 5.1, 4.9, 15, 15.2, 25], 3),
        ([1.0, 1.1, 1.2, 1.3, 1.4], 5),
        ([10, 10.0, 20, 20.0], 2),
    ],
)
def test_moisture_steps_are_told_apart_by_their_range(moistures: list[float], steps: int) -> None:
    assert moisture_steps([Pair(1e6, 20.0, u) for u in moistures]) == steps


_PAIRS = st.lists(
    st.builds(
        Pair,
        resistance=st.floats(1.5, 1e14),
        temperature=st.floats(-20.0, 50.0),
        moisture=st.floats(0.01, 200.0),
    ),
    min_size=3,
    max_size=14,
)


@settings(deadline=None, max_examples=300)
@given(_PAIRS)
def test_whatever_the_pairs_a_fit_is_finite_or_refused(pairs: list[Pair]) -> None:
    for found in compare(pairs).values():
        if isinstance(found, PhysicsError):
            continue
        numbers = [
            *found.coefficients,
            *(c for row in found.covariance for c in row),
            *found.fitted,
            *found.studentised,
            *found.line.leverages,
            found.line.r_squared,
            found.error,
            found.per_kelvin,
            found.per_kelvin_uncertainty,
            found.correlation,
        ]
        assert all(map(isfinite, numbers))
        assert not math.isnan(found.left_out_error)
        assert sum(found.line.leverages) == pytest.approx(len(found.line.coefficients))
        at = predict(found, max(pair.resistance for pair in pairs))
        assert 0.0 <= at.reading[0] <= at.curve[0]
        assert at.curve[1] <= at.reading[1]


def test_a_curve_nothing_corrects_holds_at_the_temperature_of_its_samples() -> None:
    pairs = [Pair(10.0 ** (9 - n / 2), 12.0 + n / 10, 8.0 + 2 * n) for n in range(6)]
    found = fit(pairs, Form.POWER, reference_temperature=25.0)
    assert found.shift is Shift.NARROW
    assert found.reference_temperature == pytest.approx(12.25)
