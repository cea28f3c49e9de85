"""The length of bootstrap blocks, and the worth of a mean, against theory and others' computations.

The block length is second hand (Politis and White 2004, corrected 2009; the formulas as the
documentation of two public statistics packages has them). Expected values are computed.
"""

import math
from importlib import import_module
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from longsoak.core.findings.serial import autocovariances, block_length, worth_of_mean


def remembering(seed: int, count: int, memory: float) -> NDArray[np.float64]:
    new = np.random.default_rng(seed).standard_normal(count)
    row = np.empty(count)
    row[0] = new[0]
    for i in range(1, count):
        row[i] = memory * row[i - 1] + math.sqrt(1.0 - memory**2) * new[i]
    return row


def as_published(x: list[float]) -> int:
    """The same rule written once more, from the formulas, with plain sums."""
    n = len(x)
    mean = math.fsum(x) / n
    run = max(5, math.ceil(math.log10(n)))
    most = math.ceil(math.sqrt(n)) + run

    def gamma(k: int) -> float:
        return math.fsum((x[i] - mean) * (x[i + k] - mean) for i in range(n - k)) / n

    gammas = [gamma(k) for k in range(most + 1)]
    band = 2.0 * math.sqrt(math.log10(n) / n)
    m = next(
        (
            m
            for m in range(most - run + 1)
            if all(abs(gammas[m + j] / gammas[0]) < band for j in range(1, run + 1))
        ),
        None,
    )
    if m is None:
        m = max(k for k in range(1, most + 1) if abs(gammas[k] / gammas[0]) >= band)
    width = min(2 * max(m, 1), most)
    g = level = 0.0
    for k in range(-width, width + 1):
        window = min(1.0, 2.0 * (1.0 - abs(k) / width))
        g += window * abs(k) * gammas[abs(k)]
        level += window * gammas[abs(k)]
    best = ((2.0 * g**2) / (4.0 / 3.0 * level**2)) ** (1.0 / 3.0) * n ** (1.0 / 3.0)
    longest = math.ceil(min(3.0 * math.sqrt(n), n / 3.0))
    return int(max(1, min(math.ceil(best), longest)))


@pytest.mark.parametrize("memory", [-0.4, 0.0, 0.3, 0.6, 0.9, 0.97])
@pytest.mark.parametrize("count", [60, 270, 900])
def test_the_block_length_is_that_of_the_published_formulas(memory: float, count: int) -> None:
    row = remembering(count, count, memory)
    assert block_length(row) == as_published(row.tolist())


@pytest.mark.parametrize("memory", [0.3, 0.5, 0.7])
def test_the_block_length_of_a_long_series_is_that_of_theory(memory: float) -> None:
    # For an autoregression of the first order the sums have closed forms, and the best length is
    # (6 r^2 / (1 - r^2)^2 n)^(1/3); computed. Estimated spectra leave a scatter of some 10 %.
    n = 60_000
    best = (6.0 * memory**2 / (1.0 - memory**2) ** 2 * n) ** (1.0 / 3.0)
    assert block_length(remembering(1, n, memory)) == pytest.approx(best, rel=0.15)


def test_autocovariances_are_those_of_another_library() -> None:
    module: Any = import_module("statsmodels.tsa.stattools")
    row = remembering(3, 400, 0.8)
    expected = module.acovf(row, adjusted=False, fft=False, nlag=20)
    assert autocovariances(row, 20) == pytest.approx(expected, rel=1e-9)


def test_gaps_leave_autocovariances_near_those_of_the_whole() -> None:
    row = remembering(4, 40_000, 0.7)
    holed = row.copy()
    holed[np.random.default_rng(1).random(40_000) < 0.3] = math.nan
    assert autocovariances(holed, 5) == pytest.approx(autocovariances(row, 5), abs=0.03)


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.9])
def test_the_worth_of_a_mean_is_that_of_theory(memory: float) -> None:
    # Effective number n (1 - r)/(1 + r); computed. Of long series it is known to some 10 %, and
    # the widest of several lengths of averaging counts, which finds fewer rather than more.
    row = remembering(2, 100_000, memory)
    half = worth_of_mean(row, confidence=0.95).half_width
    theory = 1.96 * math.sqrt((1.0 + memory) / (1.0 - memory) / 100_000)
    assert 0.97 * theory <= half <= 1.6 * theory
