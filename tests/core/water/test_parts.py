"""The smaller parts of the water's books: bins, clock, wetting of bays, entries of the logbook."""

import json
from dataclasses import replace
from math import isnan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.water.simulated import DAY, Plan
from longsoak.core.logbook import check_entry
from longsoak.core.water.bins import Bins
from longsoak.core.water.entries import poured_by_hand, top_up_content
from longsoak.core.water.rounds import (
    catches,
    conductivities,
    cup_content,
    face_below,
    round_content,
)
from longsoak.core.water.timeline import At, Timeline
from longsoak.core.water.wetting import Wettings
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import CUP, THE_RIG, TOP_UP, WATER, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Bay, Kind, Rig
from longsoak.vocabulary.water import Found, Wetting
from rigs import small_rig
from waterrig import probe, told, water_rig


def test_a_spike_that_is_kept_because_it_changed_weighs_as_long_as_it_stood() -> None:
    bins = Bins(300.0, hold=1000.0)
    found = []
    for at, value in ((0, 80.0), (120, 140.0), (125, 80.0), (240, 80.0), (299, 81.0), (400, 81.0)):
        found += bins.add(float(at), value)
    assert [(each.at, each.value) for each in found] == [(150.0, 80.0)]
    assert found[0].measured == pytest.approx(300.0)


def test_a_level_that_came_on_a_change_stands_until_the_next() -> None:
    bins = Bins(300.0, hold=2000.0)
    bins.add(0.0, 80.0)
    found = bins.add(1500.0, 79.5)
    assert [each.value for each in found] == [80.0] * 5


def test_what_stood_for_too_long_stands_no_longer() -> None:
    bins = Bins(300.0, hold=450.0)
    bins.add(0.0, 80.0)
    found = bins.add(3000.0, 79.5)
    assert [each.at for each in found] == [150.0, 450.0]
    assert found[1].measured == pytest.approx(150.0)


@given(st.lists(st.floats(1.0, 900.0), min_size=2, max_size=60))
def test_no_time_is_counted_twice_and_none_is_lost(steps: list[float]) -> None:
    bins, at, found = Bins(300.0, hold=1e9), 0.0, []
    for i, step in enumerate(steps):
        at += step
        found += bins.add(at, float(i))
    measured = sum(each.measured for each in found) + sum(weight for _, weight in bins.parts)
    assert measured == pytest.approx(at - steps[0])
    assert [each.at for each in found] == sorted({each.at for each in found})


def test_the_clock_goes_on_over_boots_and_knows_what_it_does_not_know() -> None:
    line = Timeline()
    first, known = line.take(boot="a", run=1, utc_ms=1000, boottime_ms=500, placed_ms=1000)
    assert (first, known) == (0.5, True)
    # Two hours of no power, and clocks that were right on both sides.
    at, known = line.take(boot="b", run=2, utc_ms=7_201_000, boottime_ms=20, placed_ms=7_201_000)
    assert known
    assert at == pytest.approx(first + 7200.0)
    # Another boot whose clock was not set: nobody knows how long that was.
    later, known = line.take(boot="c", run=3, utc_ms=5, boottime_ms=30, placed_ms=None)
    assert not known
    assert at < later < at + 1.0
    on, known = line.take(boot="c", run=3, utc_ms=1005, boottime_ms=1030, placed_ms=None)
    assert known
    assert on - later == pytest.approx(1.0)
    assert line.moment(at) == At(2, 7_201_000, 20)
    assert line.moment(on) == At(3, 1005, 1030)
    again = Timeline()
    again.go_on(json.loads(json.dumps(line.memory())))
    assert again.moment(at) == line.moment(at)


def two_bays() -> Rig:
    rig = water_rig(flow=False)
    board = rig.specimen.bays[0].layers
    bays = (Bay("left", 0, 150, board), Bay("right", 150, 300, board))
    pumps = [
        replace(probe("flow left", Kind.FLOW), runs_from=0.3, bay="left"),
        replace(probe("flow right", Kind.FLOW), runs_from=0.3, bay="right"),
        replace(probe("pump", Kind.PUMP_CURRENT), runs_from=0.2),
    ]
    specimen = replace(rig.specimen, bays=bays)
    return replace(rig, specimen=specimen, probes=(*rig.probes, *pumps))


