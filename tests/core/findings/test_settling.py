"""Where a course tends: what is said, and how often its intervals hold a known end.

Courses are invented: exponential, root-time, level, or at the end of a range, with a noise that
remembers and one of single readings. Two standard deviations of a share found from 300 runs are
2.5 %, from 1000 runs 1.4 %.
"""

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from longsoak.core.findings.decision import Bound, Outcome, ToleranceLimit, decide, rule_of_risks
from longsoak.core.findings.settling import Forecast, Settling, settle, time_to_decide
from longsoak.core.uptake import Undetermined
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.rig import Side

pytestmark = pytest.mark.long


HOUR, DAY = 3600.0, 86400.0
FIVE = rule_of_risks(consumers=0.05, producers=0.05)


def clock(days: float, *, every: float = 4.0) -> NDArray[np.float64]:
    return np.arange(0.0, days * 24.0, every) * HOUR


def noise(
    random: np.random.Generator, times: NDArray[np.float64], *, memory: float = DAY
) -> NDArray[np.float64]:
    """Of standard deviation 0.5 with a memory of so many s, and of 0.25 in each reading."""
    shares = np.exp(-np.diff(times) / memory)
    new = random.standard_normal(len(times))
    row = np.empty(len(times))
    row[0] = new[0]
    for i, share in enumerate(shares.tolist()):
        row[i + 1] = share * row[i] + math.sqrt(1.0 - share**2) * new[i + 1]
    return 0.5 * row + 0.25 * random.standard_normal(len(times))


def drying(
    random: np.random.Generator, times: NDArray[np.float64], *, pace: float = 20.0
) -> NDArray[np.float64]:
    """From 22 % to 14 % with a time constant of so many days."""
    return 14.0 + 8.0 * np.exp(-times / (pace * DAY)) + noise(random, times)


def settled(found: Settling | Undetermined) -> Settling:
    assert isinstance(found, Settling), found.why
    return found


def found_in(times: NDArray[np.float64], values: NDArray[np.float64]) -> Settling | Undetermined:
    return settle(times.tolist(), values=values.tolist(), within=0.5)


@pytest.mark.long
@pytest.mark.parametrize(
    ("days", "pace", "runs"), [(120.0, 20.0, 600), (120.0, 5.0, 300), (120.0, 45.0, 300)]
)
def test_the_interval_holds_the_end_and_the_time_it_is_reached(
    days: float, pace: float, runs: int
) -> None:
    random, times = np.random.default_rng(round(pace)), clock(days, every=8.0)
    ends = steady = told = 0
    reached = pace * DAY * math.log(8.0 / 0.5)
    for _ in range(runs):
        found = found_in(times, drying(random, times, pace=pace))
        if isinstance(found, Settling):
            told += 1
            ends += found.final.holds(14.0)
            steady += found.steady_at.holds(reached)
    assert told > 0.75 * runs
    assert ends / told >= 0.925, ends / told
    assert steady / told >= 0.925, steady / told


@pytest.mark.parametrize("spans", [2.5, 3.0, 6.0])
def test_the_end_of_a_slab_that_diffuses_is_held_though_it_begins_otherwise(spans: float) -> None:
    # The mean of a slab drying through its faces; a plain exponential alone would hold the end 35
    # to 80 % of the time where it has run for three time constants or fewer.
    random, times = np.random.default_rng(round(10 * spans)), clock(20.0 * spans, every=8.0)
    odd = 2.0 * np.arange(200)[:, None] + 1.0
    course = (np.exp(-(odd**2) * times / (20.0 * DAY)) / odd**2).sum(axis=0) * 8.0 / math.pi**2
    held = told = 0
    for _ in range(200):
        found = found_in(times, 14.0 + 8.0 * course + noise(random, times))
        if isinstance(found, Settling):
            told += 1
            held += found.final.holds(14.0)
    assert told > 60
    assert held / told >= 0.92, (held, told)


def test_an_interval_from_readings_taken_for_independent_would_be_far_too_narrow() -> None:
    random, times = np.random.default_rng(1), clock(120.0, every=8.0)
    found = settled(found_in(times, drying(random, times)))
    assert found.effective < len(times) / 3
    assert found.final.high - found.final.low > 0.3


