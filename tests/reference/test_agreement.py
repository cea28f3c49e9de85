"""Limits of agreement against the data and results published in 1986, and others' computations.

Data are second hand: Wright and Mini as in a public R package's copy of Bland and Altman 1986, RV
and IC as in a public copy of table 1 of Bland and Altman 2007. What the papers print is from
memory, and so marked; everything else is computed.
"""

import math
from importlib import import_module
from typing import Any

import numpy as np
import pytest

from longsoak.core.findings.agreement import (
    Agreement,
    Pair,
    limits_from_repeats,
    limits_of_agreement,
    repeatability,
)
from longsoak.core.findings.estimate import noncentral_t_below, noncentral_t_quantile
from longsoak.core.regression import student_quantile
from longsoak.core.uptake import Undetermined

stats = import_module("scipy.stats")  # ships no types

# Peak expiratory flow, l/min, of 17 people, twice by each of two meters. Second hand.
WRIGHT_1 = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
WRIGHT_2 = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
MINI_1 = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
MINI_2 = [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]

# Bland and Altman 2007, table 1: subject, RV, IC; 60 pairs of 12 people. Second hand.
RV_IC = """
1,7.83,6.57 1,7.42,5.62 1,7.89,6.9 1,7.12,6.57 1,7.88,6.35 2,6.16,4.06 2,7.26,4.29 2,6.71,4.26
2,6.54,4.09 3,4.75,4.71 3,5.24,5.5 3,4.86,5.08 3,4.78,5.02 3,6.05,6.01 3,5.42,5.67 4,4.21,4.14
4,3.61,4.2 4,3.72,4.61 4,3.87,4.68 4,3.92,5.04 5,3.13,3.03 5,2.98,2.86 5,2.85,2.77 5,3.17,2.46
5,3.09,2.32 5,3.12,2.43 6,5.92,5.9 6,6.42,5.81 6,5.92,5.7 6,6.27,5.76 7,7.13,5.09 7,6.62,4.63
7,6.58,4.61 7,6.93,5.09 8,4.54,4.72 8,4.81,4.61 8,5.11,4.36 8,5.29,4.2 8,5.39,4.36 8,5.57,4.2
9,4.48,3.17 9,4.92,3.12 9,3.97,2.96 10,4.22,4.35 10,4.65,4.62 10,4.74,3.16 10,4.44,3.53
10,4.5,3.53 11,6.78,7.2 11,6.07,6.09 11,6.52,7.0 11,6.42,7.1 11,6.41,7.4 11,5.76,6.8 12,5.06,4.5
12,4.72,4.2 12,4.9,3.8 12,4.8,3.8 12,4.9,4.2 12,5.1,4.5
"""


def single_pairs() -> list[Pair]:
    rows = zip(WRIGHT_1, MINI_1, strict=True)
    return [Pair(float(a), float(b), f"person {i}") for i, (a, b) in enumerate(rows)]


def repeated_pairs() -> list[Pair]:
    rows = [row.split(",") for row in RV_IC.split()]
    return [Pair(float(rv), float(ic), subject) for subject, rv, ic in rows]


def agreed(found: Agreement | Undetermined) -> Agreement:
    assert isinstance(found, Agreement), found.why
    return found


def test_the_limits_of_1986_come_out_with_two_standard_deviations() -> None:
    found = agreed(limits_of_agreement(single_pairs(), multiple=2.0))
    # Computed from the data, to all the digits.
    assert found.bias.value == pytest.approx(-2.117647, abs=1e-6)
    assert found.spread == pytest.approx(38.765130, abs=1e-6)
    assert found.lower.value == pytest.approx(-79.648, abs=1e-3)
    assert found.upper.value == pytest.approx(75.413, abs=1e-3)
    # The paper prints -2.1, 38.8, -79.7 and 75.5, from memory: it goes on with rounded values,
    # -2.1 +/- 2 x 38.8, so a limit is off by up to 0.1 from that of the data.
    assert found.bias.value == pytest.approx(-2.1, abs=0.05)
    assert found.spread == pytest.approx(38.8, abs=0.05)
    assert found.lower.value == pytest.approx(-79.7, abs=0.1)
    assert found.upper.value == pytest.approx(75.5, abs=0.1)


