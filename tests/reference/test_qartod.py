"""Quality checks against `ioos_qc` on the same arrays, for every check that both have.

Where the two differ, a test says so. The QARTOD manuals themselves were not read: the package is
the measure, and the flags noted of its version 3.0.0 on the sheet are computed.
"""

from math import inf, isnan, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ioos_qc import qartod

from longsoak.core.judge import SPANS, gross_range
from longsoak.core.quality.checks import (
    FAIL,
    MISSING,
    NOT_EVALUATED,
    PASS,
    SUSPECT,
    Before,
    Close,
    Expected,
    Pending,
    Rate,
    Run,
    Spike,
    piece_of,
)
from longsoak.vocabulary.rig import Kind

EVERY = 60
VALUES = st.floats(-50, 150, width=32)
SERIES = st.lists(VALUES, min_size=3, max_size=60)
WITH_HOLES = st.lists(VALUES | st.just(nan), min_size=3, max_size=60)
COARSE = st.lists(st.sampled_from([1.0, 1.0, 1.0, 1.1, 1.25, 2.0]), min_size=3, max_size=60)


def seconds(n: int) -> list[float]:
    return [float(EVERY * i) for i in range(n)]


def times(n: int) -> np.ndarray:
    start = np.datetime64("2026-01-01T00:00:00")
    return start + np.arange(n) * np.timedelta64(EVERY, "s")


def flags(found: np.ndarray) -> list[int]:
    return [int(flag) for flag in found]


def spiked(check: Spike, values: list[float]) -> list[int]:
    found, _ = check.step(piece_of(seconds(len(values)), values), Pending())
    return [*found, MISSING if isnan(values[-1]) else NOT_EVALUATED]  # nothing follows the last


def rated(check: Rate, values: list[float]) -> list[int]:
    return check.step(piece_of(seconds(len(values)), values), Before())[0]


def close(check: Close, values: list[float]) -> list[int]:
    return check.step(piece_of(seconds(len(values)), values), Run())[0]


@pytest.mark.parametrize("kind", [Kind.HUMIDITY, Kind.TEMPERATURE, Kind.LEVEL, Kind.PUMP_CURRENT])
@given(WITH_HOLES | st.just([0.0, 1.0, 100.0, 105.0, -40.0, -20.0, 60.0, 80.0, inf, -inf]))
def test_gross_range_equals_the_package(kind: Kind, values: list[float]) -> None:
    """On a bound a reading passes, infinity fails, NaN is missing: to both."""
    span = SPANS[kind]
    theirs = qartod.gross_range_test(values, fail_span=span.fail, suspect_span=span.suspect)
    assert [int(gross_range(value, kind)[0]) for value in values] == flags(theirs)


@given(WITH_HOLES)
def test_spikes_equal_its_differential_method(values: list[float]) -> None:
    theirs = qartod.spike_test(values, 2.0, 5.0, method="differential")
    assert spiked(Spike(2.0, 5.0), values) == flags(theirs)


@given(WITH_HOLES)
def test_the_rate_of_change_equals_but_for_readings_that_have_none(values: list[float]) -> None:
    theirs = flags(qartod.rate_of_change_test(values, times(len(values)), 0.02, 0.12))
    for i, (ours, theirs_at) in enumerate(
        zip(rated(Rate(0.02, 0.12), values), theirs, strict=True)
    ):
        if ours == NOT_EVALUATED:  # there they pass
            assert theirs_at == PASS
            assert i == 0 or np.isnan(values[i - 1])
        else:
            assert ours == theirs_at


@given(COARSE)
def test_a_flat_line_equals_but_before_there_is_one_window(values: list[float]) -> None:
    """A span of three periods is four readings to both."""
    theirs = flags(qartod.flat_line_test(values, times(len(values)), 180, 300, 0.2))
    ours = close(Close(0.2, EVERY, suspect=4, fail=6), values)
    for ours_at, theirs_at in zip(ours, theirs, strict=True):
        assert theirs_at == (PASS if ours_at == NOT_EVALUATED else ours_at)


