"""The alarm's life."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.alarms import (
    Delays,
    Life,
    Seen,
    acknowledge,
    apart,
    below,
    high,
    low,
    state_of,
    step,
)
from longsoak.vocabulary.alarm import AlarmState as A

DELAYS = Delays(on=60.0, off=30.0)


def live(*looks: tuple[float, Seen | None], life: Life | None = None) -> Life:
    life = life or Life()
    for now, seen in looks:
        life = step(life, seen, now=now, delays=DELAYS)
    return life


def test_a_splash_shorter_than_the_delay_raises_nothing() -> None:
    assert live((0, Seen.THERE), (30, Seen.AWAY), (61, Seen.THERE)).state is A.NORMAL


def test_the_cause_must_last_the_whole_delay() -> None:
    assert live((0, Seen.THERE), (59.9, Seen.THERE)).state is A.NORMAL
    assert live((0, Seen.THERE), (60, Seen.THERE)).state is A.NEW


def test_silence_neither_raises_nor_clears() -> None:
    assert live((0, Seen.THERE), (600, None)).state is A.NORMAL
    assert live((0, Seen.THERE), (60, Seen.THERE), (9999, None)).state is A.NEW


def test_a_sensor_that_answers_every_other_time_cannot_hold_an_overfill_back() -> None:
    looks = [(float(t), Seen.THERE if t % 2 == 0 else None) for t in range(62)]
    assert live(*looks).state is A.NEW


def test_inside_the_deadband_a_standing_alarm_stands_on_and_none_is_raised() -> None:
    standing = live((0, Seen.THERE), (60, Seen.THERE), (61, Seen.BETWEEN), (999, Seen.BETWEEN))
    assert standing.state is A.NEW
    assert live((0, Seen.BETWEEN), (999, Seen.BETWEEN)).state is A.NORMAL


def test_a_return_shorter_than_the_off_delay_clears_nothing() -> None:
    life = live((0, Seen.THERE), (60, Seen.THERE), (70, Seen.AWAY), (99, Seen.AWAY))
    assert life.state is A.NEW
    assert live((100, Seen.AWAY), life=life).state is A.GONE


# The transitions of ISA-18.2 / IEC 62682 as far as they are built here: from memory.
NEW = Life(A.NEW)
ACKNOWLEDGED = Life(A.ACKNOWLEDGED)
GONE = Life(A.GONE)


@pytest.mark.parametrize(
    ("life", "seen", "expected"),
    [
        (Life(), Seen.THERE, A.NEW),
        (NEW, Seen.AWAY, A.GONE),
        (GONE, Seen.THERE, A.NEW),
        (ACKNOWLEDGED, Seen.AWAY, A.NORMAL),
        (ACKNOWLEDGED, Seen.THERE, A.ACKNOWLEDGED),
        (GONE, Seen.AWAY, A.GONE),
    ],
)
def test_what_is_seen_moves_the_state(life: Life, seen: Seen, expected: A) -> None:
    assert live((0, seen), (60, seen), life=life).state is expected


@pytest.mark.parametrize(
    ("before", "after"),
    [(A.NEW, A.ACKNOWLEDGED), (A.GONE, A.NORMAL), (A.NORMAL, A.NORMAL)],
)
def test_an_acknowledgement_moves_the_state(before: A, after: A) -> None:
    assert acknowledge(Life(before)).state is after


def test_high_stands_at_its_setpoint_and_clears_below_the_deadband() -> None:
    looks = [high(v, setpoint=100, deadband=3) for v in (100, 99.9, 97, 96.9)]
    assert looks == [Seen.THERE, Seen.BETWEEN, Seen.BETWEEN, Seen.AWAY]


def test_low_is_high_upside_down() -> None:
    looks = [low(v, setpoint=25, deadband=3) for v in (25, 25.1, 28, 28.1)]
    assert looks == [Seen.THERE, Seen.BETWEEN, Seen.BETWEEN, Seen.AWAY]
    assert [state_of(True), state_of(False)] == [Seen.THERE, Seen.AWAY]


@given(st.lists(st.sampled_from([None, Seen.AWAY, Seen.BETWEEN]), max_size=30))
def test_without_its_cause_no_alarm_is_ever_raised(looks: list[Seen | None]) -> None:
    assert live(*((60.0 * i, seen) for i, seen in enumerate(looks))).state is A.NORMAL


@given(st.lists(st.sampled_from([None, *Seen]), max_size=60), st.lists(st.booleans(), max_size=60))
def test_living_through_equals_replaying(looks: list[Seen | None], acks: list[bool]) -> None:
    def states() -> list[A]:
        life, out = Life(), []
        for i, seen in enumerate(looks):
            life = step(life, seen, now=20.0 * i, delays=DELAYS)
            if i < len(acks) and acks[i]:
                life = acknowledge(life)
            out.append(life.state)
        return out

    first = states()
    assert first == states()
    # Never from normal to gone, never acknowledged without somebody who did it.
    assert all(
        (a, b) != (A.NORMAL, A.GONE) for a, b in zip([A.NORMAL, *first], first, strict=False)
    )
    if not any(acks):
        assert A.ACKNOWLEDGED not in first


def test_a_pump_that_runs_at_its_least_runs() -> None:
    looks = [below(value, least=0.4) for value in (0.0, 0.399, 0.4, 3.0)]
    assert looks == [Seen.THERE, Seen.THERE, Seen.AWAY, Seen.AWAY]


@pytest.mark.parametrize(
    ("level", "up", "off"),
    [
        (113.0, False, 8.0),  # sticks down
        (97.0, True, 8.0),  # sticks up
        (113.0, True, -8.0),
        (97.0, False, -8.0),
        (105.0, True, 0.0),
        (105.0, False, 0.0),
    ],
)
def test_a_float_and_a_level_are_apart_only_the_wrong_way_round(
    level: float, up: bool, off: float
) -> None:
    assert apart(level, up=up, trips_at=105.0) == off