def test_the_limits_with_1_96_are_another_pair_and_said_to_be() -> None:
    found = agreed(limits_of_agreement(single_pairs()))
    assert found.lower.value == pytest.approx(-78.097, abs=1e-3)  # computed
    assert found.upper.value == pytest.approx(73.862, abs=1e-3)
    assert "+/- 1.96 standard deviations" in found.basis
    assert "exact intervals" in found.basis


def test_the_intervals_of_1986_come_out_of_the_paper_s_own_formula() -> None:
    found = agreed(limits_of_agreement(single_pairs(), multiple=2.0))
    assert found.bias.low == pytest.approx(-22.0488, abs=1e-4)  # computed, Student's t with 16
    assert found.bias.high == pytest.approx(17.8135, abs=1e-4)
    assert found.limit_error == pytest.approx(16.28461, abs=1e-5)
    # Printed in the paper, from memory: -22.0 to 17.8, -114.3 to -45.1, 40.9 to 110.1. It goes on
    # with rounded values, which explains up to 0.2.
    reach = student_quantile(0.975, 16) * found.limit_error
    assert found.lower.value - reach == pytest.approx(-114.3, abs=0.2)
    assert found.lower.value + reach == pytest.approx(-45.1, abs=0.2)
    assert found.upper.value - reach == pytest.approx(40.9, abs=0.2)
    assert found.upper.value + reach == pytest.approx(110.1, abs=0.2)


def test_a_limit_s_interval_is_the_exact_one_of_a_normal_quantile() -> None:
    # Computed with a reference library's noncentral t distribution.
    found, n = agreed(limits_of_agreement(single_pairs())), 17
    low, high = stats.nct.ppf([0.025, 0.975], n - 1, 1.96 * math.sqrt(n)) / math.sqrt(n)
    assert found.upper.low == pytest.approx(found.bias.value + low * found.spread, rel=1e-6)
    assert found.upper.high == pytest.approx(found.bias.value + high * found.spread, rel=1e-6)
    assert found.lower.low == pytest.approx(found.bias.value - high * found.spread, rel=1e-6)
    assert found.lower.high == pytest.approx(found.bias.value - low * found.spread, rel=1e-6)


def test_repeatability_of_both_meters_is_that_of_1986() -> None:
    # Computed: root of the mean square of the two readings' difference, and twice it. The paper
    # prints 43.2 and 56.4, from memory, which its own rounding explains to 0.1.
    for first, second, rms, printed in (
        (WRIGHT_1, WRIGHT_2, 21.6469, 43.2),
        (MINI_1, MINI_2, 28.1582, 56.4),
    ):
        repeats = [[float(a), float(b)] for a, b in zip(first, second, strict=True)]
        found = repeatability(repeats, multiple=2.0)
        assert math.sqrt(2.0) * found.deviation == pytest.approx(rms, abs=1e-4)
        assert found.coefficient == pytest.approx(2.0 * rms, abs=2e-4)
        assert found.coefficient == pytest.approx(printed, abs=0.1)
        assert found.freedom == 17


def test_limits_of_single_readings_put_back_what_means_of_two_hide() -> None:
    wright = [[float(a), float(b)] for a, b in zip(WRIGHT_1, WRIGHT_2, strict=True)]
    mini = [[float(a), float(b)] for a, b in zip(MINI_1, MINI_2, strict=True)]
    found = agreed(limits_from_repeats(wright, hand=mini, multiple=2.0))
    assert found.bias.value == pytest.approx(-6.029412, abs=1e-6)  # computed
    assert found.between == pytest.approx(33.204137, abs=1e-6)
    assert found.spread == pytest.approx(37.65478, abs=1e-5)
    assert found.spread == pytest.approx(37.7, abs=0.05)  # printed in the paper, from memory
    assert "approximate" in found.basis


