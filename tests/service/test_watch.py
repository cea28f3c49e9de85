"""Each alarm of a rig stands when it should, says why, and keeps quiet about what another says."""

from dataclasses import replace
from math import nan
from pathlib import Path

import pytest

from longsoak.rigfile.load import parse
from longsoak.service.alarmlives import At
from longsoak.service.watch import BUS_PATIENCE, AlarmBook
from longsoak.vocabulary.alarm import AlarmChange, AlarmLeft, AlarmState, Hiding
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.flags import Flag, Reason
from service.benchrig import T0, bench, scan

HERE = Path(__file__).parent


def book() -> AlarmBook:
    return AlarmBook(bench(), {}, now=0.0)


def brief(changes: list[AlarmChange]) -> list[tuple[str, AlarmState]]:
    return [(change.key, change.new) for change in changes]


def feed(
    alarms: AlarmBook,
    times: range,
    flag: Flag = Flag.PASS,
    reason: Reason = Reason.NONE,
    **v: float,
) -> list[AlarmChange]:
    return [c for t in times for c in alarms.scan(scan(float(t), flag, reason, **v))]


def test_water_over_the_stop_line_raises_and_clears_below_the_deadband() -> None:
    alarms = book()
    raised = feed(alarms, range(20), water_level=100.0)
    assert brief(raised) == [("overfill:water level", AlarmState.NEW)]
    assert (raised[0].value, raised[0].says) == (100.0, "100 mm, setpoint 100 mm")
    assert feed(alarms, range(20, 200), water_level=97.5) == []
    cleared = feed(alarms, range(200, 300), water_level=96.5)
    assert brief(cleared) == [("overfill:water level", AlarmState.GONE)]


def test_the_float_is_a_second_opinion_on_overfill() -> None:
    raised = feed(book(), range(10), high_float=1.0)
    assert brief(raised) == [("overfill:high float", AlarmState.NEW)]
    assert raised[0].says == "the float is up"


PUMPS = """
[[probes]]
name = "drip rail"
kind = "flow"
runs_from = 0.4
bus = "air"
address = { device = 5, input = 0 }

[[probes]]
name = "pump"
kind = "pump current"
runs_from = 0.3
bus = "air"
address = { device = 5, input = 1 }
"""


def with_pumps() -> AlarmBook:
    text = f"{(HERE / 'benchrig.toml').read_text()}\n{PUMPS}"
    return AlarmBook(parse(text, file="benchrig.toml", find_kind=None), {}, now=0.0)


@pytest.mark.parametrize(
    ("probe", "stopped", "runs", "says"),
    [
        ("drip_rail", 0.39, 0.4, "0.39 L/min, runs from 0.4 L/min"),
        ("pump", 0.02, 0.3, "0.02 A, runs from 0.3 A"),
    ],
)
def test_a_pump_that_stops_raises_after_a_minute_and_clears_when_it_runs(
    probe: str, stopped: float, runs: float, says: str
) -> None:
    alarms, key = with_pumps(), f"pump stopped:{probe.replace('_', ' ')}"
    assert feed(alarms, range(0, 60, 10), Flag.PASS, Reason.NONE, **{probe: stopped}) == []
    raised = feed(alarms, range(60, 120, 10), Flag.PASS, Reason.NONE, **{probe: stopped})
    assert brief(raised) == [(key, AlarmState.NEW)]
    assert (raised[0].value, raised[0].says) == (stopped, says)
    assert brief(feed(alarms, range(120, 180, 10), Flag.PASS, Reason.NONE, **{probe: runs})) == [
        (key, AlarmState.GONE)
    ]


def test_a_pump_that_pauses_for_less_than_a_minute_is_no_alarm() -> None:
    alarms = with_pumps()
    for at in range(0, 1200, 120):
        assert feed(alarms, range(at, at + 60, 10), drip_rail=0.0) == []
        assert feed(alarms, range(at + 60, at + 120, 10), drip_rail=2.0) == []