@given(COARSE)
def test_an_attenuated_signal_equals_its_range_over_a_window(values: list[float]) -> None:
    theirs = flags(
        qartod.attenuated_signal_test(
            values,
            times(len(values)),
            suspect_threshold=0.3,
            fail_threshold=0.15,
            test_period=240,
            min_obs=4,
            check_type="range",
        )
    )
    weak = close(Close(0.3, EVERY, suspect=4), values)
    dead = close(Close(0.15, EVERY, fail=4), values)
    assert [max(pair) for pair in zip(weak, dead, strict=True)] == theirs


def test_flags_on_the_sheet() -> None:
    """Computed with the package's version 3.0.0, and noted there."""
    row = [10.0, 10, 10, 20, 10, 10, 13, 10, 10]
    assert spiked(Spike(2, 5), row) == [2, 1, 1, 4, 1, 1, 3, 1, 2]
    assert spiked(Spike(2, 5), [10, 10, nan, 20, 10, 10, 12, 10, 10]) == [2, 2, 9, 2, 1, 1, 1, 1, 2]
    found = rated(Rate(0.02, 0.12), [20, 20.5, 21, 30, 30, nan, 25, 25, 0])
    assert found == [2, 1, 1, 4, 1, 9, 2, 1, 4]  # there 1 where no rate exists
    still = [1.0, 2, 2, 2, 2, 2, 2, 2, 3, 4]
    assert close(Close(0.01, EVERY, suspect=4, fail=6), still) == [2, 2, 2, 1, 3, 3, 4, 4, 1, 1]
    assert close(Close(0.0, EVERY, suspect=4), still)[3:] == [PASS] * 7


def test_a_gap_ends_a_window_which_the_package_can_not_see() -> None:
    at = [0.0, 60, 120, 180, 3780, 3840]
    values = [1.0, 2, 2, 2, 2, 3]
    theirs = qartod.flat_line_test(
        values,
        np.datetime64("2026-01-01T00:00:00") + np.array(at).astype("timedelta64[s]"),
        180,
        300,
        0.01,
    )
    assert flags(theirs)[4] == SUSPECT
    ours, _ = Close(0.01, EVERY, suspect=4, fail=6).step(piece_of(at, values), Run())
    assert ours[4] == NOT_EVALUATED


def test_what_is_missing_leaves_the_rest_of_its_window_to_be_judged() -> None:
    """There it makes an attenuated signal "not evaluated" for a whole window."""
    values = [1.0, 1.0, nan, 1.0, 1.0, 1.0]
    theirs = qartod.attenuated_signal_test(
        values, times(6), 0.3, 0.1, test_period=240, min_obs=4, check_type="range"
    )
    assert flags(theirs) == [2, 2, 9, 2, 2, 2]
    assert close(Close(0.1, EVERY, fail=4), values) == [2, 2, MISSING, 2, FAIL, FAIL]


@pytest.mark.parametrize("backwards", [False, True])
def test_a_rate_counts_both_ways(backwards: bool) -> None:
    values = [0.0, 10.0]
    assert rated(Rate(0.02), values[::-1] if backwards else values)[1] == SUSPECT


@given(WITH_HOLES | st.just([10.0, 20.0, inf, -inf]))
def test_an_expected_band_equals_its_climatology_but_never_fails(values: list[float]) -> None:
    """On an end it passes, beyond it is suspect: to both. Its span of failure is not used here."""
    config = qartod.ClimatologyConfig()
    first, last = np.datetime64("2026-01-01"), np.datetime64("2026-12-31")
    config.add(tspan=(first, last), vspan=(10.0, 20.0))
    depth = np.zeros(len(values))
    theirs = qartod.climatology_test(config, values, times(len(values)), depth)
    assert Expected(10.0, 20.0).flags(values) == flags(theirs)
