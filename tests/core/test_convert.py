"""Samples become readings, or say why they can't."""

from dataclasses import replace
from math import inf, isnan, nan

import numpy as np
import pytest

from longsoak.core.convert import Conversion, Converted, judged_moisture
from longsoak.core.judge import loop_range
from longsoak.core.resistance import Budget, prepare
from longsoak.rigfile.curves import shipped
from longsoak.vocabulary.curve import SPREAD, Correction
from longsoak.vocabulary.flags import AT_MOST, Flag, Reason
from longsoak.vocabulary.rig import Kind, Rig, StandIn
from longsoak.vocabulary.sample import Absence, Missing, Sample
from service.benchrig import bench


def changed(**changes: object) -> Rig:
    """The bench rig with its pin changed."""
    rig = bench()
    probes = tuple(
        replace(p, **changes) if p.name == "pin" else p  # type: ignore[arg-type]  # as the test says
        for p in rig.probes
    )
    return replace(rig, probes=probes)


def convert(*samples: Sample | Missing, at: float = 0.0) -> list[Converted]:
    return Conversion(bench()).convert(samples, now=at)


WOOD = Sample("wood", 20.0, "Cel")


def test_pins_are_corrected_with_the_temperature_of_their_own_scan() -> None:
    pin, _ = convert(Sample("pin", 1.86e7, "Ohm"), WOOD)
    # 15 % at 26.7 degC by FPL-GTR-6 (from memory); colder wood reads low, so a little more.
    assert 15.4 < pin.value < 16.2
    assert 1.0 < pin.uncertainty < 1.4
    assert (pin.raw, pin.flag, pin.reason) == (1.86e7, Flag.PASS, Reason.NONE)


def test_a_temperature_serves_until_three_of_its_polls_are_missed() -> None:
    conversion = Conversion(bench())
    conversion.convert([WOOD], now=0.0)
    pin = Sample("pin", 1.86e7, "Ohm")
    assert conversion.convert([pin], now=200.0)[0].flag is Flag.PASS
    late = conversion.convert([pin], now=300.0)[0]
    assert (late.flag, late.reason) == (Flag.NOT_EVALUATED, Reason.NO_TEMPERATURE)
    assert (late.raw, isnan(late.value)) == (1.86e7, True)


def test_another_version_of_the_rig_goes_on_with_the_temperatures_of_probes_that_are_the_same() -> (
    None
):
    before, after = Conversion(bench()), Conversion(changed(depth=33.0))
    before.convert([WOOD], now=0.0)
    assert after.go_on_from(before.remembered) == {"wood"}
    pin = Sample("pin", 1.86e7, "Ohm")
    assert after.convert([pin], now=200.0)[0].flag is Flag.PASS
    assert after.convert([pin], now=300.0)[0].reason is Reason.NO_TEMPERATURE
    rig = bench()
    moved = tuple(replace(p, depth=1.0) if p.name == "wood" else p for p in rig.probes)
    other = Conversion(replace(rig, probes=moved))
    assert other.go_on_from(before.remembered) == frozenset()
    assert other.convert([pin], now=1.0)[0].reason is Reason.NO_TEMPERATURE


def test_a_temperature_that_failed_corrects_nothing() -> None:
    pin, wood = convert(Sample("pin", 1.86e7, "Ohm"), Sample("wood", 85.0, "Cel"))
    assert (wood.flag, pin.reason) == (Flag.FAIL, Reason.NO_TEMPERATURE)
    assert wood.raw == 85.0


@pytest.mark.parametrize(
    ("ohm", "flag", "reason"),
    [
        (9.9e37, Flag.FAIL, Reason.OVER_RANGE),
        (5e11, Flag.FAIL, Reason.OPEN_CIRCUIT),
        (3e10, Flag.PASS, Reason.DRIER_THAN_CURVE),
        (1e5, Flag.PASS, Reason.WETTER_THAN_CURVE),
        (200.0, Flag.SUSPECT, Reason.SHORT_CIRCUIT),
        (-2.0, Flag.SUSPECT, Reason.SHORT_CIRCUIT),
    ],
)
def test_the_ends_of_what_pins_can_say(ohm: float, flag: Flag, reason: Reason) -> None:
    pin, _ = convert(Sample("pin", ohm, "Ohm"), WOOD)
    assert (pin.flag, pin.reason, pin.raw) == (flag, reason, ohm)
    assert isnan(pin.value) is (flag is Flag.FAIL)


