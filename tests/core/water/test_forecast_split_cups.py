"""Days until dry, what evaporates and what is taken up, the books, and cup catches."""

from math import inf, isnan, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.water.simulated import Plan
from longsoak.core.water.cups import Catch, rate, remarks
from longsoak.core.water.decline import Rate, beside, rate_of_decline
from longsoak.core.water.forecast import Draw, days_until, forecast
from longsoak.core.water.reconcile import Agreement, ByHand, ByLevel, reconciled
from longsoak.core.water.split import NOT_KNOWN, Part, balance, by_mass, evaporation, split
from longsoak.core.water.standing import lacks_words, standing
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.rig import Weighs
from waterrig import told, water_rig

TABLE = ((0.0, 0.0), (30.0, 6.9), (45.0, 10.5))
HOUR_MS = 3_600_000


@given(st.floats(0.2, 3.0), st.floats(0.05, 2.0))
def test_days_are_what_stepping_on_comes_to(evaporates: float, constant: float) -> None:
    """Against small steps of the same law."""
    found = days_until(45.0, 5.0, TABLE, Draw(evaporates, constant))
    level, days, step = 45.0, 0.0, 0.01
    while level > 5.0:
        surface = 0.24 if level > 30.0 else 0.23
        level -= step * (evaporates + constant / surface)
        days += step
    assert found == pytest.approx(days, abs=2 * step, rel=0.01)


def test_nothing_lost_is_never_and_a_depth_reached_is_now() -> None:
    assert days_until(40.0, 10.0, TABLE, Draw(0.0, 0.0)) == inf
    assert days_until(10.0, 25.0, TABLE, Draw(1.0, 0.0)) == 0.0
    assert days_until(50.0, 25.0, TABLE, Draw(1.0, 0.0)) is None
    assert forecast(50.0, 25.0, TABLE, Draw(1.0, 0.0), rate_u=0.1) is None


def test_the_range_grows_with_what_days_differ_by() -> None:
    draw = Draw(0.0, 0.36)
    calm = forecast(45.0, 10.0, TABLE, draw, rate_u=0.01, daily=[0.36, 0.35, 0.37, 0.36])
    wild = forecast(45.0, 10.0, TABLE, draw, rate_u=0.01, daily=[0.2, 0.5, 0.3, 0.45])
    assert calm is not None
    assert wild is not None
    assert calm.days == wild.days
    assert wild.low < calm.low < calm.days < calm.high < wild.high


def test_a_range_may_have_no_end() -> None:
    found = forecast(45.0, 10.0, TABLE, Draw(0.0, 0.36), rate_u=0.3)
    assert found is not None
    assert found.high == inf
    assert found.low > 0.0


@pytest.mark.parametrize("seed", range(4))
def test_days_until_the_pump_runs_dry_hold_the_truth_on_a_simulated_reservoir(seed: int) -> None:
    pours = [(4.5, 6.0), (8.5, 6.0), (12.5, 6.0), (17.0, 12.0)]
    found = told(Plan(days=50, weather=0.2, seed=seed, pours=pours))
    past = [hour for hour in found.hours if hour.at < 22 * 86_400]
    rig = water_rig()
    assert rig.reservoir is not None
    assert rig.reservoir.pump_needs == 25.0
    ahead = standing(rig, rig.reservoir, past, level=past[-1].level, level_u=0.5).pump_dry
    dry = next(hour.at for hour in found.hours if hour.at > past[-1].at and hour.level < 25.0)
    truth = (dry - past[-1].at) / 86_400
    assert ahead is not None
    assert ahead.low <= truth <= ahead.high
    assert ahead.days == pytest.approx(truth, rel=0.2)


def a_rate(per_day: float, u: float) -> Rate:
    return Rate(per_day, per_day - 2 * u, per_day + 2 * u, 48.0, 1)


