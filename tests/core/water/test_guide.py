"""The guide of a top-up, on simulated trays whose level follows the can late."""

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from longsoak.core.water.guide import (
    HOLDS,
    MAY_POUR,
    Look,
    Setting,
    Told,
    TopUp,
    Word,
    ended,
    is_settled,
    step,
)
from longsoak.core.water.pour import Sample, course, lag_after, usual_lag
from longsoak.vocabulary.rig import Reservoir

EVERY = 0.4  # s
TRAY = Reservoir(
    name="tray",
    level="water level",
    float_switch="high float",
    depth_table=((0, 0), (150, 60)),  # 0.4 m2: 0.4 L a mm
    length=1000,
    breadth=400,
    rim=150,
    stop=100,
    pump_needs=25,
)
SETTING = Setting(TRAY, underside=110, period=EVERY, lag=20)


class Water(NamedTuple):
    """What is in the tray, mm, and what the sensor shows of it."""

    at: float
    true: float
    shown: float


Rate = Callable[[float, Told | None], float]  # mm/s at a time, by what was told last


def poured(
    rate: Rate,
    *,
    begin: float,
    lag: float,
    wave: float = 0.0,
    seconds: float = 300.0,
    seed: int = 1,
) -> Iterator[tuple[Water, TopUp, Told]]:
    """Pour into a tray whose level follows by a lag of first order, with waves on it."""
    dice = random.Random(seed)  # noqa: S311 - waves
    true = shown = begin
    state, told = TopUp(), None
    fine = 0.05
    for tick in range(round(seconds / fine)):
        at = tick * fine
        true += rate(at, told) * fine
        shown += (true - shown) * min(1.0, fine / lag)
        if tick % round(EVERY / fine):
            continue
        seen = shown + wave * math.sin(7.0 * at + dice.random()) + dice.gauss(0.0, 0.1)
        look = Look(at, seen, 1.0, at, False, at)
        state, told = step(state, look, SETTING)
        yield Water(at, true, seen), state, told


def obeys(speed: float, slow: float) -> Rate:
    """Somebody who pours until told otherwise, slower when told, and reacts at once to a stop."""

    def rate(at: float, told: Told | None) -> float:
        if told is None or at < 8 or not told.may_pour:
            return 0.0
        return slow if told.word is Word.SLOW else speed

    return rate


@pytest.mark.long
@settings(deadline=None)  # minutes of a tray in each
@given(
    begin=st.floats(30, 80),
    speed=st.floats(0.1, 1.0),  # mm/s: 2.4 to 24 L a minute here
    lag=st.floats(1, 20),
    wave=st.floats(0, 2),
    seed=st.integers(0, 99),
)
def test_whoever_stops_when_told_never_has_the_water_settle_over_the_line(
    begin: float, speed: float, lag: float, wave: float, seed: int
) -> None:
    *_, (water, _, _) = poured(obeys(speed, 0.1), begin=begin, lag=lag, wave=wave, seed=seed)
    assert water.true <= TRAY.stop


@given(
    levels=st.lists(st.floats(0, 150), min_size=1, max_size=60),
    u=st.floats(0, 5),
    lag=st.floats(5, 60),
)
def test_it_never_says_pour_where_the_settled_level_is_over_the_line(
    levels: list[float], u: float, lag: float
) -> None:
    state, setting = TopUp(), replace(SETTING, lag=lag)
    for turn, level in enumerate(levels):
        at = turn * EVERY
        state, told = step(state, Look(at, level, u, at, False, at), setting)
        if told.word in MAY_POUR:
            assert told.settles is not None
            assert told.settles + 2 * u < TRAY.stop
            assert told.litres_to_go is not None
            assert told.litres_to_go > 0


@given(
    levels=st.lists(st.floats(0, 140), min_size=5, max_size=30),
    more=st.floats(0, 10),
    u=st.floats(0, 5),
)
def test_more_water_never_gives_more_litres_to_fit(
    levels: list[float], more: float, u: float
) -> None:
    def to_go(add: float) -> float:
        state, told = TopUp(), Told(Word.UNKNOWN)
        for turn, level in enumerate(levels):
            at = turn * EVERY
            state, told = step(state, Look(at, level + add, u, at, False, at), SETTING)
        assert told.litres_to_go is not None
        return told.litres_to_go

    assert to_go(more) <= to_go(0.0) + 1e-9


