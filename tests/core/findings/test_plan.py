"""How many specimens and probes a difference takes, and whether simulated tests bear it out."""

from typing import Any

import numpy as np
import pytest

from longsoak.core.findings.plan import Design, Spread, plan, power_of
from longsoak.core.regression import student_quantile
from longsoak.vocabulary.errors import PhysicsError

SPREAD = Spread(specimens=1.2, differences=0.6, places=1.0, reading=0.4)


def test_more_probes_help_only_as_far_as_specimens_are_alike() -> None:
    needs = plan(1.5, spread=SPREAD, design=Design.SEPARATE, probes=(1, 4, 1000))
    assert [need.probes for need in needs] == [1, 4, 1000]
    few, some, many = (need.specimens for need in needs)
    assert few > some > many > 5  # between specimens nothing is gained
    side_by_side = plan(1.5, spread=SPREAD, design=Design.PAIRED, probes=(4,))
    assert side_by_side[0].specimens < some


def test_one_specimen_speaks_of_itself_only() -> None:
    (need,) = plan(1.5, spread=SPREAD, design=Design.ONE_SPECIMEN)
    assert need.specimens == 1
    assert need.unit == "this specimen only: places in it are what is replicated"


def test_a_difference_too_small_for_a_thousand_specimens_has_no_plan() -> None:
    assert plan(0.001, spread=SPREAD, design=Design.SEPARATE) == ()
    assert plan(0.001, spread=SPREAD, design=Design.ONE_SPECIMEN) == ()


def test_a_difference_far_beyond_the_scatter_is_found_for_sure() -> None:
    found = power_of(1e6, spread=SPREAD, design=Design.SEPARATE, specimens=2, probes=1)
    assert found == 1.0


@pytest.mark.parametrize("difference", [0.0, 1.5])
@pytest.mark.parametrize("design", Design)
def test_simulated_tests_find_the_difference_as_often_as_the_plan_says(
    design: Design, difference: float
) -> None:
    # 20,000 tests know a share of 80 % to 0.6 % and one of 5 % to 0.3 % (two standard deviations).
    random, runs, probes = np.random.default_rng(4), 20_000, 3
    specimens = 1 if design is Design.ONE_SPECIMEN else 6
    probes = 9 if specimens == 1 else probes
    shape = (runs, specimens, probes)
    own = 1.2 * random.standard_normal((2, runs, specimens, 1))
    if design is Design.PAIRED:
        own[1] = own[0] + 0.6 * random.standard_normal((runs, specimens, 1))
    elif design is Design.ONE_SPECIMEN:
        own[:] = 0.0
    kinds = own + random.standard_normal((2, *shape))
    kinds = kinds + 0.4 / np.sqrt(2.0) * random.standard_normal((2, *shape))  # two readings each
    kinds[0] += difference
    rows = kinds[:, :, 0, :] if design is Design.ONE_SPECIMEN else kinds.mean(axis=3)
    if design is Design.PAIRED:
        apart = rows[0] - rows[1]
        count = apart.shape[1]
        t = apart.mean(axis=1) / (apart.std(axis=1, ddof=1) / np.sqrt(count))
        freedom = count - 1
    else:
        count = rows.shape[2]
        error = np.sqrt(rows.var(axis=2, ddof=1).sum(axis=0) / count)
        t = (rows[0].mean(axis=1) - rows[1].mean(axis=1)) / error
        freedom = 2 * (count - 1)
    found = float((np.abs(t) > student_quantile(0.975, freedom)).mean())
    expected = 0.05
    if difference:
        expected = power_of(
            difference, spread=SPREAD, design=design, specimens=specimens, probes=probes, readings=2
        )
    assert found == pytest.approx(expected, abs=0.008)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"difference": 0.0}, "difference is 0"),
        ({"specimens": 1}, "specimens is 1, expected a whole number, 2 to 1000"),
        ({"design": Design.ONE_SPECIMEN, "specimens": 2}, "specimens is 2, expected 1"),
        ({"design": Design.ONE_SPECIMEN, "specimens": 1, "probes": 1}, "probes is 1"),
        ({"readings": 0}, "readings is 0"),
        ({"level": 0.9}, r"level is 0\.9"),
        (
            {"spread": Spread(specimens=-1.0, differences=0.0, places=0.0, reading=0.0)},
            "spread between specimens is -1",
        ),
        (
            {"spread": Spread(specimens=0.0, differences=0.0, places=0.0, reading=0.0)},
            "spread is all 0",
        ),
    ],
)
def test_bad_arguments_are_told(change: dict[str, Any], says: str) -> None:
    good: dict[str, Any] = {
        "difference": 1.0,
        "spread": SPREAD,
        "design": Design.SEPARATE,
        "specimens": 4,
        "probes": 2,
    }
    asked = good | change
    with pytest.raises(PhysicsError, match=says):
        power_of(asked.pop("difference"), **asked)
    with pytest.raises(PhysicsError, match=r"power is 0\.2"):
        plan(1.0, spread=SPREAD, design=Design.SEPARATE, power=0.2)