def test_what_did_not_come_is_missing_with_its_reason() -> None:
    for why, reason in [
        (Absence.NO_ANSWER, Reason.NO_ANSWER),
        (Absence.BAD_CHECKSUM, Reason.BAD_CHECKSUM),
        (Absence.UNREADABLE, Reason.UNREADABLE),
        (Absence.REFUSED, Reason.REFUSED),
        (Absence.BUS_DOWN, Reason.BUS_DOWN),
    ]:
        (pin,) = convert(Missing("pin", why, ""))
        assert (pin.flag, pin.reason) == (Flag.MISSING, reason)
        assert isnan(pin.raw)


def test_a_unit_the_kind_does_not_have_is_never_converted() -> None:
    for sample in (Sample("pin", 15.0, "%"), Sample("wood", 293.0, "K")):
        (got,) = convert(sample)
        assert (got.flag, got.reason) == (Flag.NOT_EVALUATED, Reason.WRONG_UNIT)
        assert (got.raw, isnan(got.value)) == (sample.value, True)


def test_a_saturated_humidity_is_suspect_above_a_hundred() -> None:
    (got,) = convert(Sample("humid", 100.4, "%"))
    assert (got.flag, got.value) == (Flag.SUSPECT, 100.4)


PIN = Sample("pin", 1.86e7, "Ohm")


def test_a_thermometer_deeper_in_leaves_more_doubt() -> None:
    plain, _ = convert(PIN, WOOD)
    beside, _ = Conversion(changed(depth=90.0)).convert([PIN, WOOD], now=0.0)
    assert plain.value == beside.value
    assert plain.uncertainty > beside.uncertainty


@pytest.mark.parametrize(
    "stand_in",
    [StandIn(2.0, last_good=6), StandIn(3.0, probe="other wood"), StandIn(5.0, fixed=20.0)],
)
def test_a_stand_in_corrects_is_flagged_and_is_less_sure(stand_in: StandIn) -> None:
    rig = changed(stand_in=stand_in)
    other = replace(next(p for p in rig.probes if p.name == "wood"), name="other wood")
    conversion = Conversion(replace(rig, probes=(*rig.probes, other)))
    measured, *_ = conversion.convert([PIN, WOOD, Sample("other wood", 20.0, "Cel")], now=0.0)
    silent = Missing("wood", Absence.NO_ANSWER, "")
    found, *_ = conversion.convert([PIN, silent, Sample("other wood", 20.0, "Cel")], now=3600.0)
    assert (found.flag, found.reason) == (Flag.SUSPECT, Reason.STAND_IN_TEMPERATURE)
    assert found.value == pytest.approx(measured.value)
    assert found.uncertainty > measured.uncertainty


def test_the_last_good_temperature_serves_only_its_hours() -> None:
    conversion = Conversion(changed(stand_in=StandIn(2.0, last_good=6)))
    conversion.convert([WOOD], now=0.0)
    assert conversion.convert([PIN], now=6 * 3600.0)[0].reason is Reason.STAND_IN_TEMPERATURE
    late = conversion.convert([PIN], now=6 * 3600.0 + 1)[0]
    assert (late.flag, late.reason) == (Flag.NOT_EVALUATED, Reason.NO_TEMPERATURE)


def test_of_two_temperatures_both_are_needed() -> None:
    rig = changed(temperatures=("wood", "dry side"))
    dry = replace(next(p for p in rig.probes if p.name == "wood"), name="dry side", depth=0.0)
    conversion = Conversion(replace(rig, probes=(*rig.probes, dry)))
    only_one, _ = conversion.convert([PIN, WOOD], now=0.0)
    assert only_one.reason is Reason.NO_TEMPERATURE
    both, *_ = conversion.convert([PIN, WOOD, Sample("dry side", 14.0, "Cel")], now=1.0)
    # 30 mm deep between 0 mm (14 degC) and 90 mm (20 degC): 16 degC.
    alone, _ = convert(PIN, Sample("wood", 16.0, "Cel"))
    assert both.value == pytest.approx(alone.value)


