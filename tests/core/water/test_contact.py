"""Contact windows, which probes they spoil, and when these have recovered."""

from dataclasses import replace

import pytest

from longsoak.core.water.contact import (
    DEADBAND,
    RECOVERS_DAYS,
    STAYS_OFF_DAYS,
    Contact,
    asides,
    reach_of,
    spoiled,
)
from longsoak.vocabulary.rig import Rig
from longsoak.vocabulary.water import Aside, ContactWindow, Found, Recovery, WaterNews
from rigs import small_rig

DAY_MS = 86_400_000
PROBE = "C 10/60"


def watched(levels: list[float], *, every: float = 60.0) -> list[WaterNews]:
    contact = Contact(line=110.0, float_at=110.0)
    found: list[WaterNews] = []
    for i, level in enumerate(levels):
        found += contact.level(every * i, level, u=1.0)
    return found


def test_a_contact_begins_at_the_line_and_is_over_after_ten_minutes_below() -> None:
    levels = [100.0] * 5 + [111.0] * 10 + [109.0] * 20 + [110.0 - DEADBAND - 0.1] * 20
    begins, over = watched(levels)
    assert begins.found is over.found is Found.CONTACT
    assert begins.begin == over.begin == 300.0
    assert begins.end is None
    assert over.end == 35 * 60.0
    assert over.figures == {"highest_mm": 111.0}


def test_a_spike_is_no_contact() -> None:
    assert watched([100.0] * 5 + [130.0] + [100.0] * 30) == []


def test_a_contact_that_uncertainty_may_explain_says_so() -> None:
    assert "may explain" in watched([110.5] * 3)[0].says
    assert "may explain" not in watched([114.0] * 3)[0].says


def test_the_float_is_a_witness_while_no_level_is_known() -> None:
    contact = Contact(line=110.0, float_at=112.0)
    assert contact.float_switch(0.0, True, level_known=True) == []
    (begins,) = contact.float_switch(10.0, True, level_known=False)
    assert begins.figures == {}
    assert contact.float_switch(100.0, False, level_known=False) == []
    (over,) = contact.float_switch(800.0, False, level_known=False)
    assert over.end == 100.0


def test_a_float_that_trips_below_the_underside_is_none() -> None:
    contact = Contact(line=110.0, float_at=105.0)
    assert contact.float_switch(10.0, True, level_known=False) == []


def test_how_far_water_climbs_is_declared_or_follows_the_root_of_time() -> None:
    bay = small_rig().specimen.bays[0]
    assert reach_of(bay, hours=0.5) == 50.0
    assert reach_of(bay, hours=25.0) == 100.0
    assert reach_of(replace(bay, reach=12.0), hours=25.0) == 12.0


def test_probes_above_the_reach_are_not_spoiled() -> None:
    rig = small_rig()
    assert [probe.name for probe in spoiled(rig, hours=0.1)] == []  # they are 60 mm up
    assert [probe.name for probe in spoiled(rig, hours=9.0)] == ["C 10/60", "C 30/60", "C 50/60"]


FIRST = 100  # day of the contact


def judged(values: dict[int, float], *, windows: int = 1, hours: float = 9.0) -> list[Aside]:
    """What is set aside of one probe; contacts are five days apart."""
    found = [
        ContactWindow(
            number,
            (FIRST + 5 * number) * DAY_MS + DAY_MS // 2,
            round((FIRST + 5 * number + 0.5 + hours / 24) * DAY_MS),
            112.0,
            "",
        )
        for number in range(windows)
    ]
    last = (max(values) + 1) * DAY_MS
    return [a for a in asides(rig(), found, {PROBE: values}, now_ms=last) if a.probe == PROBE]


def rig() -> Rig:
    return small_rig()


def trend(day: int) -> float:
    return 15.0 + 0.02 * day + (0.05 if day % 2 else -0.05)


BEFORE = {day: trend(day) for day in range(FIRST - 14, FIRST + 1)}