def test_a_pan_says_what_evaporates_and_the_rest_is_taken_up() -> None:
    pan = water_rig(pan=True).pan
    assert pan is not None
    by_pan = evaporation(a_rate(1.25, 0.05), pan, 0.4)
    assert by_pan.litres == pytest.approx(0.4)
    assert by_pan.u == pytest.approx(((0.05 * 0.4 / 1.25) ** 2 + (0.5 * 0.05) ** 2) ** 0.5)
    found = split(a_rate(1.0, 0.03), pan=by_pan)
    assert found.taken_up.litres == pytest.approx(0.6)
    assert found.taken_up.u == pytest.approx((0.03**2 + by_pan.u**2) ** 0.5)
    assert isnan(found.rest.litres)


def test_a_scale_under_the_specimen_says_what_is_taken_up() -> None:
    gained = by_mass(a_rate(-0.6, 0.02))
    found = split(a_rate(1.0, 0.03), scale=gained, weighs=Weighs.SPECIMEN)
    assert found.taken_up.litres == pytest.approx(0.6 / 0.9982)
    assert found.evaporated.litres == pytest.approx(1.0 - 0.6 / 0.9982)
    both = split(a_rate(1.0, 0.03), pan=Part(0.35, 0.02), scale=gained, weighs=Weighs.SPECIMEN)
    assert both.rest.litres == pytest.approx(1.0 - 0.35 - 0.6 / 0.9982)


def test_a_scale_under_the_reservoir_is_a_second_witness_of_all_that_is_lost() -> None:
    lighter = by_mass(a_rate(1.1, 0.03))
    found = split(a_rate(1.0, 0.03), scale=lighter, weighs=Weighs.RESERVOIR)
    assert 1.0 < found.lost.litres < lighter.litres
    assert found.lost.u < 0.03
    assert isnan(found.evaporated.litres)


def test_with_neither_pan_nor_scale_nothing_is_split() -> None:
    found = split(a_rate(1.0, 0.03))
    assert found.lost == pytest.approx(Part(1.0, 0.03))
    assert isnan(found.evaporated.litres)
    assert isnan(found.taken_up.litres)


def test_on_a_simulated_reservoir_pan_and_level_tell_evaporation_within_5_percent() -> None:
    rig = water_rig(pan=True)
    found = told(Plan(days=40, keeper=60.0, seed=4), rig)
    pan = rate_of_decline(beside(found.hours, "pan", jump=1.0))
    assert pan is not None
    assert rig.pan is not None
    by_pan = evaporation(pan, rig.pan, 0.4)
    days = len(found.truth.water) - 1
    truth = found.truth.evaporated[-1] / days
    assert by_pan.litres == pytest.approx(truth, rel=0.05)
    assert abs(by_pan.litres - truth) < 2 * by_pan.u


def test_books_close_within_their_uncertainty_or_do_not() -> None:
    parts = {"topped_up": Part(10.0, 0.2), "drawn_off": Part(0.0, 0.0), "more": Part(1.0, 0.2)}
    closed = balance(7.0, **parts, evaporated=Part(5.0, 0.3), taken_up=Part(3.7, 0.3))
    assert closed.unaccounted.litres == pytest.approx(0.3)
    assert closed.closes is True
    assert balance(7.0, **parts, evaporated=Part(3.0, 0.3), taken_up=Part(3.7, 0.3)).closes is False
    unknown = balance(7.0, **parts)
    assert unknown.closes is None
    assert unknown.lost.litres == pytest.approx(9.0)
    assert unknown.evaporated == NOT_KNOWN


def test_top_ups_found_and_written_down_are_put_together() -> None:
    rises = [
        ByLevel(10 * HOUR_MS, 11 * HOUR_MS, 5.0, 0.15),
        ByLevel(100 * HOUR_MS, 101 * HOUR_MS, 5.0, 0.15),
        ByLevel(200 * HOUR_MS, 230 * HOUR_MS, 4.0, 0.15),  # while nothing was measured
        ByLevel(400 * HOUR_MS, 401 * HOUR_MS, 2.0, 0.15),
    ]
    hands = [
        ByHand(12 * HOUR_MS, 3.0, 1),
        ByHand(12 * HOUR_MS, 2.1, 2),
        ByHand(99 * HOUR_MS, 8.0, 3),
        ByHand(215 * HOUR_MS, 4.0, 4),
        ByHand(300 * HOUR_MS, 1.0, 5),
    ]
    found = reconciled(rises, hands)
    assert [top_up.agreement for top_up in found] == [
        Agreement.MATCHED,
        Agreement.DISAGREES,
        Agreement.MATCHED,
        Agreement.BY_HAND,
        Agreement.BY_LEVEL,
    ]
    assert [len(top_up.hand) for top_up in found] == [2, 1, 1, 1, 0]
    assert [top_up.litres for top_up in found] == [5.0, 5.0, 4.0, 1.0, 2.0]
    assert found[3].u == pytest.approx(0.03)


