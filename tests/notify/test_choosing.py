"""What of many alarms a route tells now, what it holds back, and how often."""

from dataclasses import replace

import pytest

from longsoak.notify.choosing import PACE, Pacing, choose, is_wanted
from longsoak.vocabulary.alarm import AlarmState, Priority, StoredChange
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.notices import Person
from rigs import ACKNOWLEDGED, GONE, NEW, NORMAL, START_MS, small_rig

HIGH, MEDIUM = "overfill: water level", "silent: C 30/60"
RIG = small_rig()


def change(
    number: int,
    key: str = MEDIUM,
    old: AlarmState = NORMAL,
    new: AlarmState = NEW,
    *,
    at: float = 0.0,
) -> StoredChange:
    return StoredChange(key, START_MS, round(1000 * at), old, new, None, "", None, number)


def numbers(changes: object) -> list[int]:
    return [one.id for one in changes]  # type: ignore[attr-defined]  # changes, as named


@pytest.mark.parametrize(
    ("person", "told"),
    [
        (None, [1, 2, 3]),
        (Person("mk"), [1, 2, 3]),
        (Person("mk", least=Priority.MEDIUM), [1, 2, 3]),
        (Person("mk", least=Priority.HIGH), [1, 3]),
        (Person("mk", watches=(Watch.SILENT,)), [2, 3]),
        (Person("mk", watches=(Watch.SILENT,), least=Priority.HIGH), [3]),
    ],
)
def test_a_person_is_told_from_a_priority_on_and_of_some_watches(
    person: Person | None, told: list[int]
) -> None:
    changes = [change(1, HIGH), change(2), change(3, "of an alarm that is no more", NEW, GONE)]
    assert numbers(c for c in changes if is_wanted(RIG, c, person)) == told


def test_an_acknowledgement_is_told_to_nobody() -> None:
    assert not is_wanted(RIG, change(1, old=NEW, new=ACKNOWLEDGED), None)


def test_quiet_hours_hold_back_all_but_what_is_high() -> None:
    changes = [change(5), change(6, HIGH), change(7)]
    assert choose(RIG, changes, after=4, held=0, quiet=True) == ([changes[1]], 5)
    assert choose(RIG, changes[2:], after=6, held=5, quiet=True) == ([], 5)
    # At their end what was held back goes; what went meanwhile does not go again.
    assert choose(RIG, changes, after=7, held=5, quiet=False) == ([changes[0], changes[2]], 0)


def test_what_is_high_and_came_with_the_end_goes_with_the_rest_in_order() -> None:
    changes = [change(5), change(6, HIGH), change(7), change(8, HIGH)]
    assert numbers(choose(RIG, changes, after=7, held=5, quiet=False).now) == [5, 7, 8]


def flooded(*, many: int = 11) -> Pacing:
    pacing = Pacing()
    for number in range(1, many + 1):
        pacing.seen([change(number, at=number)], boottime=float(number))
        if pacing.lets(RIG, [change(number)], boottime=float(number)):
            pacing.sent(high=False, boottime=float(number))
    return pacing


def test_ten_alarms_in_ten_minutes_each_go_at_once_and_the_eleventh_waits() -> None:
    # More than 10 in 10 min is a flood: ISA-18.2 and EEMUA 191, second hand.
    calm = flooded(many=10)
    assert calm.lets(RIG, [change(10)], boottime=10.0)
    pacing = flooded()
    assert not pacing.lets(RIG, [change(11)], boottime=11.0)
    assert not pacing.lets(RIG, [change(11)], boottime=10.0 + PACE - 1.0)
    assert pacing.lets(RIG, [change(11)], boottime=10.0 + PACE)


def test_what_is_high_waits_behind_nothing_but_what_is_high_and_for_one_interval() -> None:
    pacing = flooded()
    assert pacing.lets(RIG, [change(12), change(13, HIGH)], boottime=12.0)
    pacing.sent(high=True, boottime=12.0)
    assert not pacing.lets(RIG, [change(14, HIGH)], boottime=13.0)
    assert pacing.lets(RIG, [change(14, HIGH)], boottime=12.0 + PACE)


def test_alarms_of_hours_ago_and_of_another_boot_make_no_flood() -> None:
    pacing = Pacing()
    pacing.seen([change(n, at=n) for n in range(1, 20)], boottime=7200.0)
    assert pacing.lets(RIG, [change(20)], boottime=7200.0)
    pacing.seen([change(n, at=50_000 + n) for n in range(20, 40)], boottime=7300.0)
    assert pacing.lets(RIG, [change(40)], boottime=7300.0)


def test_an_alarm_that_is_looked_at_twice_counts_once() -> None:
    pacing = Pacing()
    for _ in range(20):
        pacing.seen([replace(change(1), boottime_ms=1000)], boottime=1.0)
    assert pacing.lets(RIG, [change(2)], boottime=1.0)