def test_a_meter_of_a_coarser_class_and_a_wet_harness_leave_more_doubt() -> None:
    rig = bench()

    def with_bus(**changes: float) -> Converted:
        buses = tuple(replace(bus, **changes) for bus in rig.buses)  # type: ignore[arg-type]
        return Conversion(replace(rig, buses=buses)).convert([PIN, WOOD], now=0.0)[0]

    plain, coarse = with_bus(), with_bus(accuracy=0.2)
    leaking = with_bus(insulation=1e8)
    assert plain.value == coarse.value == leaking.value
    assert plain.uncertainty < coarse.uncertainty
    assert plain.uncertainty < leaking.uncertainty


def test_a_bound_stays_a_bound_under_a_stand_in_temperature() -> None:
    conversion = Conversion(changed(stand_in=StandIn(5.0, fixed=20.0)))
    found = conversion.convert([Sample("pin", 1e5, "Ohm")], now=0.0)[0]
    assert (found.flag, found.reason) == (Flag.SUSPECT, Reason.WETTER_THAN_CURVE)


@pytest.mark.parametrize("ohm", [9.9e37, 3e9])
def test_a_meter_that_does_not_reach_far_gives_a_bound_for_dry_wood(ohm: float) -> None:
    rig = bench()
    buses = tuple(replace(bus, most=1e9) for bus in rig.buses)
    found = Conversion(replace(rig, buses=buses)).convert(
        [Sample("pin", ohm, "Ohm"), WOOD], now=0.0
    )[0]
    at_its_end, _ = convert(Sample("pin", 1e9, "Ohm"), WOOD)
    assert (found.flag, found.reason) == (Flag.SUSPECT, Reason.OVER_RANGE)
    assert (found.raw, found.value) == (ohm, at_its_end.value)  # at most that


def test_the_overload_of_a_meter_that_reaches_all_wood_is_an_open_wire() -> None:
    rig = bench()
    buses = tuple(replace(bus, most=1e11) for bus in rig.buses)
    found = Conversion(replace(rig, buses=buses)).convert(
        [Sample("pin", 9.9e37, "Ohm"), WOOD], now=0.0
    )[0]
    assert (found.flag, found.reason) == (Flag.FAIL, Reason.OPEN_CIRCUIT)


@pytest.mark.parametrize(
    ("celsius", "flag"),
    [(-0.5, Flag.SUSPECT), (0.0, Flag.PASS), (40.0, Flag.PASS), (40.5, Flag.SUSPECT)],
)
def test_wood_colder_or_warmer_than_tried_is_converted_and_marked(
    celsius: float, flag: Flag
) -> None:
    pin, _ = convert(PIN, Sample("wood", celsius, "Cel"))
    assert pin.flag is flag
    assert (pin.reason is Reason.UNTRIED_TEMPERATURE) is (flag is Flag.SUSPECT)
    assert not isnan(pin.value)


FIR = shipped()["Douglas-fir (coast)"]
UNCORRECTED = prepare(replace(FIR, correction=Correction.NONE, reference_temperature=20.0))


@pytest.mark.parametrize(
    ("celsius", "flag"),
    [
        (20.0, Flag.PASS),
        (20.0 + SPREAD, Flag.PASS),
        (20.0 - SPREAD, Flag.PASS),
        (20.1 + SPREAD, Flag.SUSPECT),
        (19.9 - SPREAD, Flag.SUSPECT),
    ],
)
def test_a_curve_that_corrects_nothing_is_marked_away_from_its_temperature(
    celsius: float, flag: Flag
) -> None:
    found = judged_moisture(1e8, celsius, UNCORRECTED, Budget())
    assert found.flag is flag
    assert (found.reason is Reason.UNTRIED_TEMPERATURE) is (flag is Flag.SUSPECT)
    assert found.value == pytest.approx(12.25, abs=0.1)


