"""The water as its scans come: on a simulated reservoir, what was done to it is found."""

import json
from dataclasses import replace
from math import nan

import pytest

from core.water.simulated import Plan, Truth, run
from longsoak.core.water.book import WaterBook, book_of
from longsoak.core.water.decline import DAY, litres, lost, rate_of_decline
from longsoak.vocabulary.water import Found, WaterNews, Wetting
from waterrig import told, water_rig

# Top-ups at odd times, one of several goes, one while nothing was measured.
POURS = [(2.31, 5.0), (5.7, 2.0), (5.712, 2.0), (7.0, 1.2), (8.55, 4.0)]
EVERYTHING = Plan(
    days=10,
    seed=3,
    pours=POURS,
    away=[(8.5, 8.7)],
    stops=[(3.4, 3.6), (6.95, 7.1)],  # the second to pour while it stands
)


def test_every_top_up_is_found_with_its_litres() -> None:
    found = told(EVERYTHING)
    rises = found.of(Found.TOP_UP)
    assert [round(news.begin / DAY, 1) for news in rises] == [2.3, 5.7, 7.0, 8.5]
    poured = [5.0, 4.0, 1.2, 4.0]  # two goes are one
    for news, each in zip(rises, poured, strict=True):
        assert abs(news.figures["litres"] - each) <= 2 * news.figures["litres_u"]
        assert news.figures["litres_u"] < 0.5
    assert [news.figures["gap"] for news in rises] == [0.0, 0.0, 0.0, 1.0]
    assert "while nothing was measured" in rises[-1].says
    for quiet in (Found.LEAK, Found.SIPHON, Found.RISES, Found.STUCK, Found.DRAWN_OFF):
        assert not found.of(quiet), quiet


def test_film_that_runs_back_is_no_top_up_nor_what_leaves_again() -> None:
    stops = [(2.0, 2.3), (4.0, 4.01), (5.0, 5.004), (6.1, 8.0), (8.5, 8.504), (9.0, 9.5)]
    found = told(Plan(days=10, stops=stops))
    assert not found.of(Found.TOP_UP)
    assert not found.of(Found.DRAWN_OFF)


def test_a_pump_on_a_timer_is_no_top_up_either() -> None:
    stops = [(2.0 + i / 48, 2.0 + i / 48 + 0.008) for i in range(96)]
    found = told(Plan(days=5, stops=stops))
    assert not found.of(Found.TOP_UP)
    assert not found.of(Found.DRAWN_OFF)
    assert not found.of(Found.SIPHON)


def test_the_rate_between_top_ups_is_the_truth_within_its_interval() -> None:
    found = told(Plan(days=14, pours=[(5.2, 6.0), (10.1, 6.0)], spikes=0.002, quantum=0.5))
    rate = rate_of_decline(litres(found.hours))
    assert rate is not None
    truth = found.truth
    gone = (truth.evaporated[-1] + truth.taken_up[-1]) / (len(truth.water) - 1)
    assert rate.low <= gone <= rate.high
    assert rate.per_day == pytest.approx(gone, rel=0.05)
    fell, lasted = lost(litres(found.hours))
    assert fell / lasted * DAY == pytest.approx(gone, rel=0.05)


def test_a_leak_is_told_with_what_is_lost_and_since_when() -> None:
    found = told(Plan(days=14, leaks=[(10.0, 13.0, 4.0)], pours=[(4.0, 6.0), (8.0, 6.0)]))
    (leak,) = found.of(Found.LEAK)
    assert abs(leak.begin / DAY - 10.0) < 0.4
    assert found.at[Found.LEAK, leak.begin, ""] / DAY < 10.6
    assert leak.end is not None
    assert 13.0 < leak.end / DAY < 13.7
    assert found.book.alarms()["leak"] is None


def test_a_burst_is_told_within_the_hour() -> None:
    found = told(Plan(days=6, leaks=[(5.0, 5.2, 400.0)]))
    leak = found.of(Found.LEAK)[0]
    assert found.at[Found.LEAK, leak.begin, ""] - 5.0 * DAY < 3600.0
    assert "The level falls fast" in found.news[Found.LEAK, leak.begin, ""].says or leak.end