def test_the_words_come_in_order_and_do_not_flicker() -> None:
    words: list[Word] = []
    for _, _, told in poured(obeys(0.4, 0.1), begin=60, lag=15, wave=0.5):
        if not words or words[-1] is not told.word:
            words.append(told.word)
    assert words[:5] == [Word.UNKNOWN, Word.READY, Word.POURING, Word.SLOW, Word.STOP]
    assert len(words) <= 7, words  # it may find that a little still fits, and stop once more


def test_waves_far_below_the_line_stop_nobody() -> None:
    told = [t for _, _, t in poured(lambda *_: 0.0, begin=70, lag=15, wave=2.0)]
    assert {t.word for t in told[20:]} <= {Word.READY, Word.POURING}


def test_stop_comes_while_the_level_itself_is_still_below_the_line() -> None:
    for water, _, told in poured(lambda at, _: 0.5 if at > 8 else 0.0, begin=60, lag=20):
        if told.word is Word.STOP:
            # 60 + 0.5 mm/s; what is on its way is 0.5 x (20 + 3): computed.
            assert water.shown < 100 - 0.5 * 20 + 2
            assert water.true < 100
            return
    pytest.fail("stop was never said")


def fed(looks: list[Look], setting: Setting = SETTING) -> Told:
    """What is told after the last of some looks."""
    state, told = TopUp(), Told(Word.UNKNOWN)
    for look in looks:
        state, told = step(state, look, setting)
    return told


def still(mm: float, *, upto: float = 10.0) -> list[Look]:
    """A calm level, looked at for some seconds."""
    return [Look(n * EVERY, mm, 1.0, n * EVERY, False, n * EVERY) for n in range(int(upto / EVERY))]


def test_litres_and_millimetres_that_fit_leave_twice_the_uncertainty_free() -> None:
    told = fed(still(80))
    assert told.word is Word.READY
    assert told.mm_to_go == pytest.approx(18)  # 100 - 2 x 1 - 80
    assert told.litres_to_go == pytest.approx(18 * 0.4)
    assert told.clearance == pytest.approx(30)


def test_over_the_line_tells_what_to_draw_off() -> None:
    told = fed(still(103))
    assert told.word is Word.OVER
    assert told.over == pytest.approx(3 * 0.4)
    assert told.litres_to_go == 0.0


@pytest.mark.parametrize(
    ("last", "word"),
    [
        (Look(10.0, 80, 1.0, 6.9, False, 10.0), Word.UNKNOWN),  # the level is 3.1 s old
        (Look(10.0, 80, 1.0, 7.1, False, 10.0), Word.READY),
        (Look(10.0, None, None, 0.0, False, 10.0), Word.UNKNOWN),
        (Look(10.0, math.nan, 1.0, 10.0, False, 10.0), Word.UNKNOWN),
        (Look(10.0, 80, 1.0, 10.0, True, 10.0), Word.FLOAT_UP),
        (Look(10.0, None, None, 0.0, True, 10.0), Word.FLOAT_UP),
        (Look(10.0, 80, 1.0, 10.0, None, 10.0), Word.UNKNOWN),
        (Look(10.0, 80, 1.0, 10.0, False, 6.9), Word.UNKNOWN),  # the float's is
    ],
)
def test_what_is_not_known_or_a_float_that_is_up_means_stop(last: Look, word: Word) -> None:
    told = fed([*still(80, upto=6.8), last])
    assert told.word is word
    assert told.may_pour is (word is Word.READY)


def test_a_rig_without_a_float_does_without() -> None:
    bare = replace(SETTING, reservoir=replace(TRAY, float_switch=None))
    looks = [look._replace(up=None) for look in still(80)]
    assert fed(looks, bare).word is Word.READY


def test_one_splash_neither_stops_nor_starts_anything() -> None:
    looks = still(80)
    splash = looks[-3]._replace(level=140.0)
    assert fed([*looks[:-3], splash, *looks[-2:]]).word is Word.READY


def test_a_milder_word_has_to_hold() -> None:
    up = Look(10.0, 80, 1.0, 10.0, True, 10.0)
    down = [
        Look(10.4 + n * EVERY, 80, 1.0, 10.4 + n * EVERY, False, 10.4 + n * EVERY) for n in range(9)
    ]
    assert fed([*still(80), up, *down[: int(HOLDS / EVERY) - 1]]).word is Word.FLOAT_UP
    assert fed([*still(80), up, *down]).word is Word.READY