@pytest.mark.long
def test_a_limit_just_kept_or_just_broken_is_called_wrongly_no_oftener_than_declared() -> None:
    random, times = np.random.default_rng(14), clock(120.0, every=12.0)
    kept, broken = ToleranceLimit(14.0, Side.AT_MOST), ToleranceLimit(13.999, Side.AT_MOST)
    wrong = np.zeros(2)
    for _ in range(1000):
        found = found_in(times, drying(random, times))
        if isinstance(found, Settling):
            verdicts = [
                decide(
                    found.final.value, uncertainty=found.uncertainty, limit=limit, rule=FIVE
                ).verdict
                for limit in (kept, broken)
            ]
            wrong += [verdicts[0] is Outcome.BROKEN, verdicts[1] is Outcome.HELD]
    assert (wrong > 0).all()
    assert (wrong / 1000 <= 0.05 + 0.014).all(), wrong / 1000


@pytest.mark.long
def test_gaps_and_uneven_times_change_nothing_but_the_width() -> None:
    random, held, told = np.random.default_rng(3), 0, 0
    times = clock(150.0)
    keep = random.random(len(times)) < 0.5
    keep[200:320] = False
    times = times[keep] + random.uniform(0.0, HOUR, int(keep.sum()))
    for _ in range(300):
        found = found_in(times, drying(random, times))
        if isinstance(found, Settling):
            told += 1
            held += found.final.holds(14.0)
    assert told > 270
    assert held / told >= 0.925


def test_a_course_that_goes_with_the_root_of_time_tells_no_end() -> None:
    random, times = np.random.default_rng(4), clock(60.0)
    refused = [
        found_in(times, 12.0 + 0.004 * np.sqrt(times) + noise(random, times)) for _ in range(100)
    ]
    whys = [found.why for found in refused if isinstance(found, Undetermined)]
    assert len(whys) >= 97
    assert sum("root of time" in why for why in whys) > 50


def test_a_course_that_has_run_for_a_time_constant_tells_no_end() -> None:
    random, times = np.random.default_rng(5), clock(60.0)
    refused = [found_in(times, drying(random, times, pace=60.0)) for _ in range(100)]
    assert sum(isinstance(found, Undetermined) for found in refused) >= 97


def test_level_readings_end_at_their_mean_and_were_steady_from_the_first() -> None:
    random, times = np.random.default_rng(6), clock(120.0)
    held = told = 0
    for _ in range(300):
        found = found_in(times, 14.0 + noise(random, times))
        if isinstance(found, Settling) and found.pace is None:
            told += 1
            held += found.final.holds(14.0)
            assert found.steady_at.value == times[0]
    assert told > 240
    assert held / told >= 0.925


def test_a_plateau_at_the_end_of_the_range_is_not_determinable() -> None:
    random, times = np.random.default_rng(7), clock(120.0)
    truth = 27.0 - 10.0 * np.exp(-times / (10.0 * DAY)) + noise(random, times)
    bounds = [Bound.AT_LEAST if v > 25.0 else Bound.NONE for v in truth.tolist()]
    values = np.minimum(truth, 25.0)
    found = settle(times.tolist(), values=values.tolist(), within=0.5, bounds=bounds)
    assert isinstance(found, Undetermined)
    assert found.why.startswith("not determinable: 72 of the last 72 readings stand at the end of")
    # Without being told that they are bounds, a false plateau of no scatter would be reported.
    naive = found_in(times, values)
    assert not isinstance(naive, Settling) or not naive.final.holds(27.0)


def test_readings_out_of_range_at_the_beginning_are_left_out_and_change_nothing() -> None:
    random, times = np.random.default_rng(8), clock(150.0, every=8.0)
    held = told = 0
    for _ in range(300):
        truth = 14.0 + 40.0 * np.exp(-times / (20.0 * DAY)) + noise(random, times)
        bounds = [Bound.AT_LEAST if v > 25.0 else Bound.NONE for v in truth.tolist()]
        values = np.minimum(truth, 25.0).tolist()
        found = settle(times.tolist(), values=values, within=0.5, bounds=bounds)
        if isinstance(found, Settling):
            told += 1
            assert found.left_out > 50
            held += found.final.holds(14.0)
    assert told > 270
    assert held / told >= 0.925