def test_a_probe_has_recovered_after_three_days_in_a_row_on_its_own_trend() -> None:
    wet = {day: trend(day) + 3.0 for day in range(FIRST + 1, FIRST + 5)}
    back = {day: trend(day) for day in range(FIRST + 5, FIRST + 12)}
    once = {FIRST + 3: trend(FIRST + 3)}  # it crosses the band on its way
    (aside,) = judged(BEFORE | wet | once | back)
    assert aside.recovery is Recovery.RECOVERED
    assert aside.from_ms == FIRST * DAY_MS + DAY_MS // 2
    assert aside.until_ms == (FIRST + 5 + RECOVERS_DAYS) * DAY_MS
    assert aside.covers(aside.from_ms)
    assert not aside.covers(aside.until_ms)


def test_a_probe_that_stays_off_asks_for_a_new_baseline() -> None:
    off = {day: trend(day) + 2.0 for day in range(FIRST + 1, FIRST + 1 + STAYS_OFF_DAYS)}
    (aside,) = judged(BEFORE | off)
    assert aside.recovery is Recovery.STAYS_OFF
    assert aside.until_ms is None
    assert "begin a new baseline" in aside.says
    (waiting,) = judged(BEFORE | dict(list(off.items())[:-1]))
    assert waiting.recovery is Recovery.WAITING
    assert "Off its trend by +2" in waiting.says


def test_a_contact_before_it_has_recovered_prolongs_the_first() -> None:
    off = {day: trend(day) + 2.0 for day in range(FIRST + 1, FIRST + 8)}
    back = {day: trend(day) for day in range(FIRST + 8, FIRST + 14)}
    (aside,) = judged(BEFORE | off | back, windows=2)
    assert aside.window == 1
    assert aside.from_ms == FIRST * DAY_MS + DAY_MS // 2
    assert aside.until_ms == (FIRST + 8 + RECOVERS_DAYS) * DAY_MS


def test_one_that_stayed_off_is_not_waited_for_anew_after_another_contact() -> None:
    off = {day: trend(day) + 2.0 for day in range(FIRST + 1, FIRST + STAYS_OFF_DAYS + 8)}
    again = FIRST + STAYS_OFF_DAYS + 4
    windows = [
        ContactWindow(n, day * DAY_MS, day * DAY_MS + DAY_MS // 2, 112.0, "")
        for n, day in enumerate((FIRST, again), start=1)
    ]
    days = {PROBE: BEFORE | off}
    found = asides(rig(), windows, days, now_ms=(again + 4) * DAY_MS)
    (aside,) = [each for each in found if each.probe == PROBE]
    assert aside.recovery is Recovery.STAYS_OFF
    assert aside.from_ms == FIRST * DAY_MS
    assert "begin a new baseline" in aside.says


def test_on_its_way_back_it_says_for_how_many_days_it_has_been_there() -> None:
    wet = {day: trend(day) + 3.0 for day in range(FIRST + 1, FIRST + 5)}
    (aside,) = judged(BEFORE | wet | {day: trend(day) for day in (FIRST + 5, FIRST + 6)})
    assert aside.recovery is Recovery.WAITING
    assert aside.says == "Within 0.5 % MC of its trend on 2 days; it takes 3 in a row."


def test_too_few_days_before_are_no_trend() -> None:
    (aside,) = judged({FIRST - 1: 15.0, FIRST + 1: 15.0})
    assert aside.recovery is Recovery.WAITING
    assert "too few" in aside.says


def test_while_it_lasts_it_has_no_end() -> None:
    window = ContactWindow(1, FIRST * DAY_MS, None, 112.0, "")
    now = (FIRST + 1) * DAY_MS
    found = asides(rig(), [window], {PROBE: BEFORE}, now_ms=now)
    assert {aside.until_ms for aside in found} == {None}
    assert {aside.says for aside in found} == {"Water touches the specimen."}
    assert len(found) == 3


@pytest.mark.parametrize("hours", [0.1, 1.0])
def test_a_short_contact_spoils_only_what_is_low(hours: float) -> None:
    assert judged(BEFORE, hours=hours) == []