def test_repeated_pairs_give_the_variance_components_of_2007() -> None:
    found = agreed(limits_of_agreement(repeated_pairs()))
    assert (found.places, found.pairs) == (12, 60)
    assert found.bias.value == pytest.approx(0.60, abs=0.005)  # printed, from memory
    # Within-subject variances of 0.1072 for RV and 0.1379 for IC are printed in 1999, from memory:
    # they say that the copy of the data is a good one.
    for method, printed in (("embedded", 0.1072), ("hand", 0.1379)):
        repeats: dict[str, list[float]] = {}
        for pair in repeated_pairs():
            repeats.setdefault(pair.place, []).append(getattr(pair, method))
        assert repeatability([*repeats.values()]).deviation ** 2 == pytest.approx(
            printed, abs=0.00005
        )
    # Computed with an analysis of variance by another library.
    groups: dict[str, list[float]] = {}
    for pair in repeated_pairs():
        groups.setdefault(pair.place, []).append(pair.difference)
    ratio = float(stats.f_oneway(*groups.values()).statistic)
    assert found.within is not None
    inside = found.within**2
    sizes = np.array([len(group) for group in groups.values()])
    each = (60 - (sizes**2).sum() / 60) / 11
    assert found.between is not None
    assert found.between**2 == pytest.approx((ratio - 1.0) * inside / each, rel=1e-9)
    assert found.spread**2 == pytest.approx(found.between**2 + inside, rel=1e-12)


def test_repeated_pairs_agree_with_a_mixed_model_of_another_library() -> None:
    # Restricted likelihood, which differs from the analysis of variance where groups are uneven:
    # the components agree within 8 % here.
    module: Any = import_module("statsmodels.regression.mixed_linear_model")
    pairs = repeated_pairs()
    differences = np.array([pair.difference for pair in pairs])
    places = np.array([pair.place for pair in pairs])
    fitted = module.MixedLM(differences, np.ones((60, 1)), places).fit(reml=True)
    found = agreed(limits_of_agreement(pairs))
    assert found.within is not None
    assert found.between is not None
    assert found.within**2 == pytest.approx(fitted.scale, rel=0.08)
    assert found.between**2 == pytest.approx(float(fitted.cov_re[0, 0]), rel=0.08)


def test_taking_repeats_for_independent_would_claim_to_know_the_limits_too_well() -> None:
    pairs = repeated_pairs()
    naive = agreed(
        limits_of_agreement([Pair(p.embedded, p.hand, f"{i}") for i, p in enumerate(pairs)])
    )
    found = agreed(limits_of_agreement(pairs))
    assert found.bias.high - found.bias.low > 1.8 * (naive.bias.high - naive.bias.low)
    assert found.upper.high - found.upper.low > 1.8 * (naive.upper.high - naive.upper.low)


@pytest.mark.parametrize("freedom", [1.0, 2.0, 5.0, 16.0, 300.0])
@pytest.mark.parametrize("shift", [-8.0, 0.0, 2.8, 60.0])
def test_the_noncentral_t_distribution_is_that_of_a_reference_library(
    freedom: float, shift: float
) -> None:
    for t in (-3.0, 0.0, 1.5, 9.0, 60.0):
        expected = float(stats.nct.cdf(t, freedom, shift))
        found = noncentral_t_below(t, freedom=freedom, shift=shift)
        # The library gives no number for what is next to certain.
        assert found == pytest.approx(round(found) if math.isnan(expected) else expected, abs=1e-8)
    for probability in (0.025, 0.5, 0.975):
        expected = float(stats.nct.ppf(probability, freedom, shift))
        found = noncentral_t_quantile(probability, freedom=freedom, shift=shift)
        assert found == pytest.approx(expected, rel=1e-7)