def test_a_curve_of_frozen_samples_is_tried_where_they_were() -> None:
    frozen = prepare(replace(UNCORRECTED.curve, reference_temperature=-5.0))
    assert judged_moisture(1e8, -5.0, frozen, Budget()).flag is Flag.PASS


@pytest.mark.parametrize(
    ("ohm", "celsius", "value", "reason"),
    [
        (4.7e5, 0.0, 25.0, Reason.WETTER_THAN_CURVE),
        (22e9, 40.0, 7.0, Reason.DRIER_THAN_CURVE),
    ],
)
def test_what_the_correction_lifts_beyond_the_curve_is_told_as_a_bound(
    ohm: float, celsius: float, value: float, reason: Reason
) -> None:
    found = judged_moisture(ohm, celsius, prepare(FIR), Budget())
    assert (found.flag, found.reason) == (Flag.PASS, reason)
    assert found.value == pytest.approx(value)


@pytest.mark.parametrize(("share", "flag"), [(0.49, Flag.PASS), (0.5, Flag.SUSPECT)])
@pytest.mark.parametrize("insulation", [1e8, 1e9, 1e10])
def test_a_reading_that_may_be_half_leak_is_only_a_bound(
    share: float, flag: Flag, insulation: float
) -> None:
    curve = prepare(FIR)
    plain = judged_moisture(share * insulation, 20.0, curve, Budget())
    found = judged_moisture(share * insulation, 20.0, curve, Budget(insulation=insulation))
    assert found.value == plain.value
    assert (plain.flag, plain.reason) == (Flag.PASS, Reason.NONE)
    assert found.flag is flag
    assert found.reason is (Reason.MAY_BE_LEAKAGE if flag is Flag.SUSPECT else Reason.NONE)
    assert Reason.MAY_BE_LEAKAGE in AT_MOST


def test_wood_beyond_the_dry_end_is_so_whatever_leaks() -> None:
    found = judged_moisture(3e10, 20.0, prepare(FIR), Budget(insulation=1e10))
    assert (found.flag, found.reason) == (Flag.PASS, Reason.DRIER_THAN_CURVE)


@pytest.mark.parametrize("ohm", [200.0, 1e5])
def test_a_leak_that_looks_wetter_than_the_curve_bounds_nothing(ohm: float) -> None:
    # At most what lies beyond the end, and no telling how far beyond: neither bound is true.
    found = judged_moisture(ohm, 20.0, prepare(FIR), Budget(insulation=ohm))
    assert (found.flag, found.reason) == (Flag.NOT_EVALUATED, Reason.MAY_BE_LEAKAGE)
    assert isnan(found.value)
    beside = judged_moisture(ohm, 20.0, prepare(FIR), Budget(insulation=10 * ohm))
    assert beside.value == pytest.approx(25.0, abs=1.5)


def test_with_any_leak_the_declared_insulation_allows_no_judgement_is_wrong() -> None:
    # JCGM 101 (from memory): wood of any moisture on the curve, and a leak whose conductance is
    # anything from none to 1/I. Nothing else is uncertain here, so a number must hold the truth
    # within +/- 2u, for 2u is then wider than the rectangle's half, and a bound must be true.
    insulation = 2e9
    certain = prepare(replace(FIR, uncertainty=0.0))
    budget = Budget(meter=0.0, contact=0.0, temperature=0.0, reference=0.0, insulation=insulation)
    random = np.random.default_rng(5)
    numbers = bounds = 0
    for x, leak in zip(
        random.uniform(6.0, 10.3, 4000).tolist(),
        random.uniform(0.0, 1.0 / insulation, 4000).tolist(),
        strict=True,
    ):
        truth = judged_moisture(10**x, 20.0, certain, replace(budget, insulation=inf))
        found = judged_moisture(1 / (10**-x + leak), 20.0, certain, budget)
        if found.reason in AT_MOST:
            bounds += 1
            assert truth.value <= found.value
            # All of it may be leak, or nearly: no bound is given where half can't be.
            assert 1 / (10**-x + leak) >= insulation / 2
        else:
            numbers += 1
            assert found.flag is Flag.PASS
            assert abs(truth.value - found.value) <= 2.0 * found.uncertainty
            assert 1 / (10**-x + leak) < insulation / 2
    assert numbers > 1000
    assert bounds > 1000


