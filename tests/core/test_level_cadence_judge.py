"""Level to volume, the grid of polls, the gross range."""

from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.cadence import Turns, next_due
from longsoak.core.judge import gross_range
from longsoak.core.water.vessel import volume
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import Kind

# A tray of 600 x 400 mm with four pedestals of 50 x 50 x 30 mm; volumes computed by integrating
# its plan area: 5 mm are 1.20 L above the pedestals and 1.15 L between them.
TRAY = ((0.0, 0.0), (30.0, 6.9), (45.0, 10.5))


@pytest.mark.parametrize(
    ("level", "litres"), [(45, 10.5), (40, 9.3), (30, 6.9), (20, 4.6), (10, 2.3), (0, 0)]
)
def test_volume_follows_the_depth_table(level: float, litres: float) -> None:
    assert volume(level, TRAY) == pytest.approx(litres)


def test_the_same_drop_is_less_water_between_the_pedestals() -> None:
    def drop(high: float, low: float) -> float:
        return (volume(high, TRAY) or nan) - (volume(low, TRAY) or nan)

    assert drop(45, 40) == pytest.approx(1.20)
    assert drop(25, 20) == pytest.approx(1.15)


@pytest.mark.parametrize("level", [-0.1, 45.1])
def test_outside_the_table_no_volume_is_guessed(level: float) -> None:
    assert volume(level, TRAY) is None


@given(
    due=st.floats(0, 1e6),
    period=st.floats(0.2, 1e4),
    late=st.floats(-1e4, 1e6),
)
def test_the_next_poll_is_ahead_by_at_most_a_period_and_on_the_grid(
    due: float, period: float, late: float
) -> None:
    now = due + late
    following = next_due(due, period=period, now=now)
    assert following > now or following == pytest.approx(now, abs=1e-6)
    if now >= due:
        assert following - now <= period * 1.000001 + 1e-6
        steps = (following - due) / period
        assert steps == pytest.approx(round(steps), abs=1e-4)


def polled(turns: Turns, *, until: int) -> list[tuple[int, list[str]]]:
    """Who had a turn at each whole second, all of them taking no time."""
    found = []
    for now in range(until + 1):
        while asked := turns.take(now):
            for probe in asked:
                turns.took(probe, now=now)
            found.append((now, asked))
    return found


def test_a_closer_look_begins_at_once_and_ends_on_the_usual_grid() -> None:
    turns = Turns({"pins": 60.0, "air": 10.0}, start=0.0)
    assert polled(turns, until=0) == [(0, ["air"]), (0, ["pins"])]
    turns.closer(["pins"], every=2.0, seconds=7.0, now=3.0)
    pins = [now for now, asked in polled(turns, until=130) if "pins" in asked]
    assert pins == [3, 5, 7, 9, 60, 120]


def test_a_closer_look_never_makes_a_period_longer() -> None:
    turns = Turns({"float": 1.0}, start=0.0)
    turns.closer(["float"], every=5.0, seconds=4.0, now=0.0)
    assert [now for now, _ in polled(turns, until=6)] == [0, 1, 2, 3, 4, 5, 6]


def test_missed_passes_are_left_out_and_not_bunched() -> None:
    assert next_due(10.0, period=5.0, now=31.0) == 35.0


# The gross range test of the IOOS QARTOD manuals, recorded from ioos_qc 3.0.0 (computed):
# inp=[-1,0,1,5,9,10,11] fail=(0,10) suspect=(1,9) -> [4,3,1,1,1,3,4]; on a bound it passes.
def test_gross_range_bounds_are_inclusive() -> None:
    looks = [gross_range(v, Kind.HUMIDITY)[0] for v in (-1, 0, 1, 50, 98, 99, 105, 106)]
    assert looks == [4, 3, 1, 1, 1, 3, 3, 4]


def test_a_saturated_humidity_probe_is_told_from_one_that_is_broken() -> None:
    """From 98 % on it tells no more than that the air is wet: common practice."""
    assert gross_range(99.2, Kind.HUMIDITY) == (Flag.SUSPECT, Reason.SATURATED)
    assert gross_range(105.1, Kind.HUMIDITY) == (Flag.FAIL, Reason.OUT_OF_RANGE)


def test_what_is_not_there_is_missing_and_infinity_fails() -> None:
    assert gross_range(nan, Kind.LEVEL)[0] is Flag.MISSING
    assert gross_range(inf, Kind.LEVEL)[0] is Flag.FAIL


def test_an_open_wire_fails_and_a_soaked_one_is_only_suspect() -> None:
    assert gross_range(9.9e37, Kind.PINS) == (Flag.FAIL, Reason.OPEN_CIRCUIT)
    # Water in a crack looks exactly like a short circuit: it counts as wet until contradicted.
    assert gross_range(50.0, Kind.PINS) == (Flag.SUSPECT, Reason.SHORT_CIRCUIT)


@pytest.mark.parametrize("value", [85.0, 127.94])
def test_the_power_up_values_of_a_1_wire_thermometer_fail(value: float) -> None:
    # torvalds/linux, Documentation/w1/slaves/w1_therm.rst: 85.00 and 127.94.
    assert gross_range(value, Kind.TEMPERATURE)[0] is Flag.FAIL
