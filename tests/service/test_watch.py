"""Each alarm of a rig stands when it should, says why, and keeps quiet about what another says."""

from dataclasses import replace
from math import nan

import pytest

from longsoak.service.watch import BUS_PATIENCE, AlarmBook
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.flags import Flag, Reason
from service.benchrig import T0, bench, scan


def book(**left: AlarmState) -> AlarmBook:
    return AlarmBook(bench(), left, now=0.0)


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
    raised = feed(book(), range(0, 1800, 300), Flag.FAIL, Reason.OPEN_CIRCUIT, pin=9.9e37)
    assert brief(raised) == [("silent:pin", AlarmState.NEW)]
    assert raised[0].says == "open circuit"


def test_a_bus_that_is_down_is_told_once_and_not_by_each_of_its_probes() -> None:
    alarms = book()
    changes = []
    for t in range(0, 4000, 10):
        changes += alarms.bus("meter", "port gone", now=t, utc_ms=T0 + t * 1000)
        changes += alarms.scan(scan(t, Flag.MISSING, Reason.BUS_DOWN, pin=nan, resistor=nan))
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
    assert len(changes) == len(first)  # each told once


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


def test_a_record_that_takes_nothing_is_told_with_the_reason() -> None:
    alarms = book()
    full = "a scan could not be kept: database or disk is full"
    assert alarms.record(full, now=0.0, utc_ms=T0) == []
    raised = alarms.record(full, now=10.0, utc_ms=T0)
    assert brief(raised) == [("record refused:record", AlarmState.NEW)]
    assert raised[0].says == full
    assert brief(alarms.record(None, now=11.0, utc_ms=T0)) == [
        ("record refused:record", AlarmState.GONE)
    ]


def test_an_outlet_that_is_away_raises() -> None:
    rig = bench()
    assert rig.mqtt is None
    alarms = book()
    assert alarms.outlet("mqtt", "refused", now=0, utc_ms=T0) == []  # none is configured


def test_a_restart_neither_forgets_an_alarm_nor_tells_it_again() -> None:
    alarms = AlarmBook(bench(), {"overfill:water level": AlarmState.ACKNOWLEDGED}, now=0.0)
    assert feed(alarms, range(60), water_level=104.0) == []
    assert brief(feed(alarms, range(60, 120), water_level=90.0)) == [
        ("overfill:water level", AlarmState.NORMAL)
    ]


def test_acknowledging_is_recorded_with_who_did_it() -> None:
    alarms = book()
    feed(alarms, range(20), water_level=104.0)
    change, outcome = alarms.acknowledge("overfill:water level", "mk", utc_ms=T0, boottime_ms=0)
    assert change is not None
    assert (change.old, change.new, change.by) == (AlarmState.NEW, AlarmState.ACKNOWLEDGED, "mk")
    assert outcome == "acknowledged"


@pytest.mark.parametrize(
    ("key", "outcome"),
    [
        ("overfill:water level", "refused: the alarm is normal, there is nothing to answer"),
        ("overfull", "refused: the rig file has no alarm 'overfull'"),
    ],
)
def test_what_cannot_be_acknowledged_is_refused_with_the_reason(key: str, outcome: str) -> None:
    assert book().acknowledge(key, "mk", utc_ms=T0, boottime_ms=0) == (None, outcome)


def test_an_alarm_the_rig_file_dropped_does_not_stand_for_ever() -> None:
    left = {"silent:gone": AlarmState.NEW, "silent:pin": AlarmState.NEW}
    alarms = AlarmBook(bench(), left, now=0.0)
    ended = alarms.orphans(left, utc_ms=T0, boottime_ms=0)
    assert brief(ended) == [("silent:gone", AlarmState.NORMAL)]