@pytest.mark.parametrize(
    ("ohm", "most", "flag", "reason"),
    [
        (1.2e11, 1e12, Flag.PASS, Reason.DRIER_THAN_CURVE),
        (1e12, 1e12, Flag.PASS, Reason.DRIER_THAN_CURVE),
        (1.1e12, 1e12, Flag.FAIL, Reason.OPEN_CIRCUIT),
        (1.2e11, None, Flag.FAIL, Reason.OPEN_CIRCUIT),
    ],
)
def test_dry_cold_wood_within_the_meters_reach_is_no_open_circuit(
    ohm: float, most: float | None, flag: Flag, reason: Reason
) -> None:
    found = judged_moisture(ohm, 2.0, prepare(FIR), Budget(), most=most)
    assert (found.flag, found.reason) == (flag, reason)
    assert isnan(found.value) is (flag is Flag.FAIL)


def test_whether_a_meter_reaches_all_wood_is_asked_at_the_woods_temperature() -> None:
    # 7 % wood has 2.2e10 Ohm at 26.7 degC and, at 0.03 decades per kelvin, 1.4e11 at 0 degC.
    curve = prepare(replace(FIR, correction=Correction.RESISTANCE, per_kelvin=0.03))
    warm = judged_moisture(9.9e37, 26.7, curve, Budget(), most=1e11)
    cold = judged_moisture(9.9e37, 0.0, curve, Budget(), most=1e11)
    assert (warm.flag, warm.reason) == (Flag.FAIL, Reason.OPEN_CIRCUIT)
    assert (cold.flag, cold.reason) == (Flag.SUSPECT, Reason.OVER_RANGE)


def test_the_words_of_a_bound_say_which_way_and_hold_for_any_material() -> None:
    assert (
        Reason.WETTER_THAN_CURVE.words == "wetter than the curve reaches, perhaps near saturation"
    )
    assert Reason.DRIER_THAN_CURVE.words == "drier than the curve reaches"
    assert Reason.MAY_BE_LEAKAGE.words == "may be leakage through the leads"


def test_a_resistance_that_is_no_number_is_missing() -> None:
    found = judged_moisture(nan, 20.0, prepare(FIR), Budget())
    assert (found.flag, found.reason) == (Flag.MISSING, Reason.NO_ANSWER)


def straight(kind: Kind, raw: float, unit: str, *, zero: float, per_unit: float) -> Converted:
    """One sample of the bench rig's level, made a probe of `kind`."""
    rig = bench()
    probes = tuple(
        replace(p, kind=kind, zero=zero, per_unit=per_unit) if p.name == "water level" else p
        for p in rig.probes
    )
    (got,) = Conversion(replace(rig, probes=probes)).convert(
        [Sample("water level", raw, unit)], now=0.0
    )
    assert (got.raw, got.unit) == (raw, unit)
    return got


# Computed: zero + per_unit x raw. 7.5 Hz for each L/min is a turbine as its label says it.
@pytest.mark.parametrize(
    ("kind", "raw", "unit", "zero", "per_unit", "value"),
    [
        (Kind.FLOW, 2.5, "L/min", 0.0, 1.0, 2.5),
        (Kind.FLOW, 30.0, "Hz", 0.0, 1 / 7.5, 4.0),
        (Kind.FLOW, 2000.0, "mV", -2.5, 0.0025, 2.5),
        (Kind.FLOW, 3.0, "V", -2.5, 2.5, 5.0),
        (Kind.FLOW, 12.0, "mA", -2.5, 0.625, 5.0),  # 4 to 20 mA are 0 to 10 L/min
        (Kind.PUMP_CURRENT, 0.42, "A", 0.0, 1.0, 0.42),
        (Kind.PUMP_CURRENT, 2700.0, "mV", -13.5135, 0.00540541, 1.0811),
        (Kind.PUMP_CURRENT, 2.7, "V", -13.5135, 5.40541, 1.0811),
        (Kind.PUMP_CURRENT, 12.0, "mA", -1.25, 0.3125, 2.5),  # 4 to 20 mA are 0 to 5 A
        (Kind.PUMP_CURRENT, 350.0, "mA", 0.0, 0.001, 0.35),  # a shunt's own current
        (Kind.LEVEL, 12.0, "mA", -62.5, 15.625, 125.0),  # 4 to 20 mA are 0 to 250 mm
    ],
)
def test_flow_and_pump_current_are_a_straight_line_of_what_the_sensor_gives(
    kind: Kind, raw: float, unit: str, zero: float, per_unit: float, value: float
) -> None:
    got = straight(kind, raw, unit, zero=zero, per_unit=per_unit)
    assert got.value == pytest.approx(value, abs=1e-3)
    assert (got.flag, got.reason) == (Flag.PASS, Reason.NONE)
    assert 0.0 < got.uncertainty < 2.0


