"""How close together alarms came: floods and chatter of a time.

The rates are those of ISA-18.2 and EEMUA 191, second hand; see `longsoak.core.alarmrates`.
"""

from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.alarmload import alarm_load
from longsoak.vocabulary.alarm import AlarmChange, AlarmState

SPAN, MINUTE = 600_000, 60_000  # ms


def came(key: str, utc_ms: int, *, told: bool = True) -> AlarmChange:
    normal, new = AlarmState.NORMAL, AlarmState.NEW
    return AlarmChange(key, utc_ms, utc_ms, normal, new, None, "", None, news=told)


@given(st.lists(st.integers(0, 10 * SPAN), max_size=40))
def test_the_most_within_ten_minutes_is_what_counting_each_window_gives(times: list[int]) -> None:
    load = alarm_load([came(f"a{n}", at) for n, at in enumerate(times)], now_ms=20 * SPAN)
    counts = [sum(0 <= other - at < SPAN for other in times) for at in times]
    assert load.most == max(counts, default=0)
    assert bool(load.floods) == (load.most > 10)
    assert not load.goes_on


def test_eleven_within_ten_minutes_are_a_flood_and_it_is_over_below_five() -> None:
    changes = [came(f"a{n}", 50_000 * n) for n in range(11)]
    load = alarm_load(changes, now_ms=500_000 + MINUTE)
    assert (load.floods, load.goes_on, load.most, load.most_ms) == ((500_000,), True, 11, 0)
    # Of the ten minutes before 899 s five came, from 300 s on; a second later the first is out.
    assert alarm_load(changes, now_ms=899_000).goes_on
    assert not alarm_load(changes, now_ms=900_000).goes_on


def test_what_nobody_is_told_of_makes_no_flood_but_chatters() -> None:
    changes = [came("a", 1000 * n, told=False) for n in range(20)]
    load = alarm_load(changes, now_ms=30_000)
    assert (load.floods, load.most) == ((), 0)
    (only,) = load.chattered
    assert (only.key, only.times, only.last_ms, only.goes_on) == ("a", 20, 19_000, True)
    assert not alarm_load(changes, now_ms=20 * SPAN).chattered[0].goes_on


def test_twice_in_a_minute_is_no_chatter_and_a_time_without_alarms_is_calm() -> None:
    two = [came("a", 0), came("a", MINUTE - 1), came("a", 2 * MINUTE)]
    assert alarm_load(two, now_ms=3 * MINUTE).calm
    assert alarm_load([*two, came("a", MINUTE)], now_ms=3 * MINUTE).chattered
    assert alarm_load([], now_ms=0).calm