def test_a_flow_that_is_not_known_is_silent_and_no_stopped_pump() -> None:
    alarms = with_pumps()
    raised = feed(alarms, range(0, 900, 10), Flag.FAIL, Reason.LOOP_FAULT, drip_rail=3.5)
    assert brief(raised) == [("silent:drip rail", AlarmState.NEW)]
    assert raised[0].says == "its 4-20 mA loop is broken, shorted, or tells a fault"


DISAGREE = "float and level disagree:high float"


def test_a_float_that_sticks_down_is_told_with_its_side() -> None:
    alarms = book()
    told = feed(alarms, range(590), water_level=111.0, high_float=0.0)
    assert DISAGREE not in dict(brief(told))
    (raised,) = feed(alarms, range(590, 620), water_level=111.0, high_float=0.0)
    assert (raised.key, raised.new, raised.value) == (DISAGREE, AlarmState.NEW, 0.0)
    assert raised.says == ("high float is down where water level reads 111 mm; it trips at 105 mm")
    cleared = feed(alarms, range(620, 720), water_level=111.0, high_float=1.0)
    assert (DISAGREE, AlarmState.GONE) in brief(cleared)


def test_a_float_that_sticks_up_is_told_with_its_side() -> None:
    raised = feed(book(), range(650), water_level=72.0, high_float=1.0)
    (change,) = (c for c in raised if c.key == DISAGREE)
    assert change.value == 1.0
    assert change.says == "high float is up where water level reads 72 mm; it trips at 105 mm"


@pytest.mark.parametrize(
    ("level", "switch"), [(109.9, 0.0), (100.1, 1.0), (140.0, 1.0), (9.0, 0.0)]
)
def test_within_the_margin_or_agreeing_nothing_is_told(level: float, switch: float) -> None:
    raised = feed(book(), range(2000), water_level=level, high_float=switch)
    assert DISAGREE not in dict(brief(raised))


def test_a_passing_difference_while_water_is_topped_up_is_no_alarm() -> None:
    alarms = book()
    for at in range(0, 4000, 400):
        told = feed(alarms, range(at, at + 300), water_level=111.0, high_float=0.0)
        told += feed(alarms, range(at + 300, at + 400), water_level=90.0, high_float=0.0)
        assert DISAGREE not in dict(brief(told))


@pytest.mark.parametrize("gone", ["water_level", "high_float"])
def test_while_either_is_missing_a_disagreement_neither_comes_nor_goes(gone: str) -> None:
    def live(alarms: AlarmBook, times: range, **values: float) -> list[AlarmChange]:
        changes = []
        for t in times:
            changes += feed(alarms, range(t, t + 1), Flag.MISSING, Reason.NO_ANSWER, **{gone: nan})
            kept = {name: value for name, value in values.items() if name != gone}
            changes += feed(alarms, range(t, t + 1), Flag.PASS, Reason.NONE, **kept)
        return [change for change in changes if change.key == DISAGREE]

    apart, agreed = {"water_level": 120.0, "high_float": 0.0}, {"water_level": 80.0}
    alarms = book()
    assert live(alarms, range(2000), **apart) == []
    alarms = book()
    assert DISAGREE not in dict(brief(feed(alarms, range(599), Flag.PASS, Reason.NONE, **apart)))
    assert live(alarms, range(599, 2000), **apart) == []
    assert [
        c
        for c in feed(alarms, range(2000, 2700), Flag.PASS, Reason.NONE, **apart)
        if c.key == DISAGREE
    ]
    assert live(alarms, range(2700, 4000), **agreed, high_float=0.0) == []


def paced(*, level_every: float, float_every: float) -> AlarmBook:
    rig = bench()
    every = {"water level": level_every, "high float": float_every}
    probes = tuple(replace(p, every=every.get(p.name, p.every)) for p in rig.probes)
    return AlarmBook(replace(rig, probes=probes), {}, now=0.0)


