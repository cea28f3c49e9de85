"""The regression under `longsoak fit` against published data sets and other libraries."""

from importlib import import_module
from math import log10, sqrt

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from longsoak.core.fitting import Pair, fit, predict
from longsoak.core.regression import least_squares, student_quantile
from longsoak.vocabulary.curve import Form

# Neither ships types; imported by name, so that the checker takes them as they are.
stats = import_module("scipy.stats")
optimize = import_module("scipy.optimize")
type_a = import_module("GTC.type_a")
gtc = import_module("GTC")

# JCGM 100 (GUM), H.3, the thermometer's line b(t) = y1 + y2 (t - 20): data second hand, from the
# public examples of two uncertainty libraries.
GUM_H3_T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
GUM_H3_B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
# Computed from those data, and reproduced with GTC 1.5.1; the last digit is rounded.
GUM_H3_Y1, GUM_H3_U_Y1 = -0.171204, 0.0028776
GUM_H3_Y2, GUM_H3_U_Y2 = 0.0021827, 0.00066794
GUM_H3_R, GUM_H3_S = -0.93043, 0.00349756
GUM_H3_AT_30, GUM_H3_U_AT_30 = -0.149377, 0.0041386  # GUM prints -0.1494 and 0.0041, from memory
GUM_H3_U_NEW_AT_30, GUM_H3_HALF_WIDTH_AT_30 = 0.00541857, 0.0122577

# NIST StRD, data set Norris: x and the first 27 y second hand, from public test files; the other
# nine y from memory, confirmed by the certified values, which they would miss otherwise.
NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
    666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
    999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
]  # fmt: skip
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1,
    668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0,
    998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
]  # fmt: skip
NORRIS_CERTIFIED_B0 = -0.262323073774029  # second hand
NORRIS_CERTIFIED_B1 = 1.00211681802045  # from memory
NORRIS_CERTIFIED_SD_B0, NORRIS_CERTIFIED_SD_B1 = 0.232818234301152, 0.429796848199937e-03  # memory
NORRIS_CERTIFIED_S = 0.884796396144373  # from memory

# Invented for tests, not measured; the results are computed with numpy and scipy.
SYNTHETIC_OHM = [2.1e4, 4.4e4, 9.0e4, 2.3e5, 6.1e5, 1.5e6, 4.2e6, 1.3e7, 4.0e7, 1.6e8]
SYNTHETIC_MOISTURE = [21.8, 18.1, 15.4, 12.2, 9.6, 8.0, 6.3, 4.9, 3.9, 2.9]
SYNTHETIC_A, SYNTHETIC_B = 2.302014425623963, -0.2257373367904499
SYNTHETIC_S, SYNTHETIC_U_A, SYNTHETIC_U_B = 0.009279879230890511, 0.0147513586, 0.0023782476
SYNTHETIC_R, SYNTHETIC_R2 = -0.98001277, 0.99911282
SYNTHETIC_LEFT_OUT, SYNTHETIC_IN_SAMPLE = 0.31746, 0.23586  # % MC
SYNTHETIC_AT = {  # Ohm: value, 95 % for one reading, 95 % for the curve or None
    1e5: (14.904855, (14.129192, 15.723099), (14.599553, 15.216540)),
    1e7: (5.270515, (4.998588, 5.557235), None),
}
SYNTHETIC_DOUBLE_LOG = (3.3601066578, 3.1366338180, 0.0194962875)  # a, b, s


def synthetic() -> list[Pair]:
    return [Pair(r, 20.0, u) for r, u in zip(SYNTHETIC_OHM, SYNTHETIC_MOISTURE, strict=True)]


def test_the_line_of_the_gum_thermometer_comes_back() -> None:
    line = least_squares([[t - 20 for t in GUM_H3_T]], GUM_H3_B)
    (c_11, c_12), (_, c_22) = line.covariance
    assert line.coefficients == pytest.approx((GUM_H3_Y1, GUM_H3_Y2), abs=5e-7)
    assert (sqrt(c_11), sqrt(c_22)) == pytest.approx((GUM_H3_U_Y1, GUM_H3_U_Y2), rel=2e-5)
    assert c_12 / sqrt(c_11 * c_22) == pytest.approx(GUM_H3_R, abs=5e-6)
    assert line.deviation == pytest.approx(GUM_H3_S, abs=5e-9)
    assert line.freedom == 9


def test_the_gum_thermometer_is_predicted_at_30_degrees() -> None:
    line = least_squares([[t - 20 for t in GUM_H3_T]], GUM_H3_B)
    value, variance = line.at([10.0])
    new = sqrt(variance + line.deviation**2)
    assert value == pytest.approx(GUM_H3_AT_30, abs=5e-7)
    assert sqrt(variance) == pytest.approx(GUM_H3_U_AT_30, abs=5e-8)
    assert new == pytest.approx(GUM_H3_U_NEW_AT_30, abs=5e-9)
    half_width = student_quantile(0.975, line.freedom) * new
    assert half_width == pytest.approx(GUM_H3_HALF_WIDTH_AT_30, abs=5e-8)


