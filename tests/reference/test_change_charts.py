"""CUSUM, EWMA, Theil-Sen and Mann-Kendall against what others work out.

The data of the NIST/SEMATECH e-Handbook (6.3.2.3 and 6.3.2.4) are from memory, its results computed
from them. Run lengths are computed with a Markov chain of 400 states; a textbook's table, from
memory, agrees with it to print.
"""

from operator import itemgetter
from random import Random
from statistics import fmean, stdev

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from longsoak.core.quality.change import Cusum, Ewma, Sums
from longsoak.core.quality.trend import mann_kendall, theil_sen

first = itemgetter(0)
# From memory.
CUSUM_DATA = (
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
)
EWMA_DATA = (
    *(52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
    *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
)
# Computed from them.
CUSUM_HIGH = (*(0,) * 4, 0.03, *(0,) * 7, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04)
CUSUM_LOW = (0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, *(0,) * 9)
EWMA_MEANS = (
    *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
    *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
)
# Shift in standard deviations: average run length of a two-sided chart with k = 1/2. Computed.
RUN_LENGTHS = {
    4.0: {0.0: 167.7, 0.5: 26.6, 1.0: 8.38, 2.0: 3.34},
    5.0: {0.0: 465.4, 0.5: 38.0, 1.0: 10.38, 2.0: 4.01},
}


def test_the_handbooks_cusum() -> None:
    chart, sums = Cusum(0.3175, 4.1959), Sums()
    signals = []
    for value, high, low in zip(CUSUM_DATA, CUSUM_HIGH, CUSUM_LOW, strict=True):
        sums = chart.step(sums, value - 325)
        assert sums.high == pytest.approx(high, abs=0.011)
        assert sums.low == pytest.approx(low, abs=0.011)
        signals.append(chart.signal(sums))
    assert signals.index(1) + 1 == 14


def test_the_handbooks_ewma() -> None:
    chart, average = Ewma(0.3, 3, 2.0539), 0.0
    assert 50 + chart.limit == pytest.approx(52.5884, abs=1e-4)
    for value, mean in zip(EWMA_DATA, EWMA_MEANS, strict=True):
        average = chart.step(average, value - 50)
        assert 50 + average == pytest.approx(mean, abs=0.006)
        assert chart.signal(average) == 0
    assert chart.signal(chart.limit + 0.01) == 1
    assert chart.signal(-chart.limit - 0.01) == -1


@pytest.mark.parametrize("decision", RUN_LENGTHS)
@pytest.mark.parametrize("shift", [0.0, 0.5, 1.0, 2.0])
def test_run_lengths_agree_with_the_markov_chain(decision: float, shift: float) -> None:
    """Within four standard errors of 2,000 runs."""
    chart, source = Cusum(0.5, decision), Random(f"{decision} {shift}")  # noqa: S311 - draws, not secrets
    lengths = []
    for _ in range(2000 if shift else 500):
        sums, n = Sums(), 0
        while not chart.signal(sums):
            sums = chart.step(sums, source.gauss(shift, 1.0))
            n += 1
        lengths.append(n)
    error = stdev(lengths) / len(lengths) ** 0.5
    assert abs(fmean(lengths) - RUN_LENGTHS[decision][shift]) < 4 * error


POINTS = st.lists(
    st.tuples(st.integers(0, 60), st.integers(-9, 9)), min_size=2, max_size=40, unique_by=first
)


@given(POINTS)
def test_theil_sen_agrees_with_scipy(points: list[tuple[int, int]]) -> None:
    x, y = zip(*sorted(points), strict=True)
    ours, theirs = theil_sen(x, y), stats.theilslopes(y, x)
    assert ours.slope == pytest.approx(theirs.slope)
    assert ours.low == pytest.approx(theirs.low_slope)
    assert ours.high == pytest.approx(theirs.high_slope)


def test_values_of_one_moment_have_no_slope() -> None:
    with pytest.raises(ValueError, match="different times"):
        theil_sen([3, 3], [1, 2])


def test_trends_on_the_sheet() -> None:
    """Computed with pymannkendall 1.4.3 and scipy 1.17.1."""
    row = [1, 2, 3, 4, 5, 4, 6, 8, 7, 9]
    slope, trend = theil_sen(range(10), row), mann_kendall(row)
    assert slope == pytest.approx((0.888889, 0.666667, 1.0), abs=1e-6)
    assert (trend.s, trend.variance) == (40, 124)
    assert (trend.z, trend.p) == pytest.approx((3.50230, 4.6125e-4), rel=1e-4)
    assert mann_kendall([5] * 6) == (0, 0, 0, 1)
    trend = mann_kendall([23, 24, 29, 6, 29, 24, 24, 29, 23])
    assert trend == pytest.approx((3, 83.6667, 0.218652, 0.826921), rel=1e-5)


@given(st.lists(st.floats(-5, 5, width=32), min_size=3, max_size=30, unique=True))
def test_mann_kendalls_s_is_kendalls_tau_without_ties(row: list[float]) -> None:
    tau = stats.kendalltau(range(len(row)), row).statistic
    pairs = len(row) * (len(row) - 1) / 2
    assert mann_kendall(row).s == pytest.approx(tau * pairs)
