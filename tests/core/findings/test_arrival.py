"""When water reached a probe: found in simulated courses, and not found where there is none."""

import math

import numpy as np
import pytest

from longsoak.core.findings.arrival import Arrival, arrival_of
from longsoak.core.uptake import Undetermined
from longsoak.vocabulary.errors import PhysicsError

HOURS = 600
RISE = 1.0


def course(random: np.random.Generator, came: float, *, pace: float = 200.0) -> np.ndarray:
    """Hourly means that rise from 12 % towards 28 % from `came` on."""
    hours = np.arange(HOURS) + 0.5
    rise = 16.0 * (1.0 - np.exp(-np.maximum(0.0, hours - came) / pace))
    return np.asarray(12.0 + rise + random.normal(0.0, 0.1, HOURS))


def before(random: np.random.Generator) -> np.ndarray:
    return 12.0 + random.normal(0.0, 0.1, 168)


@pytest.mark.parametrize(("pace", "most"), [(50.0, 3.0), (200.0, 3.0), (500.0, 7.0)])
def test_the_onset_lies_within_hours_of_when_the_water_came(pace: float, most: float) -> None:
    """The slower the rise, the longer it hides in the scatter: that of days in some hours."""
    random = np.random.default_rng(1)
    off = []
    for _ in range(100):
        came = random.uniform(50.0, 400.0)
        found = arrival_of(before(random), course(random, came, pace=pace), rise=RISE)
        assert isinstance(found, Arrival)
        assert found.before < found.at
        off.append(found.onset + 0.5 - came)
    assert abs(float(np.mean(off))) < most
    assert float(np.max(np.abs(off))) < 6 * most


def test_a_dry_probe_is_not_reached_and_a_wet_day_is_no_arrival() -> None:
    random = np.random.default_rng(2)
    dry = 12.0 + random.normal(0.0, 0.1, HOURS)
    for _ in range(100):
        assert arrival_of(before(random), 12.0 + random.normal(0, 0.1, HOURS), rise=RISE) is None
    dry[100:110] += 5.0  # ten hours, and dry again
    assert arrival_of(before(random), dry, rise=RISE) is None


def test_what_is_not_known_in_between_is_no_arrival_by_itself() -> None:
    random = np.random.default_rng(3)
    wet = course(random, 200.0)
    wet[180:260] = math.nan  # nobody looked while it came
    found = arrival_of(before(random), wet, rise=RISE)
    assert isinstance(found, Arrival)
    assert (found.before, found.at) == (179, 260)
    wet[260:] = math.nan
    assert arrival_of(before(random), wet, rise=RISE) is None


def test_without_a_day_before_nothing_can_be_told() -> None:
    found = arrival_of([12.0] * 23, [20.0] * 100, rise=RISE)
    assert isinstance(found, Undetermined)
    assert found.why.startswith("23 hours known before the water, and at least 24 are needed")


def test_bad_arguments_are_told() -> None:
    with pytest.raises(PhysicsError, match="rise is 0"):
        arrival_of([12.0] * 30, [12.0] * 30, rise=0.0)
    with pytest.raises(PhysicsError, match="after is 2 dimensions, expected one"):
        arrival_of([12.0] * 30, [[12.0]], rise=RISE)