def test_the_gum_thermometer_agrees_with_an_uncertainty_library() -> None:
    line = least_squares([[t - 20 for t in GUM_H3_T]], GUM_H3_B)
    a, b = type_a.line_fit([t - 20 for t in GUM_H3_T], GUM_H3_B).a_b
    assert line.coefficients == pytest.approx((a.x, b.x), rel=1e-11)
    assert sqrt(line.covariance[0][0]) == pytest.approx(a.u, rel=1e-10)
    assert sqrt(line.covariance[1][1]) == pytest.approx(b.u, rel=1e-10)
    both = line.covariance[0][1] / (a.u * b.u)
    assert both == pytest.approx(gtc.get_correlation(a, b), rel=1e-9)


def test_norris_comes_back_to_eleven_digits() -> None:
    # Certified to 15 digits; doubles keep 13 on these data, of which 11 are asked for.
    line = least_squares([NORRIS_X], NORRIS_Y)
    assert line.coefficients[0] == pytest.approx(NORRIS_CERTIFIED_B0, rel=1e-11)
    assert line.coefficients[1] == pytest.approx(NORRIS_CERTIFIED_B1, rel=1e-11)
    assert sqrt(line.covariance[0][0]) == pytest.approx(NORRIS_CERTIFIED_SD_B0, rel=1e-11)
    assert sqrt(line.covariance[1][1]) == pytest.approx(NORRIS_CERTIFIED_SD_B1, rel=1e-11)
    assert line.deviation == pytest.approx(NORRIS_CERTIFIED_S, rel=1e-11)


def test_the_invented_set_gives_the_computed_power_law() -> None:
    found = fit(synthetic(), Form.POWER)
    (c_aa, _), (_, c_bb) = found.covariance
    assert found.coefficients == pytest.approx((SYNTHETIC_A, SYNTHETIC_B), rel=1e-12)
    assert found.line.deviation == pytest.approx(SYNTHETIC_S, rel=1e-11)
    assert sqrt(c_aa) == pytest.approx(SYNTHETIC_U_A, abs=5e-11)
    assert sqrt(c_bb) == pytest.approx(SYNTHETIC_U_B, abs=5e-11)
    assert found.correlation == pytest.approx(SYNTHETIC_R, abs=5e-9)
    assert found.line.r_squared == pytest.approx(SYNTHETIC_R2, abs=5e-9)
    assert found.left_out_error == pytest.approx(SYNTHETIC_LEFT_OUT, abs=5e-6)
    assert found.error == pytest.approx(SYNTHETIC_IN_SAMPLE, abs=5e-6)


@pytest.mark.parametrize("ohm", SYNTHETIC_AT)
def test_the_invented_set_is_predicted_with_the_computed_intervals(ohm: float) -> None:
    value, reading, curve = SYNTHETIC_AT[ohm]
    found = predict(fit(synthetic(), Form.POWER), ohm)
    assert found.value == pytest.approx(value, abs=5e-7)
    assert found.reading == pytest.approx(reading, abs=5e-7)
    assert curve is None or found.curve == pytest.approx(curve, abs=5e-7)


def test_the_invented_set_gives_the_computed_double_logarithm() -> None:
    found = fit(synthetic(), Form.DOUBLE_LOG)
    a, b, s = SYNTHETIC_DOUBLE_LOG
    assert found.coefficients == pytest.approx((a, b), abs=5e-11)
    assert found.line.deviation == pytest.approx(s, abs=5e-11)


@pytest.mark.parametrize("freedom", [1, 2, 3, 5, 8, 9, 30, 120, 2000, 10_000])
@pytest.mark.parametrize("probability", [0.5001, 0.6, 0.9, 0.975, 0.995, 0.9999, 0.025, 1e-6])
def test_students_quantile_agrees_with_scipy(probability: float, freedom: int) -> None:
    # Both are iterative; where a tail is thin, scipy 1.17 itself is good to about 1e-10.
    expected = float(stats.t.ppf(probability, freedom))
    assert student_quantile(probability, freedom) == pytest.approx(expected, rel=1e-9)


