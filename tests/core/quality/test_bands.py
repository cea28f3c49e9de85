"""Bands that are declared, and bands that are proposed."""

from dataclasses import replace
from datetime import date

import pytest

from core.quality.test_health import found, lived_through, only
from healthrig import A_DAY, BEGAN, PASS, Row, Seen, rig, shifted
from longsoak.core.quality.bands import FEWEST, propose
from longsoak.vocabulary.flags import Reason
from longsoak.vocabulary.health import Fault, Finding
from longsoak.vocabulary.rig import Band, Kind, Rig, Thresholds

START = date.fromordinal(date(1970, 1, 1).toordinal() + BEGAN)


def banded(*bands: Band) -> Rig:
    small = rig()
    names = {p.name for p in small.probes}
    assert {band.probe for band in bands} <= names
    return replace(small, start=START, bands=bands)


def warmed(from_day: float, until_day: float = 1e9) -> Seen:
    return shifted(lambda day: 9.0 if from_day <= day < until_day else 0.0)


@pytest.fixture(scope="module")
def warm() -> str:
    return next(p.name for p in rig().probes if p.kind is Kind.TEMPERATURE)


def test_what_is_within_its_band_is_not_told(warm: str) -> None:
    assert lived_through(banded(Band(warm, low=10, high=30, moves=0.1)), 20) == []


def test_three_readings_beyond_it_are_told_once_and_are_over_after_three_within(warm: str) -> None:
    news = lived_through(banded(Band(warm, low=10, high=24)), 9, {warm: warmed(5.0, 5.25)})
    own = [n for n in news if isinstance(n, Finding) and n.fault is Fault.OUTSIDE]
    assert [finding.over for finding in own] == [False, True]
    assert "above 24, which is the end of the band expected on any day of the test" in own[0].says
    assert own[0].since_ms == (BEGAN + 5) * 86_400_000
    assert own[1].found_ms == own[0].since_ms + 6 * 3_600_000


def test_two_readings_beyond_it_are_not_told(warm: str) -> None:
    news = lived_through(banded(Band(warm, low=10, high=24)), 9, {warm: warmed(5.0, 5 + 2 / A_DAY)})
    assert found(news) == {}


def test_a_band_is_for_its_days_alone_and_ends_with_them(warm: str) -> None:
    """Days count from 1, the rig's start, and the last one belongs to it."""
    sick = {warm: warmed(2.0)}
    before = lived_through(banded(Band(warm, 1, 2, high=24)), 6, sick)
    assert Fault.OUTSIDE not in found(before).get(warm, set())
    within = lived_through(banded(Band(warm, 2, 3, high=24)), 6, sick)
    own = [n for n in within if isinstance(n, Finding) and n.fault is Fault.OUTSIDE]
    assert [finding.over for finding in own] == [False, True]
    assert own[1].found_ms // 86_400_000 == BEGAN + 3


def test_wetter_than_its_band_counts_as_wet() -> None:
    news = lived_through(banded(Band("C 30/160", high=12.0)), 20)
    assert "it counts as wet until a repeat, a hand reading or a core says otherwise" in (
        only(news, "C 30/160").says
    )


def test_a_probe_that_moves_too_little_is_told_after_a_day(warm: str) -> None:
    def damped(at: int, value: float) -> Row:
        value = value if at < 5 * A_DAY else 19 + 0.02 * (value - 19)
        return value, value, PASS, Reason.NONE

    news = lived_through(banded(Band(warm, moves=0.5)), 9, {warm: damped})
    own = [n for n in news if isinstance(n, Finding) and n.fault is Fault.SLUGGISH]
    assert [finding.over for finding in own] == [False]
    assert "moved by less than 0.5" in own[0].says
    assert 5.9 < own[0].found_ms / 86_400_000 - BEGAN < 6.2


def test_thresholds_are_those_of_the_kind_and_beyond_that_of_the_probe(warm: str) -> None:
    def jump(day: float) -> float:
        return 8.0 if day == 5.0 else 0.0

    def suspicions(*changed: Thresholds) -> int:
        of = replace(rig(), thresholds=changed)
        return len(lived_through(of, 8, {warm: shifted(jump)}))

    usual = suspicions()
    lax = Thresholds(kind=Kind.TEMPERATURE, spike=9.0, step=9.0)
    assert (usual, suspicions(lax)) == (2, 0)  # too fast, and a spike
    assert suspicions(lax, Thresholds(probe=warm, spike=1.5)) == 1


def test_a_band_is_proposed_from_days_and_half_beyond() -> None:
    probe = next(p for p in rig().probes if p.kind is Kind.HUMIDITY)
    assert propose(probe, [(40.0, 50.0)] * (FEWEST - 1)) is None
    days = [(40.0, 44.0), (46.0, 50.0)] * FEWEST
    assert propose(probe, days) == Band(probe.name, low=35.0, high=55.0, moves=1.0)
    damp = [(1.0, 9.0)] * FEWEST
    assert propose(probe, damp) == Band(probe.name, low=0.0, high=13.0, moves=2.0)
    still = [(20.0, 20.0)] * FEWEST
    assert propose(probe, still) == Band(probe.name, low=18.5, high=21.5, moves=0.0)


def test_a_reference_resistor_has_a_band_about_its_value() -> None:
    probe = next(p for p in rig().probes if p.kind is Kind.REFERENCE)
    band = propose(probe, [(9.99e6, 1.001e7)] * FEWEST)
    assert band == Band(probe.name, low=9.969e6, high=1.0031e7, moves=0.0)