def test_a_level_looked_at_once_an_hour_is_not_held_against_a_float_that_moved_since() -> None:
    # A top-up between two looks lifts the float: the level of half an hour ago says nothing of it.
    alarms = paced(level_every=3600.0, float_every=1.0)
    told = feed(alarms, range(1), water_level=72.0)
    told += feed(alarms, range(1, 3599), high_float=1.0)
    assert DISAGREE not in dict(brief(told))
    told = feed(alarms, range(3600, 3601), water_level=112.0)
    assert DISAGREE not in dict(brief(told))


def test_a_slow_level_still_shows_a_float_that_sticks() -> None:
    alarms = paced(level_every=3600.0, float_every=1.0)
    told = []
    for at in (3600, 7200):
        told += feed(alarms, range(at - 10, at), high_float=1.0)
        told += feed(alarms, range(at, at + 1), water_level=72.0)
    assert [change.utc_ms for change in told if change.key == DISAGREE] == [T0 + 7_200_000]


def test_a_float_looked_at_rarely_is_not_held_against_a_level_that_moved_since() -> None:
    alarms = paced(level_every=5.0, float_every=3600.0)
    told = feed(alarms, range(1), high_float=0.0, water_level=72.0)
    told += feed(alarms, range(5, 3600, 5), water_level=112.0)
    assert DISAGREE not in dict(brief(told))


def test_what_a_hung_bus_said_last_is_not_held_against_the_other_one() -> None:
    alarms = book()
    feed(alarms, range(10), high_float=0.0, water_level=72.0)
    told = feed(alarms, range(10, 2000, 5), water_level=120.0)  # the float's bus says nothing
    assert DISAGREE not in dict(brief(told))


def test_a_tray_running_dry_raises() -> None:
    assert brief(feed(book(), range(60), water_level=24.0)) == [("dry:water level", AlarmState.NEW)]


@pytest.mark.parametrize(
    ("flag", "reason"),
    [
        (Flag.MISSING, Reason.NO_ANSWER),
        (Flag.MISSING, Reason.BUS_DOWN),
        (Flag.FAIL, Reason.OUT_OF_RANGE),
        (Flag.NOT_EVALUATED, Reason.WRONG_UNIT),
    ],
)
def test_a_level_that_is_not_known_alarms_like_a_dry_one(flag: Flag, reason: Reason) -> None:
    keys = brief(feed(book(), range(60), flag, reason, water_level=nan))
    assert ("level unknown:water level", AlarmState.NEW) in keys
    assert not [key for key, _ in keys if key.startswith(("overfill", "dry"))]


def test_a_silent_probe_raises_with_its_reason() -> None:
    raised = feed(book(), range(0, 1800, 300), Flag.FAIL, Reason.OUT_OF_RANGE, resistor=9.9e37)
    assert brief(raised) == [("silent:resistor", AlarmState.NEW)]
    assert raised[0].says == "outside what the sensor can measure"


def test_pins_that_conduct_nothing_are_an_open_circuit_and_not_silent() -> None:
    alarms = book()
    raised = feed(alarms, range(0, 1800, 300), Flag.FAIL, Reason.OPEN_CIRCUIT, pin=9.9e37)
    assert brief(raised) == [("open circuit:pin", AlarmState.NEW)]
    assert raised[0].says == "open circuit"
    # While nobody knows, it stands; a value ends it.
    assert feed(alarms, range(1800, 2400, 300), Flag.MISSING, Reason.NO_ANSWER, pin=nan) == []
    back = feed(alarms, range(2400, 2700, 300), pin=14.0)
    assert ("open circuit:pin", AlarmState.GONE) in brief(back)


@pytest.mark.parametrize("reason", [Reason.BUS_DOWN, Reason.BAD_CHECKSUM])
def test_a_bus_that_is_down_is_told_once_and_not_by_each_of_its_probes(reason: Reason) -> None:
    """It may be open and bring nothing but garble: its probes say what they bring."""
    alarms = book()
    changes = []
    for t in range(0, 4000, 10):
        changes += alarms.bus("meter", "port gone", now=t, utc_ms=T0 + t * 1000)
        changes += alarms.scan(scan(t, Flag.MISSING, reason, pin=nan, resistor=nan))
    assert brief(changes) == [("bus down:meter", AlarmState.NEW)]
    assert changes[0].says == "port gone"
    back = alarms.bus("meter", None, now=5000, utc_ms=T0)
    assert brief(back) == [("bus down:meter", AlarmState.GONE)]