@settings(deadline=None)
@given(st.integers(4, 25), st.integers(0, 2**32 - 1), st.floats(0.01, 3.0), st.floats(-8.0, 8.0))
def test_two_regressors_agree_with_numpy(n: int, seed: int, spread: float, middle: float) -> None:
    draws = np.random.default_rng(seed)
    x, w = middle + draws.normal(0, spread, n), draws.normal(0, 3, n)
    y = 2.0 - 0.3 * x + 0.01 * w + draws.normal(0, 0.02, n)
    design = np.column_stack([np.ones(n), x, w])
    assume(np.linalg.cond(design) < 1e5)  # beyond, the oracle's inverse is the one that errs
    line = least_squares([x.tolist(), w.tolist()], y.tolist())
    expected, squares, *_ = np.linalg.lstsq(design, y)
    inverse = np.linalg.inv(design.T @ design)
    assert line.coefficients == pytest.approx(expected.tolist(), rel=1e-6, abs=1e-8)
    assert line.deviation**2 == pytest.approx(float(squares[0]) / (n - 3), rel=1e-6)
    expected_covariance = inverse * line.deviation**2
    assert np.allclose(line.covariance, expected_covariance, rtol=1e-5, atol=1e-12)
    hat = np.diag(design @ inverse @ design.T)
    assert line.leverages == pytest.approx(hat.tolist(), rel=1e-5, abs=1e-8)


def warm_pairs(form: Form) -> list[Pair]:
    """Invented: sixteen pairs at five temperatures, scattered by a fixed seed."""
    draws = np.random.default_rng(4444)
    pairs = []
    for place in range(16):
        u, t = 6.0 + 1.3 * place, [10.0, 30.0, 15.0, 25.0, 20.0][place % 5]
        x = {
            Form.POWER: (2.3 - log10(u)) / 0.22,
            Form.DOUBLE_LOG: 10 ** ((2.99 - log10(u)) / 2.113),
            Form.MEGOHM_LOG: 10 ** (-0.035 * u + 1.0) + 5.0,
        }[form]
        seen = u * 10 ** draws.normal(0, 0.006)
        pairs.append(Pair(10 ** (x - 0.03 * (t - 20.0)), t, float(seen)))
    return pairs


@pytest.mark.parametrize("form", [Form.POWER, Form.DOUBLE_LOG, Form.MEGOHM_LOG])
def test_a_fitted_temperature_agrees_with_nonlinear_least_squares(form: Form) -> None:
    pairs = warm_pairs(form)
    found = fit(pairs, form, reference_temperature=20.0)

    def curve(at: np.ndarray, p: float, q: float, k: float) -> np.ndarray:
        x = np.asarray(at[0] + k * at[1])
        if form is Form.DOUBLE_LOG:
            x = np.log10(x)
        elif form is Form.MEGOHM_LOG:
            x = np.log10(np.maximum(x - 5.0, 1e-9))
        return np.asarray(p + q * x)

    at = np.array([[log10(p.resistance), p.temperature - 20.0] for p in pairs]).T
    y = [p.moisture if form is Form.MEGOHM_LOG else log10(p.moisture) for p in pairs]
    start = [*found.line.coefficients[:2], 0.02]
    (p, q, k), covariance = optimize.curve_fit(curve, at, y, p0=start, xtol=1e-14, ftol=1e-14)
    assert found.line.coefficients[:2] == pytest.approx((p, q), rel=1e-6)
    assert found.per_kelvin == pytest.approx(k, rel=1e-5)
    # scipy differentiates by steps, so its covariance is good to about 1e-4.
    assert found.per_kelvin_uncertainty == pytest.approx(sqrt(covariance[2][2]), rel=1e-3)
    own = np.array(found.line.covariance)[:2, :2]
    assert own == pytest.approx(covariance[:2, :2], rel=1e-3)


def test_the_coefficients_of_the_megohm_form_have_the_covariance_of_a_monte_carlo_run() -> None:
    # JCGM 101, from memory: draw the line's two coefficients, turn each draw into a and b.
    found = fit(warm_pairs(Form.MEGOHM_LOG), Form.MEGOHM_LOG, per_kelvin=0.03)
    draws = np.random.default_rng(101).multivariate_normal(
        found.line.coefficients, found.line.covariance, 200_000
    )
    a, b = 1.0 / draws[:, 1], -draws[:, 0] / draws[:, 1]
    # 200 000 draws know a variance to 0.3 %; what first order leaves out is below 1 % here.
    assert np.array(found.covariance) == pytest.approx(np.cov(a, b), rel=0.02)


def test_prediction_intervals_hold_what_they_promise() -> None:
    # 10 000 invented sets of ten, each fitted and asked for one more reading: 95 +/- 1 %. So many
    # draws know 95 % to 0.44 %, two standard deviations of the count.
    draws, sets = np.random.default_rng(95), 10_000
    x = np.log10(SYNTHETIC_OHM)
    at = draws.uniform(x[0], x[-1], sets)
    logs = 2.3 - 0.22 * np.column_stack([np.tile(x, (sets, 1)), at])
    moistures = 10 ** (logs + draws.normal(0, 0.02, logs.shape))
    inside = 0
    for *measured, new, ohm in np.column_stack([moistures, 10**at]).tolist():
        pairs = [Pair(r, 20.0, u) for r, u in zip(SYNTHETIC_OHM, measured, strict=True)]
        low, high = predict(fit(pairs, Form.POWER), ohm).reading
        inside += low <= new <= high
    assert inside / sets == pytest.approx(0.95, abs=0.01)
