"""Samples become readings, or say why they can't."""

from dataclasses import replace
from math import isnan

import pytest

from longsoak.core.convert import Conversion, Converted
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import Rig, StandIn
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
