"""Rates of decline: what they come to, and how often their interval holds the truth."""

from math import pi, sin, sqrt
from random import Random

import pytest

from longsoak.core.water.decline import DAY, Point, beside, daily, lost, rate_of_decline
from longsoak.vocabulary.water import WaterHour


def falling(
    days: float,
    seed: int,
    *,
    noise: float = 0.1,
    swing: float = 0.3,
    weather: float = 0.2,
    quantum: float = 0.0,
    pours: tuple[int, ...] = (),
) -> tuple[list[Point], float]:
    """Hours of litres that go down, and what really went down a day.

    The level's own temperature swings once a day by `swing` L, evaporation by half; days differ.
    """
    random = Random(seed)  # noqa: S311 - a simulation
    water, gone, stretch, points, day = 40.0, 0.0, 0, [], 0.0
    start = random.random() * DAY
    for hour in range(int(days * 24) + 1):
        at = start + hour * 3600.0
        if hour % 24 == 0:
            day = 0.6 * day + sqrt(1 - 0.36) * weather * random.gauss(0, 1)
        if hour:
            loss = 0.4 / 24 * (1 + day) * (1 + 0.5 * sin(2 * pi * at / DAY))
            water, gone = water - loss, gone + loss
        if hour in pours:
            stretch, water = stretch + 1, water + 10.0
        read = water + swing * sin(2 * pi * (at / DAY + 0.2)) + random.gauss(0, noise)
        points.append(Point(at, round(read / quantum) * quantum if quantum else read, stretch))
    return points, gone / days


@pytest.mark.parametrize(
    ("days", "more", "error"),
    [
        (1.0, {}, 0.9),
        (2.0, {}, 0.2),
        (7.0, {}, 0.08),
        (14.0, {}, 0.06),
        (7.0, {"weather": 0.0}, 0.03),
        (7.0, {"pours": (50, 120)}, 0.1),
        (14.0, {"pours": tuple(range(20, 336, 20)), "swing": 0.05}, 0.15),
        (7.0, {"quantum": 0.4}, 0.13),
    ],
)
def test_the_interval_holds_the_truth_in_95_of_100_and_the_rate_is_near_it(
    days: float, more: dict[str, float], error: float
) -> None:
    """Each with swings once a day and days that hang together; `error` is the 95th percentile."""
    held, errors, tried = 0, [], 200
    for seed in range(tried):
        points, truth = falling(days, seed, **more)  # type: ignore[arg-type]  # a table of keywords
        rate = rate_of_decline(points, noise=0.1 + more.get("quantum", 0.0) / sqrt(12))
        assert rate is not None
        held += rate.low <= truth <= rate.high
        errors.append(abs(rate.per_day - truth) / truth)
    assert held >= 0.95 * tried
    assert sorted(errors)[int(0.95 * tried)] <= error


def test_less_than_a_day_is_no_rate() -> None:
    assert rate_of_decline(falling(0.9, 1)[0]) is None
    assert rate_of_decline([]) is None
    assert rate_of_decline([Point(0.0, 1.0, 0), Point(DAY * 2, 1.0, 1)]) is None


def test_a_few_wild_hours_do_not_move_it() -> None:
    points, truth = falling(7.0, 3, weather=0.0)
    wild = [p._replace(value=p.value + 20.0) if i % 12 == 5 else p for i, p in enumerate(points)]
    rate = rate_of_decline(wild)
    assert rate is not None
    assert rate.per_day == pytest.approx(truth, rel=0.05)


def test_a_straight_line_is_its_slope() -> None:
    points = [Point(3600.0 * hour, 40.0 - 0.36 * hour / 24, 0) for hour in range(49)]
    rate = rate_of_decline(points)
    assert rate is not None
    assert rate.per_day == pytest.approx(0.36)
    assert rate.hours == pytest.approx(48.0)
    assert rate.stretches == 1
    fell, lasted = lost(points)
    assert fell == pytest.approx(0.72)
    assert lasted == pytest.approx(2 * DAY)
    assert daily(points) == [pytest.approx(0.36)]


def hour(at: float, *, pan: float) -> WaterHour:
    return WaterHour(at, 0, 1.0, 50.0, 20.0, 0.05, 0.4, pan, 500.0, 1000.0, 1.0)


def test_a_pan_that_is_filled_begins_another_stretch() -> None:
    levels = [50.0, 49.9, float("nan"), 49.8, 80.0, 79.9]
    found = beside([hour(3600.0 * i, pan=mm) for i, mm in enumerate(levels)], "pan", jump=1.0)
    assert [point.stretch for point in found] == [0, 0, 0, 1, 1]
