"""What a rig's readings tell of its probes, on four pairs of pins and what else hangs there."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from math import nan
from random import Random

import pytest

from healthrig import A_DAY, BEGAN, NONE, PASS, PINS, Row, Seen, as_it_is, rig, shifted, sound
from longsoak.core.quality.faults import Readings
from longsoak.core.quality.health import News, RigHealth
from longsoak.core.quality.limits import DAY_MS
from longsoak.core.quality.peers import LONGEST
from longsoak.core.quality.written import read_again, written
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.health import Check, Fault, Finding, Suspicion
from longsoak.vocabulary.rig import Kind, Rig

FULL_SCALE = 9.9e37


def at_ms(day: float) -> int:
    return round((BEGAN + day) * DAY_MS)


def lived_through(
    of: Rig,
    days: int,
    sick: dict[str, Seen] | None = None,
    *,
    pieces: int = 1,
    again: Callable[[RigHealth], RigHealth] = lambda health: health,
    aside: Mapping[str, tuple[float, float | None]] | None = None,
) -> list[News]:
    """All news of so many days, taken in `pieces` a day; `aside` in days since the first."""
    health, news = RigHealth(of), list[News]()
    health.set_aside = {
        name: [(at_ms(begin), None if end is None else at_ms(end))]
        for name, (begin, end) in (aside or {}).items()
    }
    sources = {p.name: Random(p.name) for p in of.probes}  # noqa: S311 - noise, not secrets
    for day in range(days):
        rows: dict[str, list[Row]] = {}
        for probe in of.probes:
            seen = (sick or {}).get(probe.name, as_it_is)
            rows[probe.name] = [
                seen(at, sound(probe, at, sources[probe.name]))
                for at in range(day * A_DAY, (day + 1) * A_DAY)
            ]
        each = A_DAY // pieces
        for first in range(0, A_DAY, each):
            times = [(BEGAN + day) * DAY_MS + 900_000 * (first + i) for i in range(each)]
            for name, own in rows.items():
                news += health.take(name, readings_of(times, own[first : first + each]))
        news += health.close_days((BEGAN + day + 1) * DAY_MS)[0]
        health = again(health)
    return news


def readings_of(times: list[int], rows: list[Row]) -> Readings:
    raw, values, flags, reasons = zip(*rows, strict=True)
    return Readings(times, raw, values, flags, reasons)


def found(news: Iterable[News]) -> dict[str, set[Fault]]:
    named: dict[str, set[Fault]] = {}
    for each in news:
        if isinstance(each, Finding) and not each.over:
            named.setdefault(each.probe, set()).add(each.fault)
    return named


def only(news: Iterable[News], probe: str) -> Finding:
    (finding,) = [n for n in news if isinstance(n, Finding) and n.probe == probe and not n.over]
    return finding


def day_of(finding: Finding) -> float:
    return finding.found_ms / DAY_MS - BEGAN


def test_nothing_is_said_of_a_rig_that_works() -> None:
    assert lived_through(rig(), 90) == []


@pytest.mark.parametrize("way", [1, -1])
def test_a_drift_tells_since_when_how_fast_in_which_unit_and_against_what(way: int) -> None:
    news = lived_through(rig(), 70, {"C 30/160": shifted(lambda day: way * max(0, day - 30) / 30)})
    drift = next(n for n in news if isinstance(n, Finding))
    assert found(news) == {"C 30/160": {Fault.DRIFT}}
    assert day_of(drift) <= 55
    assert abs(drift.since_ms / DAY_MS - BEGAN - 30) <= 3
    assert drift.figures["a month"] == pytest.approx(way, abs=0.15)
    assert drift.figures["at least"] <= drift.figures["a month"] <= drift.figures["at most"]
    assert drift.figures["p"] < 0.01
    assert set(drift.against) == {"C 30/60", "C 30/260", "C 30/360"}
    way_words = "wetter" if way > 0 else "drier"
    assert f"% MC {way_words} than C 30/60, C 30/260 and C 30/360 since " in drift.says
    assert " % MC in 30 days" in drift.says
    assert ("counts as wet" in drift.says) == (way > 0)


def test_a_drift_is_told_again_once_it_is_twice_what_was_told() -> None:
    news = lived_through(rig(), 90, {"C 30/160": shifted(lambda day: max(0, day - 20) / 30)})
    told = [abs(n.figures["change"]) for n in news if isinstance(n, Finding)]
    assert len(told) == 2
    assert told[1] >= 2 * told[0]


def test_humidity_that_drifts_is_found_before_it_is_four_percent_off() -> None:
    sick = {"RH room 1": shifted(lambda day: 2 * max(0, day - 20) / 30)}
    drift = only(lived_through(rig(), 60, sick), "RH room 1")
    assert drift.fault is Fault.DRIFT
    assert 2 * (day_of(drift) - 20) / 30 < 4


def test_a_step_is_told_from_a_drift_and_is_over_once_it_is_undone() -> None:
    news = lived_through(rig(), 60, {"C 30/260": shifted(lambda day: 2.0 if 30 <= day < 45 else 0)})
    assert found(news) == {"C 30/260": {Fault.STEP}}
    step, over = (n for n in news if isinstance(n, Finding))
    assert (day_of(step), step.since_ms) == (31, (BEGAN + 30) * DAY_MS)
    assert "went 2." in step.says
    assert "within a day" in step.says
    assert over.over
    assert day_of(over) == pytest.approx(46, abs=1)


def test_of_two_alone_nobody_can_tell_which_is_right() -> None:
    two = rig("C 30/60", "C 30/160")
    news = lived_through(two, 50, {"C 30/160": shifted(lambda day: 3.0 if day >= 30 else 0)})
    assert found(news) == {"C 30/60": {Fault.STEP}, "C 30/160": {Fault.STEP}}
    assert all("can't be told" in n.says for n in news if isinstance(n, Finding))


def test_an_open_wire_is_told_with_the_third_reading_and_is_over_with_the_third_good_one() -> None:
    def seen(at: int, value: float) -> Row:
        if 1000 <= at < 1100:
            return FULL_SCALE, nan, Flag.FAIL, Reason.OPEN_CIRCUIT
        return value, value, PASS, NONE

    news = lived_through(rig(), 20, {"C 30/60": seen})
    opened, over = (n for n in news if isinstance(n, Finding))
    assert (opened.fault, opened.over, over.over) == (Fault.OPEN, False, True)
    start = BEGAN * DAY_MS
    assert (opened.since_ms, opened.found_ms) == (start + 1000 * 900_000, start + 1002 * 900_000)
    assert over.found_ms == start + 1100 * 900_000


def test_a_short_counts_as_wet() -> None:
    def seen(at: int, value: float) -> Row:
        if at >= 1000:
            return 400.0, 25.0, Flag.SUSPECT, Reason.SHORT_CIRCUIT
        return value, value, PASS, NONE

    news = lived_through(rig(), 20, {"C 30/60": seen})
    assert found(news) == {"C 30/60": {Fault.SHORT}}
    assert "counts as wet" in only(news, "C 30/60").says


def test_a_sensor_that_sticks_is_told_within_a_day() -> None:
    held: list[float] = []

    def seen(at: int, value: float) -> Row:
        if at >= 1000:
            held.append(value)
            return held[0], held[0], PASS, NONE
        return value, value, PASS, NONE

    stuck = only((n for n in lived_through(rig(), 13, {"T core 0": seen})), "T core 0")
    assert stuck.fault is Fault.STUCK
    assert stuck.since_ms == BEGAN * DAY_MS + 1000 * 900_000
    assert "for 24 h" in stuck.says


def test_a_loose_pin_wavers() -> None:
    source = Random(3)  # noqa: S311 - noise, not a secret

    def seen(at: int, value: float) -> Row:
        value += source.gauss(0, 0.6) if at >= 20 * A_DAY else 0
        return value, value, PASS, NONE

    news = lived_through(rig(), 30, {"C 30/360": seen})
    assert found(news) == {"C 30/360": {Fault.NOISE}}
    assert "a loose pin" in only(news, "C 30/360").says


def test_a_front_end_that_drifts_shows_in_its_reference_resistor_alone() -> None:
    def seen(at: int, value: float) -> Row:
        value *= 1 + 0.03 * max(0, at / A_DAY - 20) / 30
        return value, value, PASS, NONE

    news = lived_through(rig(), 40, {"meter reference": seen})
    drift = only(news, "meter reference")
    assert drift.fault is Fault.FRONT_END
    assert day_of(drift) < 30
    assert drift.figures["a month"] == pytest.approx(3, rel=0.2)


def test_a_front_end_that_moved_a_little_for_good_is_found_in_time() -> None:
    def seen(at: int, value: float) -> Row:
        value *= 1.0018 if at >= 20 * A_DAY else 1
        return value, value, PASS, NONE

    moved = only(lived_through(rig(), 60, {"meter reference": seen}), "meter reference")
    assert moved.fault is Fault.FRONT_END
    assert moved.since_ms == (BEGAN + 20) * DAY_MS
    assert 25 < day_of(moved) < 50
    assert moved.figures["off"] == pytest.approx(0.18, abs=0.02)


def test_wet_that_comes_quickly_is_suspect_at_most() -> None:
    """No check sets a reading aside for being wetter than expected."""
    news = lived_through(rig(), 20, {"C 30/60": shifted(lambda day: 9.0 if day >= 10.5 else 0)})
    suspicions = [n for n in news if isinstance(n, Suspicion)]
    assert [(n.check, n.flag, n.readings) for n in suspicions] == [(Check.RATE, Flag.SUSPECT, 1)]
    assert "counts as wet" in only(news, "C 30/60").says


def test_a_spike_is_told_with_its_time() -> None:
    news = lived_through(rig(), 12, {"C 30/60": shifted(lambda day: 9.0 if day == 10.5 else 0)})
    spike = next(n for n in news if isinstance(n, Suspicion) and n.check is Check.SPIKE)
    at = round((BEGAN + 10.5) * DAY_MS)
    assert (spike.first_ms, spike.last_ms, spike.readings) == (at, at, 1)


SICK = {
    "C 30/160": shifted(lambda day: max(0, day - 20) / 30),
    "RH room 0": shifted(lambda day: 6.0 if day >= 25.3 else 0),
    "T core 2": shifted(lambda day: 9.0 if day == 31.0 else 0),
}


def test_it_comes_to_the_same_however_readings_are_brought() -> None:
    assert lived_through(rig(), 50, SICK, pieces=8) == lived_through(rig(), 50, SICK)


def test_it_goes_on_from_what_was_written_down() -> None:
    def again(health: RigHealth) -> RigHealth:
        text = written(health.memories)
        assert repr(read_again(text)) == repr(health.memories)  # NaN does not equal itself
        return RigHealth(rig(), read_again(text), began=health.began)

    assert lived_through(rig(), 50, SICK, again=again) == lived_through(rig(), 50, SICK)


def test_what_is_remembered_is_of_a_fixed_size() -> None:
    sizes = []

    def again(health: RigHealth) -> RigHealth:
        sizes.append(max(len(memory.means) for memory in health.memories.values()))
        return health

    lived_through(rig("C 30/60"), LONGEST + 20, again=again)
    assert max(sizes) == LONGEST + 1


def test_a_probe_that_was_moved_begins_anew() -> None:
    of = rig()
    health = RigHealth(of)
    known = health.memories
    known["C 30/60"].noisy = 1
    moved = replace(of, probes=(replace(of.probes[0], height=100), *of.probes[1:]))
    assert RigHealth(moved, known).memories["C 30/60"].noisy == 0
    assert RigHealth(of, known).memories["C 30/60"].noisy == 1


def test_while_the_pump_stands_the_air_about_the_wet_face_is_another_one() -> None:
    """A pump that stops is no sensor's fault, and a drift is found across such days."""
    small = rig()
    meter = next(p for p in small.probes if p.kind is Kind.HUMIDITY)
    pump = replace(meter, name="pump", kind=Kind.PUMP_CURRENT, runs_from=0.4)
    of = replace(small, probes=(*small.probes, pump))
    stands = [(17.3, 18.0), (25.0, 27.6), (33.1, 33.4), (41.0, 41.9)]

    def stopped(day: float) -> bool:
        return any(start <= day < end for start, end in stands)

    sick = {
        "pump": lambda at, _: ((0.0 if stopped(at / A_DAY) else 0.6),) * 2 + (PASS, NONE),
        "RH room 0": shifted(lambda day: 0 if stopped(day) else 16),
    }
    assert found(lived_through(of, 60, sick)) == {}
    drifting = lambda day: (0 if stopped(day) else 16) + 2 * max(0, day - 15) / 30  # noqa: E731
    news = lived_through(of, 60, {**sick, "RH room 0": shifted(drifting)})
    assert found(news) == {"RH room 0": {Fault.DRIFT}}
    without = replace(of, probes=tuple(p for p in of.probes if p is not pump))
    assert found(lived_through(without, 60, sick))