def test_a_worker_that_hangs_is_noticed_though_nothing_arrives() -> None:
    alarms = book()
    alarms.bus("air", None, now=0, utc_ms=T0)
    alarms.scan(scan(0, water_level=70.0))
    changes = [
        change for t in range(1, 4000) for change in alarms.tick(now=float(t), utc_ms=T0 + t * 1000)
    ]
    first = {key: round((c.utc_ms - T0) / 1000) for c in reversed(changes) for key in [c.key]}
    assert first["level unknown:water level"] < 120
    assert BUS_PATIENCE < first["bus down:air"] < BUS_PATIENCE + 30
    raised = [change.key for change in changes if not change.old.standing]
    assert len(raised) == len(first)  # each came once; what nobody answers is told again


def test_a_front_end_that_drifts_shows_on_its_reference_resistor() -> None:
    alarms = book()
    assert feed(alarms, range(0, 9000, 900), resistor=10.15e6) == []
    raised = feed(alarms, range(9000, 18000, 900), resistor=10.3e6)
    assert brief(raised) == [("drift:resistor", AlarmState.NEW)]
    assert raised[0].says == "10.3 MΩ where 10 MΩ is fitted: +3.0 %"


def test_a_probe_that_drifts_from_another_is_told_with_both_values() -> None:
    alarms = book()
    assert feed(alarms, range(0, 600, 60), humid=70.0, humid_twin=67.0) == []
    raised = feed(alarms, range(600, 1800, 60), humid=75.0, humid_twin=67.0)
    assert [key for key, _ in brief(raised)] == ["drift:humid"]
    assert raised[0].says == "75 % RH where humid twin reads 67 % RH"


def test_a_drift_is_not_judged_by_a_reference_that_fell_silent() -> None:
    alarms = book()
    feed(alarms, range(0, 120, 60), humid=70.0, humid_twin=69.0)
    assert feed(alarms, range(600, 6000, 60), humid=80.0) == []


def two_pins() -> AlarmBook:
    """A book that judges one pair of pins by another: 4 % MC apart are too much."""
    rig = bench()
    (pin,) = (probe for probe in rig.probes if probe.name == "pin")
    (plan,) = (plan for plan in rig.alarms if plan.key == "drift:humid")
    judged = replace(plan, key="drift:pin", subject="pin", against="pin twin")
    rig = replace(
        rig, probes=(*rig.probes, replace(pin, name="pin twin")), alarms=(*rig.alarms, judged)
    )
    return AlarmBook(rig, {}, now=0.0)


# A bound says only that the truth lies at it or beyond.
@pytest.mark.parametrize(
    ("reason", "value", "says"),
    [
        (Reason.WETTER_THAN_CURVE, 25.0, "> 25.0 % WME where pin twin reads 17.0 % WME"),
        (Reason.DRIER_THAN_CURVE, 7.0, "< 7.0 % WME where pin twin reads 17.0 % WME"),
        (Reason.WETTER_THAN_CURVE, 9.0, None),
        (Reason.DRIER_THAN_CURVE, 25.0, None),
        (Reason.WETTER_THAN_CURVE, 18.0, None),
    ],
)
def test_a_bound_shows_a_drift_only_where_the_truth_must_be_far_off(
    reason: Reason, value: float, says: str | None
) -> None:
    alarms = two_pins()
    raised = []
    for at in range(0, 9000, 450):
        raised += feed(alarms, range(at, at + 1), pin_twin=17.0)
        raised += feed(alarms, range(at, at + 1), Flag.SUSPECT, reason, pin=value)
    assert [change.says for change in raised] == ([] if says is None else [says])


