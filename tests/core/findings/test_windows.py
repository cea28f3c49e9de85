"""Windows of readings: what counts, what is covered, and that pandas averages them the same."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.findings.windows import Windows, coarser, windows_of
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.flags import Flag, Reason

HOUR = 3_600_000


def of(
    times: list[int],
    values: list[float],
    flags: list[int] | None = None,
    reasons: list[int] | None = None,
    *,
    windows: int = 2,
) -> Windows:
    return windows_of(
        times,
        values=values,
        uncertainties=[0.5] * len(times),
        flags=[Flag.PASS] * len(times) if flags is None else flags,
        reasons=[Reason.NONE] * len(times) if reasons is None else reasons,
        edges=[HOUR * n for n in range(windows + 1)],
        every=HOUR / 4,
    )


def quarters(hours: float) -> list[int]:
    return [int(n * HOUR / 4) for n in range(int(4 * hours))]


def test_a_window_has_the_mean_of_its_good_readings_and_no_less_doubt_than_they() -> None:
    flags = [1, 1, 3, 1, 1, 4, 9, 1]
    found = of(quarters(2), [10, 12, 99, 14, 20, 99, 99, 22], flags)
    assert found.means.tolist() == [12, 21]
    assert found.uncertainties.tolist() == [0.5, 0.5]
    assert found.covered.tolist() == [0.75, 0.5]


def test_a_window_that_is_covered_too_little_has_no_mean() -> None:
    found = of([0, HOUR // 4, HOUR], [10, 12, 30], windows=3)
    assert found.means[0] == 11
    assert np.isnan(found.means[1:]).all()
    assert np.isnan(found.uncertainties[1:]).all()
    assert found.covered.tolist() == [0.5, 0.25, 0]


def test_a_mean_of_bounds_is_a_bound() -> None:
    reasons = [0, Reason.WETTER_THAN_CURVE, 0, 0, 0, Reason.DRIER_THAN_CURVE, 0, 0]
    found = of(quarters(2), [25.0] * 8, reasons=reasons)
    assert (found.at_least.tolist(), found.at_most.tolist()) == ([True, False], [False, True])


def test_what_lies_outside_the_windows_does_not_count() -> None:
    found = of([-1, 0, 1, 2 * HOUR - 1, 2 * HOUR], [99, 1, 3, 5, 99])
    assert found.means[0] == 2
    assert found.covered.tolist() == [0.5, 0.25]


@given(st.lists(st.tuples(st.integers(0, 48 * HOUR - 1), st.floats(0, 40)), max_size=60))
def test_pandas_averages_the_same(readings: list[tuple[int, float]]) -> None:
    readings = sorted(readings)
    times, values = [t for t, _ in readings], [v for _, v in readings]
    found = windows_of(
        times,
        values=values,
        uncertainties=np.ones(len(times)),
        flags=np.ones(len(times)),
        reasons=np.zeros(len(times)),
        edges=np.arange(0, 49, 6) * HOUR,
        every=HOUR,
        least=0.0,
    )
    index = pd.to_datetime(times, unit="ms")
    windows = pd.Series(values, index=index, dtype=float).resample("6h", origin="epoch").mean()
    days = pd.to_datetime(np.arange(0, 48, 6) * HOUR, unit="ms")
    np.testing.assert_allclose(found.means, windows.reindex(days).to_numpy(), rtol=1e-9)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"times": [1, 0]}, "times that rise"),
        ({"times": [1]}, "as many as"),
        ({"edges": [5, 5]}, "that rise"),
        ({"every": 0}, "more than 0 ms"),
        ({"least": 1.1}, "0 to 1"),
    ],
)
def test_what_can_not_be_averaged_is_refused(more: dict[str, object], says: str) -> None:
    asked: dict[str, object] = {
        "times": [0, 1],
        "values": [1, 2],
        "uncertainties": [1, 1],
        "flags": [1, 1],
        "reasons": [0, 0],
        "edges": [0, 10],
        "every": 1.0,
    } | more
    with pytest.raises(PhysicsError, match=says):
        windows_of(asked.pop("times"), **asked)  # type: ignore[arg-type]  # wrong on purpose


def test_coarser_windows_are_those_of_the_readings_where_all_are_there() -> None:
    random = np.random.default_rng(5)
    times = quarters(24)
    values = random.normal(15.0, 1.0, len(times)).tolist()
    hourly = of(times, values, windows=24)
    wide = windows_of(
        times,
        values=values,
        uncertainties=[0.5] * len(times),
        flags=[Flag.PASS] * len(times),
        reasons=[Reason.NONE] * len(times),
        edges=[3 * HOUR * n for n in range(9)],
        every=HOUR / 4,
    )
    found = coarser(hourly, 0, 24, by=3)
    np.testing.assert_allclose(found.means, wide.means)
    np.testing.assert_allclose(found.uncertainties, wide.uncertainties)
    assert len(coarser(hourly, 1, 24, by=3).means) == 7  # what is left over at the end is left out
    assert len(coarser(hourly, 4, 4, by=3).means) == 0


def test_a_coarser_window_is_known_where_half_of_its_own_are_and_a_bound_where_one_is() -> None:
    means = np.array([1.0, np.nan, 3.0, np.nan, np.nan, 6.0, 7.0, 8.0])
    edge = np.array([False] * 7 + [True])
    none = np.zeros(8, dtype=bool)
    hourly = Windows(means, means / 10.0, np.ones(8), edge, none)
    found = coarser(hourly, 0, 8, by=4)
    np.testing.assert_allclose(found.means, [2.0, 7.0])
    assert found.at_least.tolist() == [False, True]
    assert np.isnan(coarser(hourly, 1, 5, by=4).means).all()