def test_what_all_readings_share_is_in_the_interval_and_does_not_shrink() -> None:
    random, times = np.random.default_rng(9), clock(200.0)
    values = drying(random, times).tolist()
    alone = settled(settle(times.tolist(), values=values, within=0.5))
    shared = settled(settle(times.tolist(), values=values, within=0.5, common_uncertainty=1.0))
    assert shared.final.value == alone.final.value
    assert shared.uncertainty == pytest.approx(math.hypot(alone.uncertainty, 1.0))
    assert shared.final.high - shared.final.value == pytest.approx(
        math.hypot(alone.final.high - alone.final.value, 1.959964), rel=1e-6
    )


def test_readings_own_uncertainties_count_where_they_say_more_than_the_scatter() -> None:
    times = clock(120.0)
    random = np.random.default_rng(10)
    values = (14.0 + 8.0 * np.exp(-times / (20.0 * DAY))) + 0.01 * random.standard_normal(
        len(times)
    )
    sure = settled(settle(times.tolist(), values=values.tolist(), within=0.5))
    unsure = settled(
        settle(times.tolist(), values=values.tolist(), within=0.5, uncertainties=[0.5] * len(times))
    )
    assert unsure.uncertainty > 5.0 * sure.uncertainty


def test_how_long_a_test_must_still_run_is_what_it_then_takes() -> None:
    random = np.random.default_rng(11)
    limit, decided, asked = ToleranceLimit(14.25, Side.AT_MOST), 0, 0
    for _ in range(40):
        times = clock(80.0)
        whole = clock(400.0)
        values = drying(random, whole)
        found = found_in(times, values[: len(times)])
        forecast = time_to_decide(found, limit=limit, rule=FIVE)
        if isinstance(forecast, Forecast) and 0.0 < forecast.still < 320.0 * DAY:
            asked += 1
            until = whole <= times[-1] + forecast.still
            later = settled(found_in(whole[until], values[until]))
            verdict = decide(
                later.final.value, uncertainty=later.uncertainty, limit=limit, rule=FIVE
            ).verdict
            decided += verdict is Outcome.HELD
    # The end moves as it becomes known, so about half are decided by then; computed.
    assert asked >= 10
    assert decided / asked >= 0.35


def test_a_forecast_says_why_there_is_none() -> None:
    random, times = np.random.default_rng(12), clock(120.0)
    found = settled(
        settle(
            times.tolist(),
            values=drying(random, times).tolist(),
            within=0.5,
            common_uncertainty=0.8,
        )
    )
    near = ToleranceLimit(found.final.value + 0.5, Side.AT_MOST)
    never = time_to_decide(found, limit=near, rule=FIVE)
    assert isinstance(never, Undetermined)
    assert never.why.startswith(
        "can't be told, however long it runs: the final value lies 0.5 from"
    )
    far = time_to_decide(
        found, limit=ToleranceLimit(found.final.value + 5.0, Side.AT_MOST), rule=FIVE
    )
    assert isinstance(far, Forecast)
    assert (far.still, far.verdict) == (0.0, Outcome.HELD)
    broken = time_to_decide(
        found, limit=ToleranceLimit(found.final.value - 5.0, Side.AT_MOST), rule=FIVE
    )
    assert isinstance(broken, Forecast)
    assert broken.verdict is Outcome.BROKEN
    nothing = time_to_decide(Undetermined("of this and that"), limit=near, rule=FIVE)
    assert isinstance(nothing, Undetermined)
    assert nothing.why == "can't be told: there is no final value yet (of this and that)"


def test_the_forecast_grows_as_the_limit_comes_nearer_and_ends_in_can_t_be_told() -> None:
    random, times = np.random.default_rng(13), clock(90.0)
    found = settled(found_in(times, drying(random, times)))
    waits = []
    for away in (0.4, 0.3, 0.2, 0.1, 0.01):
        limit = ToleranceLimit(found.final.value + away * 2.0 * found.uncertainty, Side.AT_MOST)
        forecast = time_to_decide(found, limit=limit, rule=FIVE)
        waits.append(forecast.still if isinstance(forecast, Forecast) else math.inf)
    assert waits == sorted(waits)
    assert 0.0 < waits[0] < math.inf
    assert waits[-1] == math.inf