def test_a_bound_never_ends_a_drift_that_stands() -> None:
    alarms = two_pins()
    assert len(feed(alarms, range(0, 9000, 450), pin=25.0, pin_twin=17.0)) == 1
    later = range(9000, 18000, 450)
    assert feed(alarms, later, Flag.SUSPECT, Reason.WETTER_THAN_CURVE, pin=18.0) == []


def test_a_probe_that_a_busy_bus_never_gets_to_is_silent_too() -> None:
    alarms = book()
    raised: list[AlarmChange] = []
    for at in range(0, 600, 10):  # the bus delivers, but never the probe on it
        raised += alarms.bus("air", None, now=float(at), utc_ms=T0)
        raised += feed(alarms, range(at, at + 1), water_level=80.0, high_float=0.0, wood=20.0)
        raised += alarms.tick(now=float(at), utc_ms=T0)
    assert {key for key, _ in brief(raised)} == {"silent:humid", "silent:humid twin"}
    assert "its bus has more to do than it can" in raised[0].says


def test_a_bus_that_comes_and_goes_is_as_good_as_down() -> None:
    alarms = book()
    raised = []
    for at in range(0, 60, 2):
        raised += alarms.bus("air", "it hung up", now=float(at), utc_ms=T0)
        raised += alarms.bus("air", None, now=at + 1.0, utc_ms=T0)
    assert brief(raised) == [("bus down:air", AlarmState.NEW)]
    assert "it hung up" in raised[0].says or "lost 3 times" in raised[0].says
    later = [c for at in range(60, 700) for c in alarms.bus("air", None, now=at, utc_ms=T0)]
    assert brief(later) == [("bus down:air", AlarmState.GONE)]


@pytest.mark.parametrize(
    "watch", [Watch.DOUBT, Watch.STUCK, Watch.DRIFTING, Watch.SHORT, Watch.INSULATION]
)
def test_what_judging_finds_raises_its_own_alarm_and_clears_once_it_is_over(watch: Watch) -> None:
    alarms = book()
    key, says = f"{watch}:pin", "pin: the same raw value for a day"
    raised = alarms.found({(watch, "pin"): says}, now=1.0, utc_ms=T0)
    assert [(c.key, c.new, c.says) for c in raised] == [(key, AlarmState.NEW, says)]
    assert alarms.found({(watch, "pin"): says}, now=2.0, utc_ms=T0) == []
    cleared = alarms.found({}, now=3.0, utc_ms=T0)
    assert brief(cleared) == [(key, AlarmState.GONE)]
    # What one reading shows moves it neither way.
    assert feed(alarms, range(4, 9), pin=20.0) == []


def test_what_the_balance_of_the_water_finds_is_held_until_it_is_reset() -> None:
    alarms, key = book(), "leak:water level"
    says = "2.1 L a day are lost, usually 0.4"
    raised = alarms.water({Watch.LEAK: says, Watch.SALTS: None}, now=1.0, utc_ms=T0)
    assert [(c.key, c.new, c.says) for c in raised] == [(key, AlarmState.NEW, says)]
    assert alarms.water({Watch.LEAK: says}, now=2.0, utc_ms=T0) == []
    assert alarms.water({}, now=3.0, utc_ms=T0) == []  # not known: it stays as it was
    alarms.lives.acknowledge(key, by="mk", at=At(4.0, T0))
    mended = alarms.water({Watch.LEAK: None}, now=5.0, utc_ms=T0)
    assert brief(mended) == [(key, AlarmState.HELD)]


def test_a_record_that_takes_nothing_is_told_with_the_reason() -> None:
    alarms = book()
    full = "a scan could not be kept: database or disk is full"
    assert alarms.standing(Watch.RECORD, full, now=0.0, utc_ms=T0) == []
    raised = alarms.standing(Watch.RECORD, full, now=10.0, utc_ms=T0)
    assert brief(raised) == [("record refused:record", AlarmState.NEW)]
    assert raised[0].says == full
    assert brief(alarms.standing(Watch.RECORD, None, now=11.0, utc_ms=T0)) == [
        ("record refused:record", AlarmState.GONE)
    ]