def test_a_siphon_ends_at_a_height() -> None:
    found = told(Plan(days=6, siphons=[(4.5, 0.4, 45.0)]))
    (siphon,) = found.of(Found.SIPHON)
    assert siphon.figures["after_mm"] == pytest.approx(45.0, abs=0.7)
    assert siphon.figures["litres"] > 5.0
    assert found.book.alarms()["siphon"] == siphon.says


def test_what_is_baled_is_drawn_off_and_no_siphon() -> None:
    found = told(Plan(days=6, bales=[(4.5, 8.0)]))
    (drawn,) = found.of(Found.DRAWN_OFF)
    assert drawn.figures["litres"] == pytest.approx(8.0, abs=0.5)
    assert not found.of(Found.SIPHON)


def test_what_is_poured_and_drawn_off_within_the_half_hour_is_told_as_both() -> None:
    found = told(Plan(days=6, pours=[(4.5, 8.0)], bales=[(4.515, 8.0)]))  # 22 min later
    (rise,), (fall,) = found.of(Found.TOP_UP), found.of(Found.DRAWN_OFF)
    assert rise.begin / DAY == pytest.approx(4.5, abs=0.005)
    assert fall.begin / DAY == pytest.approx(4.515, abs=0.005)
    for news in (rise, fall):
        assert news.figures["litres"] == pytest.approx(8.0, abs=2 * news.figures["litres_u"])
        assert news.figures["back"] == 1.0


def test_what_is_baled_is_no_siphon_though_the_level_is_restless_afterwards() -> None:
    plan = Plan(days=6, bales=[(4.5, 8.0)], noise=1.2, quantum=1.0)
    found = told(plan)
    (drawn,) = found.of(Found.DRAWN_OFF)
    assert drawn.figures["litres"] == pytest.approx(8.0, abs=1.0)
    assert not found.of(Found.SIPHON)
    assert not found.of(Found.LEAK)


def test_a_flow_meter_that_clogs_while_the_pump_runs_on_moves_no_water() -> None:
    plan = Plan(days=12, stops=[(2.0, 2.3), (4.0, 4.3)])  # film is learnt from these
    book, found = WaterBook(water_rig()), set[Found]()
    for look in run(plan, Truth()):
        assert look is not None
        flow = 0.0 if 7.0 <= look.at / DAY < 9.0 else look.flow
        for news in book.take(look.at, ("water level", "flow"), (look.level, flow), (1, 1)):
            if isinstance(news, WaterNews):
                found.add(news.found)
    assert found == {Found.WETTING}


def test_the_pump_s_standing_still_is_no_level_that_does() -> None:
    """A face far larger than the reservoir loses nearly all of it: without water it loses none."""
    plan = Plan(days=20, stops=[(14.0, 17.0)], evaporates=0.08, uptake=4.0, keeper=60.0)
    assert not told(plan).of(Found.STUCK)


def test_a_level_that_stands_still_is_told() -> None:
    found = told(Plan(days=14, stuck=[(9.0, 13.0)]))
    (stuck,) = found.of(Found.STUCK)
    assert 8.5 < stuck.begin / DAY < 10.0
    assert found.at[Found.STUCK, stuck.begin, ""] / DAY < 11.5


def test_a_level_that_jumps_and_comes_back_is_marked() -> None:
    found = told(Plan(days=6, offset=[(3.0, 3.2, 15.0)]))
    (rise,), (fall,) = found.of(Found.TOP_UP), found.of(Found.DRAWN_OFF)
    assert rise.figures["back"] == fall.figures["back"] == 1.0
    assert "it was the sensor, or film" in rise.says


def test_without_flow_a_pump_that_stands_shows_in_the_balance() -> None:
    found = told(
        Plan(days=16, stops=[(11.0, 15.0)], evaporates=0.4, uptake=1.2, weather=0.1),
        water_rig(flow=False),
    )
    (still,) = found.of(Found.PUMP_STILL)
    assert 10.0 < still.begin / DAY < 12.5
    assert found.book.wetted("plain")[Wetting.UNKNOWN] == pytest.approx(16 * DAY, abs=DAY / 100)