@pytest.mark.parametrize("begin", [0.0, 1e7])
@pytest.mark.parametrize(
    "course",
    [
        lambda t, _: np.exp(-8.0 * t),
        lambda t, _: np.where(t > 0.5, 1.0, 0.0),
        lambda t, _: np.where(np.arange(len(t)) == len(t) // 2, 100.0, 3.0),
        lambda t, _: np.round(4.0 * np.exp(-5.0 * t)),
        lambda t, _: np.exp(3.0 * t),
        lambda t, _: np.sin(60.0 * t),
        lambda t, random: random.standard_normal(len(t)).cumsum(),
        lambda t, random: random.standard_cauchy(len(t)),
        lambda t, random: 1e8 + np.exp(-4.0 * t) + 0.01 * random.standard_normal(len(t)),
        lambda t, _: 1.0 * (np.arange(len(t)) % 2),
    ],
)
def test_whatever_the_course_there_is_an_end_in_its_interval_or_a_reason(
    course: Callable[[NDArray[np.float64], np.random.Generator], NDArray[np.float64]], begin: float
) -> None:
    random = np.random.default_rng(16)
    for count in (60, 241, 1000):
        steps = random.uniform(0.5, 1.5, count) * random.choice([1.0, 1.0, 1.0, 40.0], count)
        times = begin + 60.0 * np.cumsum(steps)
        found = found_in(times, course((times - begin) / (times[-1] - begin), random))
        if isinstance(found, Undetermined):
            assert len(found.why) > 30
            continue
        assert math.isfinite(found.final.low)
        assert found.final.low <= found.final.value <= found.final.high
        assert found.uncertainty > 0.0
        assert begin <= found.steady_at.low <= found.steady_at.high < math.inf


def test_few_readings_and_readings_all_the_same_are_undetermined() -> None:
    few = settle([float(i) for i in range(59)], values=[1.0] * 59, within=0.1)
    assert isinstance(few, Undetermined)
    assert few.why == "59 readings in range, and a final value needs at least 60"
    same = settle([float(i) for i in range(80)], values=[1.0] * 80, within=0.1)
    assert isinstance(same, Undetermined)
    assert "no probe shows for long" in same.why


def test_readings_in_a_few_stretches_only_are_undetermined() -> None:
    random = np.random.default_rng(15)
    times = np.concatenate([np.arange(20.0) * 60.0 + 30 * DAY * i for i in range(4)])
    found = found_in(times, 14.0 + random.standard_normal(80))
    assert isinstance(found, Undetermined)
    assert found.why.startswith("the readings lie in 4 stretches with long gaps between")


def test_a_straight_course_without_scatter_is_said_to_have_only_begun() -> None:
    times = clock(60.0)
    found = found_in(times, 12.0 + times / DAY)
    assert isinstance(found, Undetermined)
    assert found.why.startswith("the course has run for 0.1 of its time constants, or fewer")


def test_bad_arguments_are_told() -> None:
    times = [float(i) for i in range(80)]
    with pytest.raises(PhysicsError, match=r"times is 1\.0, expected more than 1 s"):
        settle([0.0, 1.0, 1.0], values=[1.0, 2.0, 3.0], within=0.1)
    with pytest.raises(PhysicsError, match="values is nan"):
        settle(times, values=[math.nan] * 80, within=0.1)
    with pytest.raises(PhysicsError, match="values is 1, expected 80 values"):
        settle(times, values=[1.0], within=0.1)
    with pytest.raises(PhysicsError, match="uncertainties is -1"):
        settle(times, values=times, within=0.1, uncertainties=[-1.0] * 80)
    with pytest.raises(PhysicsError, match="bounds is 1"):
        settle(times, values=times, within=0.1, bounds=[Bound.NONE])
    with pytest.raises(PhysicsError, match="within is 0"):
        settle(times, values=times, within=0.0)
