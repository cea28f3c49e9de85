"""Levels and conductivities put right for their temperature, and what salts tell."""

from dataclasses import replace
from math import nan

import pytest

from longsoak.core.convert import Conversion
from longsoak.core.water.salts import at_25, concentration, to_change
from longsoak.core.water.warmed import UNKNOWN, is_warmed, warmed
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import Kind, Probe, Rig
from longsoak.vocabulary.sample import Absence, Missing, Sample
from rigs import small_rig

LEVEL = next(probe for probe in small_rig().probes if probe.kind is Kind.LEVEL)
WARM = replace(LEVEL, temperatures=("T core",), zero_per_kelvin=0.2, span_per_kelvin=0.001)


def rig(level: Probe) -> Rig:
    usual = small_rig()
    others = [probe for probe in usual.probes if probe.kind is not Kind.LEVEL]
    return replace(usual, probes=(level, *others))  # before the thermometer, as a file may have it


def test_a_level_is_put_right_by_its_zero_and_span() -> None:
    # Truly 60 mm: read at 30 degC it is 60 (1 + 0.001 * 10) + 0.2 * 10 = 62.6.
    found = warmed(WARM, 62.6, 30.0, uncertainty=1.0)
    assert found.value == pytest.approx(60.0)
    assert not found.matters


def test_without_a_temperature_the_level_is_kept_and_its_uncertainty_says_so() -> None:
    found = warmed(WARM, 60.0, nan, uncertainty=1.0)
    assert found.value == 60.0
    assert found.uncertainty == pytest.approx((1.0 + (0.26 * UNKNOWN) ** 2) ** 0.5)
    assert found.matters
    small = replace(WARM, zero_per_kelvin=0.02, span_per_kelvin=0.0)
    assert not warmed(small, 60.0, nan, uncertainty=1.0).matters


def test_conversion_corrects_a_level_and_raw_stays() -> None:
    samples = [Sample("water level", 826.0, "mV"), Sample("T core", 30.0, "Cel")]
    level, _ = Conversion(rig(WARM)).convert(samples, now=0.0)
    assert level.raw == 826.0
    assert level.value == pytest.approx(60.0)
    assert (level.flag, level.reason) == (Flag.PASS, Reason.NONE)


def test_conversion_without_the_temperature_keeps_the_level_suspect_where_it_matters() -> None:
    samples: list[Sample | Missing] = [
        Sample("water level", 826.0, "mV"),
        Missing("T core", Absence.NO_ANSWER, "no answer"),
    ]
    level, _ = Conversion(rig(WARM)).convert(samples, now=0.0)
    assert level.value == pytest.approx(62.6)
    assert (level.flag, level.reason) == (Flag.SUSPECT, Reason.NO_TEMPERATURE)
    little = replace(WARM, zero_per_kelvin=0.02, span_per_kelvin=0.0)
    level, _ = Conversion(rig(little)).convert(samples, now=0.0)
    assert level.flag is Flag.PASS


def test_a_stated_uncertainty_is_the_level_s() -> None:
    stated = replace(LEVEL, uncertainty=0.4)
    (level,) = Conversion(rig(stated)).convert([Sample("water level", 800.0, "mV")], now=0.0)
    assert level.uncertainty == 0.4
    assert not is_warmed(LEVEL)


def test_a_conductivity_is_told_at_25_degrees() -> None:
    probe = replace(
        LEVEL,
        name="salt",
        kind=Kind.CONDUCTIVITY,
        zero=0.0,
        per_unit=1.0,
        temperatures=("T core",),
    )
    usual = small_rig()
    conversion = Conversion(replace(usual, probes=(*usual.probes, probe)))
    samples = [Sample("salt", 450.0, "uS/cm"), Sample("T core", 20.0, "Cel")]
    found, _ = conversion.convert(samples, now=0.0)
    assert found.value == pytest.approx(500.0)
    (alone,) = conversion.convert(samples[:1], now=1e6)
    assert (alone.value, alone.flag) == (450.0, Flag.SUSPECT)
    assert alone.uncertainty > 40.0


def test_compensation_holds_where_water_is_water() -> None:
    assert at_25(500.0, 25.0) == 500.0
    with pytest.raises(PhysicsError, match="-20 to 80"):
        at_25(500.0, -21.0)


def test_how_much_to_change_brings_it_back() -> None:
    share = to_change(300.0, 700.0, fresh=50.0)
    assert (1 - share) * 700.0 + share * 50.0 == pytest.approx(300.0)
    assert to_change(300.0, 200.0) == 0.0
    assert to_change(300.0, 700.0, fresh=800.0) == 1.0


def test_twice_the_first_is_told_with_what_to_do() -> None:
    assert not concentration(300.0, 599.0).told
    found = concentration(300.0, 600.0)
    assert found.told
    assert "change 50%" in found.says
    with pytest.raises(PhysicsError, match="more than 0"):
        concentration(0.0, 600.0)