def test_what_was_poured_is_told_by_settled_levels() -> None:
    def four(at: float, _told: Told | None) -> float:
        return 0.5 if 10 <= at < 30 else 0.0  # 10 mm, 4 L

    states = list(poured(four, begin=70, lag=10, seconds=150))
    _, state, told = states[-1]
    assert is_settled(state)
    assert not is_settled(states[60][1])  # at 24 s it rises
    assert told.poured == pytest.approx(4.0, abs=0.3)
    end = ended(state, SETTING, uncertainty=1.0)
    assert end is not None
    assert (end.before_mm, end.after_mm) == pytest.approx((70, 80), abs=0.3)
    assert end.litres == pytest.approx(4.0, abs=0.2)
    # 0.4 L/mm x 1 mm, twice; and 1 % of 4 L: JCGM 100, 5.1.2 (from memory).
    assert end.litres_u == pytest.approx(math.hypot(0.4, 0.4, 0.04), rel=0.01)


def test_the_settled_level_of_a_steady_pour_is_that_of_its_lag() -> None:
    # Computed: a ramp of rate r through a lag of first order T is r T behind once T is long past.
    rate, lag = 0.5, 20.0
    samples = [
        Sample(t * EVERY, 50 + rate * (t * EVERY - lag * (1 - math.exp(-t * EVERY / lag))))
        for t in range(500)
    ]
    found = course(samples, lag=lag)
    assert found is not None
    assert found.rate == pytest.approx(rate, rel=0.01)
    assert found.settles == pytest.approx(50 + rate * samples[-1].at, abs=rate * 3)
    assert found.settles >= 50 + rate * samples[-1].at


@pytest.mark.parametrize("lag", [5.0, 12.0, 25.0])
def test_the_lag_of_a_pour_is_on_the_safe_side_of_what_the_rig_has(lag: float) -> None:
    samples = [
        Sample(t * EVERY, 80 - 6 * math.exp(-max(0.0, t * EVERY - 10) / lag)) for t in range(600)
    ]
    found = lag_after(samples, stopped=10.0, after=80.0)
    assert found == pytest.approx(lag * math.log(10), rel=0.05)  # nine tenths of e^(-t/T)


def test_a_pour_whose_end_was_said_late_tells_no_lag() -> None:
    samples = [Sample(t * EVERY, 80.0) for t in range(100)]
    assert lag_after(samples, stopped=10.0, after=80.2) is None
    assert usual_lag([]) == 20.0
    assert usual_lag([3.0]) == 5.0
    assert usual_lag([11.0, 30.0, 9.0]) == 30.0
    assert usual_lag([600.0]) == 120.0


@pytest.mark.parametrize("rate", [0.3, 0.8])
def test_a_level_that_comes_to_rest_with_the_can_tells_a_short_lag(rate: float) -> None:
    samples = [Sample(t * EVERY, 80.0 + rate * min(0.0, t * EVERY - 10.0)) for t in range(100)]
    found = lag_after(samples, stopped=10.0, after=80.0)
    assert found is not None
    assert found <= (1.0 + 3.0 * rate) / rate  # the level is a middle of three seconds
    slow = [Sample(t * EVERY, 80.0 + 0.02 * min(0.0, t * EVERY - 10.0)) for t in range(100)]
    assert lag_after(slow, stopped=10.0, after=80.0) is None


def test_what_is_in_and_what_may_be_on_its_way_are_told_apart() -> None:
    """One that rises by 0.25 mm/s, 0.1 L/s, and may be 20 s late."""
    looks = [Look(t * EVERY, 70.0 + 0.1 * t, 1.0, t * EVERY, False, t * EVERY) for t in range(101)]
    told = fed(looks)
    assert told.poured == pytest.approx(4.0, abs=0.3)
    assert told.on_its_way == pytest.approx(0.1 * 23, abs=0.3)
    assert told.poured is not None
    assert told.on_the_safe_side == told.poured + told.on_its_way


def test_a_clock_that_is_set_back_means_stop_until_the_level_is_known_anew() -> None:
    after = [
        look._replace(at=look.at - 3600, taken=look.taken - 3600, up_taken=look.up_taken - 3600)
        for look in still(96)
    ]
    assert fed([*still(70), after[0]]).word is Word.UNKNOWN
    assert fed([*still(70), *after]).word is Word.SLOW  # by the new levels alone