def test_quiet_months_of_weather_raise_no_alarm() -> None:
    found = told(Plan(days=90, keeper=70.0, weather=0.35, seed=11))
    told_of = {news.found for news in found.news.values()}
    assert told_of == {Found.TOP_UP, Found.WETTING}
    assert len(found.of(Found.TOP_UP)) == len(found.truth.pours)


def test_wetted_time_is_known_unknown_after_a_gap_and_confirmed_by_flow() -> None:
    found = told(Plan(days=4, stops=[(1.0, 1.5)], away=[(2.0, 2.25)]))
    counted = found.book.wetted("plain")
    assert counted[Wetting.STOPPED] == pytest.approx(0.5 * DAY, abs=300)
    assert counted[Wetting.UNKNOWN] == pytest.approx(0.25 * DAY, abs=300)
    assert counted[Wetting.RUNNING] == pytest.approx(3.25 * DAY, abs=600)
    states = [news.figures["state"] for news in found.of(Found.WETTING)]
    assert states == [1.0, 0.0, 1.0, 2.0, 1.0]


def test_a_book_goes_on_from_its_memory_as_if_it_had_never_stopped() -> None:
    def again(book: WaterBook) -> WaterBook:
        memory = json.loads(json.dumps(book.memory()))
        assert len(json.dumps(memory)) < 200_000
        return book_of(water_rig(), memory)

    without, with_stops = told(EVERYTHING), told(EVERYTHING, again=again)
    assert with_stops.news == without.news
    assert with_stops.hours == [pytest.approx(hour, nan_ok=True) for hour in without.hours]


def test_a_memory_of_another_reservoir_or_of_rubbish_is_none() -> None:
    book = told(Plan(days=2)).book
    memory = book.memory()
    for rubbish in ({}, {**memory, "of": []}, {**memory, "open": {"x": 1}}, {**memory, "steps": 3}):
        assert book_of(water_rig(), rubbish).hours == []
    assert book_of(water_rig(), memory).hours == book.hours


def test_time_nobody_knows_the_length_of_is_a_gap_and_no_leak() -> None:
    rig = water_rig()
    book = WaterBook(rig)
    layout, flags = ("water level", "flow"), (1, 1)
    found: list[object] = []
    for minute in range(3 * 1440):
        level = 90.0 - minute / 1440 - (20.0 if minute >= 1440 else 0.0)
        known = minute != 1440
        found += book.take(60.0 * minute, layout, (level, 1.0), flags, known=known)
    kinds = {news.found for news in found if isinstance(news, WaterNews)}
    assert kinds == {Found.WETTING}


def test_water_that_rises_in_a_gap_of_unknown_length_is_a_top_up() -> None:
    book = WaterBook(water_rig())
    found: list[object] = []
    for minute in range(2 * 1440):
        level = 60.0 - minute / 1440 + (30.0 if minute >= 1440 else 0.0)
        known = minute != 1440
        found += book.take(60.0 * minute, ("water level",), (level,), (1,), known=known)
    (rise,) = [news for news in found if isinstance(news, WaterNews)]
    assert rise.found is Found.TOP_UP
    assert rise.figures["gap"] == 1.0


def test_twice_the_conductivity_is_told_once_by_probe_or_by_hand() -> None:
    book = WaterBook(water_rig())
    assert book.water_round(0.0, 300.0) == []
    assert book.water_round(DAY, 590.0) == []
    (news,) = book.water_round(2 * DAY, 610.0)
    assert news.found is Found.SALTS
    assert "demineralised" in news.says
    assert book.water_round(3 * DAY, 640.0) == []
    assert book.alarms()["salts"] == news.says
    (over,) = book.water_round(4 * DAY, 320.0)
    assert over.end == 4 * DAY
    assert book.alarms()["salts"] is None


def test_values_that_failed_or_are_missing_are_passed_over() -> None:
    book = WaterBook(water_rig())
    for minute in range(600):
        bad = minute % 2
        book.take(60.0 * minute, ("water level",), (nan if bad else 80.0,), (9 if bad else 1,))
        book.take(60.0 * minute + 30, ("water level",), (500.0,), (4,))
    assert {hour.level for hour in book.hours} == {80.0}


def test_a_rig_without_a_reservoir_has_no_book() -> None:
    with pytest.raises(ValueError, match="no reservoir"):
        WaterBook(replace(water_rig(), reservoir=None))