@pytest.mark.parametrize(
    ("watch", "key"),
    [(Watch.DAMAGED, "record damaged:record"), (Watch.RESTARTED, "restarted:computer")],
)
def test_what_has_happened_stands_until_somebody_acknowledges_it(watch: Watch, key: str) -> None:
    alarms = book()
    raised = alarms.happened(watch, "it was set aside", now=0.0, utc_ms=T0)
    assert brief(raised) == [(key, AlarmState.NEW)]
    assert alarms.tick(now=1.0, utc_ms=T0) == []
    later = alarms.tick(now=90_000.0, utc_ms=T0)
    assert {c.new for c in later if c.key == key} == {AlarmState.NEW}  # told again, no more
    alarms.lives.acknowledge(key, by="mk", at=At(90_001.0, T0))
    ended = [c for c in alarms.tick(now=90_002.0, utc_ms=T0) if c.key == key]
    assert brief(ended) == [(key, AlarmState.NORMAL)]


def test_a_damaged_record_stands_over_a_restart() -> None:
    key = "record damaged:record"
    alarms = AlarmBook(bench(), {key: AlarmLeft(AlarmState.NEW, told=True)}, now=0.0)
    assert [c for at in range(100) for c in alarms.tick(now=at, utc_ms=T0) if c.key == key] == []
    assert alarms.lives.acknowledge(key, by="mk", at=At(100.0, T0)).outcome == "acknowledged"


def test_an_outlet_that_is_away_raises() -> None:
    rig = bench()
    assert rig.mqtt is None
    alarms = book()
    assert alarms.outlet("mqtt", "refused", now=0, utc_ms=T0) == []  # none is configured


def test_a_restart_neither_forgets_an_alarm_nor_tells_it_again() -> None:
    left = {"overfill:water level": AlarmLeft(AlarmState.ACKNOWLEDGED, told=True)}
    alarms = AlarmBook(bench(), left, now=0.0)
    assert feed(alarms, range(60), water_level=104.0) == []
    ended = feed(alarms, range(60, 120), water_level=90.0)
    assert [(c.key, c.new, c.told) for c in ended] == [
        ("overfill:water level", AlarmState.NORMAL, True)
    ]


def test_acknowledging_is_recorded_with_who_did_it() -> None:
    alarms = book()
    feed(alarms, range(20), water_level=104.0)
    answered = alarms.lives.acknowledge("overfill:water level", by="mk", at=At(20.0, T0))
    (change,) = answered.changes
    assert (change.old, change.new, change.by) == (AlarmState.NEW, AlarmState.ACKNOWLEDGED, "mk")
    assert (answered.outcome, change.told) == ("acknowledged", False)


@pytest.mark.parametrize(
    ("key", "outcome"),
    [
        ("overfill:water level", "refused: the alarm is normal, there is nothing to answer"),
        ("overfull", "refused: the rig file has no alarm 'overfull'"),
    ],
)
def test_what_cannot_be_acknowledged_is_refused_with_the_reason(key: str, outcome: str) -> None:
    answered = book().lives.acknowledge(key, by="mk", at=At(0.0, T0))
    assert (answered.changes, answered.outcome) == ([], outcome)


def test_an_alarm_the_rig_file_dropped_does_not_stand_for_ever() -> None:
    left = {
        "silent:gone": AlarmLeft(AlarmState.NEW, told=True),
        "silent:shelved": AlarmLeft(AlarmState.NORMAL, Hiding.SHELVED, ends=50.0),
        "silent:pin": AlarmLeft(AlarmState.NEW, told=True),
    }
    alarms = AlarmBook(bench(), left, now=0.0)
    ended = alarms.orphans(left, utc_ms=T0, boottime_ms=0)
    assert [(c.key, c.new, c.hiding, c.told) for c in ended] == [
        ("silent:gone", AlarmState.NORMAL, None, True),
        ("silent:shelved", AlarmState.NORMAL, None, False),
    ]