def test_a_probe_with_two_duplicates_is_judged_by_them_alone() -> None:
    """They need no learning of how each follows the weather."""
    small = rig()
    of_air = [p.name for p in small.probes if p.kind is Kind.HUMIDITY]
    sick = {of_air[0]: shifted(lambda day: 0.1 * max(0.0, day - 15))}
    at_one_place = replace(
        small,
        probes=tuple(
            replace(p, place="over the tray") if p.kind is Kind.HUMIDITY else p
            for p in small.probes
        ),
    )
    finding = only(lived_through(at_one_place, 45, sick), of_air[0])
    assert finding.fault is Fault.DRIFT
    assert finding.against == tuple(of_air[1:])
    assert finding.figures["a month"] == pytest.approx(3.0, abs=0.3)


def test_a_morning_without_readings_is_no_step_away_from_those_that_had_them() -> None:
    """The mean of an afternoon is warmer than that of a day, and no sensor's fault."""

    def silent(at: int, value: float) -> Row:
        if 20 <= at / A_DAY < 20.45:
            return nan, nan, Flag.MISSING, NONE
        return as_it_is(at, value + 6 * (0.5 if at % A_DAY >= A_DAY / 2 else -0.5))

    of = rig()
    air = [p.name for p in of.probes if p.kind is Kind.TEMPERATURE]
    swings = shifted(lambda day: 6 * (0.5 if day % 1 >= 0.5 else -0.5))
    sick = {**dict.fromkeys(air, swings), air[0]: silent}
    assert found(lived_through(of, 40, sick)) == {}


def test_what_a_contact_wetted_is_neither_judged_nor_judged_by_until_it_recovered() -> None:
    """Pairs near the underside take up water from below, and dry; the others are sound."""
    wetted = dict.fromkeys(PINS[:2], shifted(lambda day: 4.0 if 20.5 <= day < 31 else 0.0))
    aside: dict[str, tuple[float, float | None]] = dict.fromkeys(PINS[:2], (20.5, 34.0))
    assert found(lived_through(rig(), 50, wetted))
    assert found(lived_through(rig(), 50, wetted, aside=aside)) == {}
    # One that does not come back is set aside for good, and one that fails later is found.
    stays = dict.fromkeys(PINS[:2], shifted(lambda day: 4.0 if day >= 20.5 else 0.0))
    for_good: dict[str, tuple[float, float | None]] = dict.fromkeys(PINS[:2], (20.5, None))
    assert found(lived_through(rig(), 50, stays, aside=for_good)) == {}
    later = {**wetted, PINS[0]: shifted(lambda day: 4.0 if day >= 40 else 0.0)}
    assert found(lived_through(rig(), 50, later, aside=aside)) == {PINS[0]: {Fault.STEP}}