def test_what_a_pair_makes_by_itself_is_kept_as_it_came() -> None:
    """Computed: hypot(5, 0.02 x 120) mV of uncertainty."""
    got = straight(Kind.POLARISATION, -120.0, "mV", zero=0.0, per_unit=1.0)
    assert (got.value, got.flag) == (-120.0, Flag.PASS)
    assert got.uncertainty == pytest.approx(5.546, abs=1e-3)
    beyond = straight(Kind.POLARISATION, 1200.0, "mV", zero=0.0, per_unit=1.0)
    assert (beyond.flag, beyond.reason) == (Flag.SUSPECT, Reason.OUT_OF_RANGE)


@pytest.mark.parametrize(
    ("kind", "unit"), [(Kind.FLOW, "A"), (Kind.PUMP_CURRENT, "Hz"), (Kind.LEVEL, "L/min")]
)
def test_a_unit_of_something_else_is_not_converted(kind: Kind, unit: str) -> None:
    got = straight(kind, 5.0, unit, zero=0.0, per_unit=1.0)
    assert (got.flag, got.reason) == (Flag.NOT_EVALUATED, Reason.WRONG_UNIT)


def test_a_larger_flow_is_less_sure() -> None:
    small, large = (
        straight(Kind.FLOW, raw, "L/min", zero=0.0, per_unit=1.0) for raw in (0.5, 20.0)
    )
    assert small.uncertainty < 0.05
    assert large.uncertainty == pytest.approx(0.6, rel=0.01)


# NAMUR NE 43, second hand: measurement 3.8 to 20.5 mA, fault at 3.6 and 21.0 mA. Sources differ on
# the two themselves; here they are faults.
LOOP = [
    (0.0, Flag.FAIL),
    (3.59, Flag.FAIL),
    (3.60, Flag.FAIL),
    (3.7, Flag.SUSPECT),
    (3.8, Flag.PASS),
    (4.0, Flag.PASS),
    (20.0, Flag.PASS),
    (20.5, Flag.PASS),
    (20.8, Flag.SUSPECT),
    (21.0, Flag.FAIL),
    (21.7, Flag.FAIL),
]


@pytest.mark.parametrize(("milliampere", "flag"), LOOP)
@pytest.mark.parametrize(
    ("kind", "zero", "per_unit"),
    [(Kind.LEVEL, -62.5, 15.625), (Kind.FLOW, -2.5, 0.625), (Kind.PUMP_CURRENT, -1.25, 0.3125)],
)
def test_a_loop_at_its_fault_currents_gives_no_value_and_keeps_the_raw_one(
    milliampere: float, flag: Flag, kind: Kind, zero: float, per_unit: float
) -> None:
    assert loop_range(milliampere)[0] is flag
    got = straight(kind, milliampere, "mA", zero=zero, per_unit=per_unit)
    assert got.flag is flag
    assert isnan(got.value) is (flag is Flag.FAIL)
    assert (got.reason is Reason.LOOP_FAULT) is (flag is Flag.FAIL)


def test_a_level_that_no_sensor_can_give_fails_however_sound_its_loop_is() -> None:
    got = straight(Kind.LEVEL, 12.0, "mA", zero=0.0, per_unit=1000.0)
    assert (got.flag, got.reason) == (Flag.FAIL, Reason.OUT_OF_RANGE)
