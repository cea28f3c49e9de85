"""Every state of an alarm with every event, against the transition table of the standard.

ISA-18.2 / IEC 62682 were not read. The transitions are from memory, but for latching, on-delay,
off-delay and deadband, which are as the reference pages of OPC UA Part 9 (an open industry
specification; 3.1.13 and B.1.5, excerpts read) have them. Where the standard leaves open what
happens behind a shelf or a suppression, the row is marked "own choice".
"""

from itertools import product

import pytest

from longsoak.core.alarms import (
    Delays,
    Life,
    Seen,
    acknowledge,
    has_ended,
    hide,
    high,
    is_due_again,
    is_news,
    reset,
    show,
    step,
    tell,
)
from longsoak.vocabulary.alarm import AlarmState as A
from longsoak.vocabulary.alarm import Hiding as Over

AT_ONCE = Delays(0.0, 0.0)
EVENTS = ("raise", "clear", "acknowledge", "reset")

# What lies over no alarm. Rows: state before; columns as in EVENTS. From memory.
PLAIN = {
    A.NORMAL: (A.NEW, A.NORMAL, A.NORMAL, A.NORMAL),
    A.NEW: (A.NEW, A.GONE, A.ACKNOWLEDGED, A.NEW),
    A.ACKNOWLEDGED: (A.ACKNOWLEDGED, A.NORMAL, A.ACKNOWLEDGED, A.ACKNOWLEDGED),
    A.GONE: (A.NEW, A.GONE, A.NORMAL, A.GONE),
}
# A latching alarm (OPC UA Part 9, 3.1.13) stays until it is reset, though its cause has gone.
LATCHING = {
    A.NORMAL: (A.NEW, A.NORMAL, A.NORMAL, A.NORMAL),
    A.NEW: (A.NEW, A.GONE, A.ACKNOWLEDGED, A.NEW),
    A.ACKNOWLEDGED: (A.ACKNOWLEDGED, A.HELD, A.ACKNOWLEDGED, A.ACKNOWLEDGED),
    A.GONE: (A.NEW, A.GONE, A.HELD, A.GONE),
    A.HELD: (A.NEW, A.HELD, A.HELD, A.NORMAL),
}
# While something lies over an alarm it is stepped on; nobody is asked to acknowledge it.
# Own choice: one nobody was told of leaves nothing to acknowledge once it has gone.
HIDDEN_UNTOLD = {
    **PLAIN,
    A.NEW: (A.NEW, A.NORMAL, A.NEW, A.NEW),
    A.GONE: (A.NEW, A.GONE, A.GONE, A.GONE),
}
HIDDEN_TOLD = {
    **PLAIN,
    A.NEW: (A.NEW, A.GONE, A.NEW, A.NEW),
    A.GONE: (A.NEW, A.GONE, A.GONE, A.GONE),
}
HIDDEN_LATCHING = {
    **LATCHING,
    A.NEW: (A.NEW, A.GONE, A.NEW, A.NEW),
    A.GONE: (A.NEW, A.GONE, A.GONE, A.GONE),
}
# Once a shelving is over, or an alarm is back in service: one that stands is announced anew (the
# standard); one that has gone is settled unless it is latching (own choice).
SHOWN_BY_HAND = {
    A.NORMAL: A.NORMAL,
    A.NEW: A.NEW,
    A.ACKNOWLEDGED: A.NEW,
    A.GONE: A.NORMAL,
    A.HELD: A.HELD,
}
# Once nothing suppresses it any more it stands as it did (own choice: nobody has seen anything).
SHOWN_BY_ITSELF = {state: state for state in A}


def after(life: Life, event: str, *, latching: bool) -> Life:
    match event:
        case "raise":
            return step(life, Seen.THERE, now=1.0, delays=AT_ONCE, latching=latching)
        case "clear":
            return step(life, Seen.AWAY, now=1.0, delays=AT_ONCE, latching=latching)
        case "acknowledge":
            return acknowledge(life, latching=latching)
        case _:
            return reset(life)


def tables() -> list[tuple[bool, Over | None, bool, dict[A, tuple[A, A, A, A]]]]:
    found: list[tuple[bool, Over | None, bool, dict[A, tuple[A, A, A, A]]]] = []
    for told, hiding in product((False, True), (None, *Over)):
        if hiding is None:
            found += [(False, None, told, PLAIN), (True, None, told, LATCHING)]
        else:
            found.append((False, hiding, told, HIDDEN_TOLD if told else HIDDEN_UNTOLD))
            found.append((True, hiding, told, HIDDEN_LATCHING))
    return found


CASES = [
    pytest.param(latching, hiding, told, before, event, expected, id=f"{name}")
    for latching, hiding, told, table in tables()
    for before, row in table.items()
    for event, expected in zip(EVENTS, row, strict=True)
    for name in [
        f"{before.name}-{event}-{hiding and hiding.name}-{'latching' * latching}-{'told' * told}"
    ]
]


@pytest.mark.parametrize(("latching", "hiding", "told", "before", "event", "expected"), CASES)
def test_every_state_and_event_leads_where_the_table_says(
    latching: bool, hiding: Over | None, told: bool, before: A, event: str, expected: A
) -> None:
    ends = 99.0 if hiding is Over.SHELVED else None
    life = Life(before, hiding=hiding, ends=ends, told=told)
    found = after(life, event, latching=latching)
    assert found.state is expected
    # What lies over it, and what people were told, is not changed by any of these.
    assert (found.hiding, found.ends, found.told) == (hiding, ends, told)


