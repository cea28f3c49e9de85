"""Numbers of specimens and probes against another library's power functions. Computed."""

import math
from importlib import import_module
from typing import Any

import pytest

from longsoak.core.findings.plan import Design, Spread, plan, power_of

power: Any = import_module("statsmodels.stats.power")  # ships no types


def agrees(found: float, expected: float) -> bool:
    """Whether two powers are the same; the other library has no number for some near 1."""
    return found > 0.99 if math.isnan(expected) else abs(found - expected) < 1e-7


SPREAD = Spread(specimens=1.2, differences=0.6, places=1.0, reading=0.4)


@pytest.mark.parametrize("specimens", [2, 3, 6, 20])
@pytest.mark.parametrize("probes", [1, 4])
@pytest.mark.parametrize("difference", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("level", [0.05, 0.01])
def test_power_is_that_of_the_other_library(
    specimens: int, probes: int, difference: float, level: float
) -> None:
    within = 1.0**2 + 0.4**2 / 3
    common: dict[str, Any] = {"spread": SPREAD, "readings": 3, "level": level}
    separate = power_of(
        difference, design=Design.SEPARATE, specimens=specimens, probes=probes, **common
    )
    sd = math.sqrt(1.2**2 + within / probes)
    assert agrees(separate, power.TTestIndPower().power(difference / sd, specimens, level))
    paired = power_of(
        difference, design=Design.PAIRED, specimens=specimens, probes=probes, **common
    )
    sd = math.sqrt(0.6**2 + 2.0 * within / probes)
    assert agrees(paired, power.TTestPower().power(difference / sd, specimens, level))
    alone = power_of(
        difference, design=Design.ONE_SPECIMEN, specimens=1, probes=probes + 1, **common
    )
    sd = math.sqrt(within)
    assert agrees(alone, power.TTestIndPower().power(difference / sd, probes + 1, level))


@pytest.mark.parametrize("wanted", [0.8, 0.95])
def test_the_fewest_specimens_are_those_the_other_library_solves_for(wanted: float) -> None:
    for need in plan(
        1.5, spread=SPREAD, design=Design.SEPARATE, probes=(1, 3, 8), power=wanted, readings=3
    ):
        sd = math.sqrt(1.2**2 + (1.0 + 0.16 / 3) / need.probes)
        solved = power.TTestIndPower().solve_power(1.5 / sd, power=wanted, alpha=0.05)
        assert need.specimens == math.ceil(float(solved))
        assert need.power >= wanted
    (alone,) = plan(1.5, spread=SPREAD, design=Design.ONE_SPECIMEN, power=wanted, readings=3)
    solved = power.TTestIndPower().solve_power(
        1.5 / math.sqrt(1.0 + 0.16 / 3), power=wanted, alpha=0.05
    )
    assert (alone.specimens, alone.probes) == (1, math.ceil(float(solved)))