def test_what_a_guide_measured_is_no_can_s_word() -> None:
    rises = [
        ByLevel(10 * HOUR_MS, 11 * HOUR_MS, 5.0, 0.15),
        ByLevel(100 * HOUR_MS, 101 * HOUR_MS, 5.0, 0.15),
        ByLevel(200 * HOUR_MS, 201 * HOUR_MS, 5.0, 0.15),
    ]
    hands = [
        ByHand(10 * HOUR_MS, 5.1, 1, guided=True),
        ByHand(100 * HOUR_MS, 8.0, 2, guided=True),
        ByHand(200 * HOUR_MS, 2.9, 3, guided=True),
        ByHand(200 * HOUR_MS, 2.0, 4),
        ByHand(300 * HOUR_MS, 1.0, 5, guided=True),
    ]
    found = reconciled(rises, hands)
    assert [(each.agreement, each.by_can, each.by_level) for each in found] == [
        (Agreement.GUIDED, None, True),
        (Agreement.DISAGREES_GUIDED, None, True),
        (Agreement.MATCHED, 2.0, True),
        (Agreement.GUIDED, None, True),
    ]


def test_what_one_known_part_leaves_is_told_by_difference() -> None:
    parts = {"topped_up": Part(10.0, 0.3), "drawn_off": Part(2.0, 0.0), "more": Part(1.0, 0.4)}
    by_pan = balance(7.0, **parts, evaporated=Part(4.0, 1.2))
    assert by_pan.remains == pytest.approx(Part(3.0, 1.3))
    assert balance(7.0, **parts, taken_up=Part(4.0, 1.2)).remains == pytest.approx(Part(3.0, 1.3))
    assert balance(7.0, **parts).remains is None
    both = balance(7.0, **parts, evaporated=Part(4.0, 0.1), taken_up=Part(3.0, 0.1))
    assert both.remains is None


def test_what_is_lacking_to_close_the_books_is_what_the_rig_has_not() -> None:
    parts = {"topped_up": Part(10.0, 0.2), "drawn_off": Part(0.0, 0.0), "more": Part(1.0, 0.2)}
    bare = balance(7.0, **parts)
    by_pan = balance(7.0, **parts, evaporated=Part(5.0, 0.3))
    scale = "a scale under the specimen"
    assert lacks_words(water_rig(), bare) == f"an evaporation pan and {scale}"
    assert lacks_words(water_rig(pan=True), by_pan) == scale
    assert lacks_words(water_rig(pan=True), bare) == (
        f"a day of levels of the evaporation pan and {scale}"
    )
    assert lacks_words(water_rig(pan=True, scale=True), by_pan) == "a day of readings of the scale"


def test_a_cup_catch_is_litres_a_square_metre_and_hour() -> None:
    assert rate(0.5, 10.0, 0.6) == pytest.approx(5.0)
    assert rate(0.0, 10.0, 0.6) == 0.0
    for bad in ((1.0, 0.0, 1.0), (1.0, 1.0, 0.0), (-1.0, 1.0, 1.0), (nan, 1.0, 1.0)):
        with pytest.raises(PhysicsError):
            rate(*bad)


def test_catches_that_fall_tell_of_clogging_and_those_apart_of_uneven_wetting() -> None:
    quiet = [Catch(0, "a", 5.0), Catch(0, "b", 5.2), Catch(1, "a", 4.8)]
    assert remarks(quiet) == []
    (clogs,) = remarks([*quiet, Catch(2, "b", 4.0)])
    assert clogs == "b: 4.00 L/(m²h), at first 5.20. Its rail may clog: clean it."
    (uneven,) = remarks([Catch(0, "a", 6.0), Catch(0, "b", 3.0)])
    assert uneven.endswith("Wetting is uneven.")