def test_a_flow_with_a_bay_is_that_bay_s_and_a_pump_s_current_all_of_them() -> None:
    wettings = Wettings(two_bays())
    wettings.begin(0.0)
    for at in range(0, 3600, 60):
        wettings.take(at, "pump", 0.5)
        wettings.take(at, "flow left", 1.0)
        wettings.take(at, "flow right", 1.0 if at < 1800 else 0.0)
    assert wettings.state("left") is Wetting.RUNNING
    assert wettings.state("right") is Wetting.STOPPED
    assert wettings.running is True
    counted = wettings.counted("right", 3600.0)
    assert counted[Wetting.RUNNING] == pytest.approx(1800.0)
    assert counted[Wetting.STOPPED] == pytest.approx(1800.0)
    wettings.take(3600.0, "pump", 0.0)
    (news, *_) = wettings.take(3660.0, "pump", 0.0)
    assert (news.found, news.subject) == (Found.WETTING, "left")


def test_a_flow_that_chatters_once_changes_nothing() -> None:
    wettings = Wettings(two_bays())
    wettings.begin(0.0)
    found = []
    for i in range(30):
        for name in ("pump", "flow left", "flow right"):
            found += wettings.take(60.0 * i, name, 0.0 if i == 10 else 1.0)
    assert len(found) == 2  # each bay begins to run, once


@pytest.mark.long
def test_with_a_pan_a_smaller_leak_is_told_apart_from_the_weather() -> None:
    plan = Plan(days=36, leaks=[(29.0, 36.0, 0.9)], keeper=60.0, weather=0.3, uptake=0.3, seed=8)
    with_pan = told(plan, water_rig(pan=True))
    assert with_pan.of(Found.LEAK), "the pan shows that it is no weather"
    without = told(plan)
    assert not without.of(Found.LEAK), "here it might be weather"
    quiet = told(replace(plan, leaks=[]), water_rig(pan=True))
    assert not quiet.of(Found.LEAK)
    assert not isnan(with_pan.hours[-1].pan)
    assert with_pan.of(Found.LEAK)[0].begin / DAY == pytest.approx(29.0, abs=1.5)


def entry(kind: str, content: dict[str, Json], subject: Subject = THE_RIG) -> LogbookEntry:
    return LogbookEntry(
        asked_utc_ms=1_777_885_200_000,
        at_utc_ms=1_777_885_200_000,
        by="mk",
        says="said",
        kind=kind,
        subject=subject,
        content=content,
    )


PANEL = Subject(About.BAY, "panel")


def test_rounds_and_cups_are_read_again_as_they_were_written() -> None:
    salty = entry(WATER, round_content(conductivity=450.0, at_temperature=20.0, ph=8.1))
    later = replace(entry(WATER, round_content(conductivity=700.0)), at_utc_ms=1_777_885_240_000)
    cup = entry(CUP, cup_content(litres=0.5, minutes=10.0, area_m2=0.6), PANEL)
    for each in (salty, later, cup):
        check_entry(each)
    wrong = replace(later, corrected_by=(9,))
    assert [found for _, found in conductivities([later, salty])] == [500.0, 700.0]
    assert [found for _, found in conductivities([wrong, salty])] == [500.0]
    assert [catch.rate for catch in catches([cup, salty])] == [pytest.approx(5.0)]
    assert face_below(small_rig(), "plain", width=105.0) == pytest.approx(0.042)
    assert face_below(small_rig(), "plain") == pytest.approx(0.12)  # its own 300 mm, by 400 high
    with pytest.raises(RequestError, match="'plane' is no bay"):
        face_below(small_rig(), "plane")


def test_what_was_drawn_off_by_hand_is_no_top_up() -> None:
    poured = entry(TOP_UP, top_up_content(litres=4.8, litres_by_can=5.0))
    baled = entry(TOP_UP, top_up_content(litres=-3.0))
    assert [hand.litres for hand in poured_by_hand([baled, poured])] == [5.0]


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (entry(WATER, {}), "A water round has conductivity, pH, temperature, colour, source"),
        (entry(WATER, round_content()), "A water round says at least one thing of the water"),
        (entry(WATER, round_content(ph=15.0)), "The pH of a water round is 0 to 14, or left out"),
        (entry(WATER, round_content(colour="a\nb")), "is one line of up to 200 characters"),
        (entry(WATER, round_content(ph=7.0), PANEL), "A water round is about the rig"),
        (entry(CUP, cup_content(litres=1.0, minutes=1.0, area_m2=1.0)), "is about a bay: name it"),
        (entry(CUP, {"litres": 1.0}, PANEL), "A cup catch has litres, minutes and the area"),
        (
            entry(CUP, cup_content(litres=1.0, minutes=0.0, area_m2=1.0), PANEL),
            "The minutes of a cup catch is more than 0 to 1440",
        ),
    ],
)
def test_an_entry_that_says_what_can_not_be_is_refused(wrong: LogbookEntry, says: str) -> None:
    with pytest.raises(RequestError, match=says):
        check_entry(wrong)


def test_a_cup_of_no_width_is_refused() -> None:
    with pytest.raises(RequestError, match="wider than 0"):
        face_below(small_rig(), "plain", width=0.0)