def test_every_state_was_tried_under_every_cover_with_every_event() -> None:
    tried = {(case.values[0], case.values[1], case.values[3], case.values[4]) for case in CASES}
    states = {False: set(A) - {A.HELD}, True: set(A)}
    assert tried == {
        (latching, hiding, state, event)
        for latching in (False, True)
        for hiding in (None, *Over)
        for state in states[latching]
        for event in EVENTS
    }


@pytest.mark.parametrize(("state", "over"), list(product(A, (None, *Over))))
@pytest.mark.parametrize("new", Over)
def test_a_person_can_lay_over_anything_and_a_suppression_only_over_what_lies_open(
    state: A, over: Over | None, new: Over
) -> None:
    before = Life(state, hiding=over, ends=5.0 if over is Over.SHELVED else None)
    found = hide(before, new, ends=9.0 if new is Over.SHELVED else None)
    assert found.state is state  # the process goes on underneath
    if new is Over.SUPPRESSED and over is not None:
        assert found == before
    else:
        assert (found.hiding, found.ends) == (new, 9.0 if new is Over.SHELVED else None)


@pytest.mark.parametrize(("state", "latching"), list(product(A, (False, True))))
def test_what_ends_a_cover_brings_an_alarm_back_as_the_table_says(state: A, latching: bool) -> None:
    for over in (Over.SHELVED, Over.OUT_OF_SERVICE):
        life = Life(state, hiding=over, ends=5.0 if over is Over.SHELVED else None)
        expected = SHOWN_BY_HAND[state]
        if latching and state is A.GONE:
            expected = A.GONE
        found = show(life, latching=latching)
        assert (found.state, found.hiding, found.ends) == (expected, None, None)
    suppressed = Life(state, hiding=Over.SUPPRESSED)
    assert show(suppressed, latching=latching).state is SHOWN_BY_ITSELF[state]


def test_only_a_shelving_has_an_end_and_it_has_one() -> None:
    with pytest.raises(ValueError, match="a shelving has one"):
        hide(Life(), Over.SHELVED)
    for over in (Over.SUPPRESSED, Over.OUT_OF_SERVICE):
        with pytest.raises(ValueError, match="nothing else"):
            hide(Life(), over, ends=3.0)
    shelved = hide(Life(), Over.SHELVED, ends=60.0)
    assert [has_ended(shelved, now=t) for t in (0.0, 59.9, 60.0, 61.0)] == [0, 0, 1, 1]


# Shelf expires while the condition is still true: unacknowledged, with a new announcement.
@pytest.mark.parametrize("told", [False, True])
def test_a_shelf_that_ends_over_a_standing_alarm_announces_it_anew(told: bool) -> None:
    shelved = Life(A.ACKNOWLEDGED, hiding=Over.SHELVED, ends=5.0, told=told)
    assert is_news(shelved, show(shelved))


def test_what_is_hidden_is_told_to_nobody() -> None:
    for state, over, told in product(A, Over, (False, True)):
        life = Life(state, hiding=over, ends=5.0 if over is Over.SHELVED else None, told=told)
        assert not is_news(Life(), life)
        assert not is_due_again(life, now=1e9, every=60.0)


def test_people_are_told_once_that_it_came_and_once_that_it_went() -> None:
    came = step(Life(), Seen.THERE, now=0.0, delays=AT_ONCE)
    assert is_news(Life(), came)
    came = tell(came, now=0.0)
    answered = acknowledge(came)
    assert not is_news(came, answered)
    gone = step(answered, Seen.AWAY, now=9.0, delays=AT_ONCE)
    assert is_news(answered, gone)
    assert not is_news(gone, tell(gone, now=9.0))


# OPC UA Part 9, B.1.5 (excerpt read): re-alarm time. Here for what nobody has answered.
def test_an_unanswered_alarm_is_due_again_after_its_time_and_an_answered_one_never() -> None:
    came = tell(step(Life(), Seen.THERE, now=100.0, delays=AT_ONCE), now=100.0)
    assert [is_due_again(came, now=t, every=60.0) for t in (159.9, 160.0)] == [False, True]
    assert not is_due_again(came, now=1e9, every=0.0)
    assert not is_due_again(acknowledge(came), now=1e9, every=60.0)


# OPC UA Part 9, B.1.5 (excerpt read): on-delay, off-delay and deadband.
def test_delays_and_deadband_are_those_of_the_specification() -> None:
    delays = Delays(on=15.0, off=60.0)
    life = Life()
    for now, value, expected in (
        (0.0, 99.0, A.NORMAL),
        (1.0, 100.0, A.NORMAL),  # at the limit: the on-delay begins
        (15.9, 101.0, A.NORMAL),
        (16.0, 101.0, A.NEW),  # it held for the whole delay
        (17.0, 97.0, A.NEW),  # back by less than the deadband, or exactly: it stays
        (20.0, 96.9, A.NEW),  # by more: the off-delay begins
        (79.9, 96.9, A.NEW),
        (79.95, 97.5, A.NEW),  # a brief return begins it anew
        (80.0, 96.9, A.NEW),
        (140.0, 96.9, A.GONE),
    ):
        seen = high(value, setpoint=100.0, deadband=3.0)
        life = step(life, seen, now=now, delays=delays)
        assert life.state is expected, now
