"""Floods, chattering alarms, and which came first."""

from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.alarmrates import BURST, Chatter, Flood, Rates, first_outs, is_stale


# ISA-18.2 (second hand): more than 10 alarms in 10 min; that it ends below 5 is from memory.
def test_a_flood_begins_above_ten_in_ten_minutes_and_ends_below_five() -> None:
    flood = Flood(Rates())
    for n in range(10):
        flood.raised(float(n))
    assert not flood.look(9.0)
    flood.raised(10.0)
    assert flood.look(10.0)
    # The first ones leave the window: with five left it is a flood still, with four no more.
    assert flood.look(605.9)
    assert not flood.look(606.0)


def test_alarms_a_minute_apart_are_no_flood() -> None:
    flood = Flood(Rates())
    found = []
    for n in range(60):  # one a minute: from memory (EEMUA 191), very likely unacceptable
        flood.raised(60.0 * n)
        found.append(flood.look(60.0 * n))
    assert not any(found)


@given(st.lists(st.floats(0, 1000), max_size=40).map(sorted))
def test_a_flood_always_ends_once_nothing_comes(times: list[float]) -> None:
    flood = Flood(Rates())
    for at in times:
        flood.raised(at)
        flood.look(at)
    assert not flood.look(1000.0 + Rates().flood_span)


def test_three_within_a_minute_chatter_and_three_in_more_do_not() -> None:
    chatter = Chatter(Rates())
    assert [chatter.raised("a", t) for t in (0.0, 30.0, 60.1, 89.9)] == [False, False, False, True]
    assert "a" in chatter
    assert "b" not in chatter
    # What comes on is counted, and told once it has been calm for long enough.
    assert not chatter.raised("a", 100.0)
    assert chatter.calmed(699.9) == []
    assert chatter.calmed(700.0) == [("a", 4)]
    assert "a" not in chatter
    assert not chatter.raised("a", 701.0)  # it begins anew


def test_those_that_come_together_name_their_first() -> None:
    assert first_outs([0.0, 5.0, 60.0, 121.0, 500.0, 560.0]) == {0: 0, 1: 0, 2: 0, 4: 4, 5: 4}


def test_a_clock_that_was_set_back_joins_nothing() -> None:
    assert first_outs([1000.0, 20.0]) == {}


@given(st.lists(st.floats(0, 5000), max_size=30).map(sorted))
def test_a_first_is_its_own_first_and_nobody_stands_alone(times: list[float]) -> None:
    found = first_outs(times)
    for place, first in found.items():
        assert first <= place
        assert found[first] == first
        assert sum(of == first for of in found.values()) > 1
    for place in set(range(len(times))) - found.keys():  # alone: nothing near on either side
        near = [
            abs(times[place] - times[other])
            for other in (place - 1, place + 1)
            if 0 <= other < len(times)
        ]
        assert all(gap > BURST for gap in near)


# ISA-18.2 (second hand): standing for more than 24 h.
def test_an_alarm_is_stale_after_a_day() -> None:
    assert [is_stale(86_405.0 - at) for at in (0.0, 10.0, 90_000.0)] == [True, False, False]
