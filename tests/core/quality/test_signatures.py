"""What days show of pins: leaks, wicking, condensation, cross-talk, polarisation."""

from dataclasses import replace

import pytest

from core.quality.test_health import found, lived_through, only
from healthrig import A_DAY, BEGAN, PASS, PINS, Row, Seen, rig, shifted
from longsoak.core.humidity import dew_point, vapour_pressure
from longsoak.core.quality.health import RigHealth
from longsoak.core.quality.written import written
from longsoak.vocabulary.flags import Reason
from longsoak.vocabulary.health import Fault, Finding
from longsoak.vocabulary.rig import DryFace, Kind, Rig

DAY_MS = 86_400_000


def soaking(day: float) -> float:
    """Half a % MC within some days, from day 30 on: less than tells it from its neighbours."""
    return 0.0 if day < 30 else 0.55 * (1 - 2.718 ** (-(day - 30) / 2))


def test_a_leak_that_is_too_small_for_a_step_is_told_by_the_days_before() -> None:
    finding = only(lived_through(rig(), 45, {PINS[1]: shifted(soaking)}), PINS[1])
    assert finding.fault is Fault.SOAKS
    assert "wetter within 5 days than it was going to" in finding.says
    assert "it counts as wet until" in finding.says
    assert 30 < finding.found_ms / DAY_MS - BEGAN < 38


def test_water_that_all_of_them_take_up_is_no_leak() -> None:
    news = lived_through(rig(), 45, dict.fromkeys(PINS, shifted(soaking)))
    assert found(news) == {}


def test_a_leak_is_over_when_it_dried() -> None:
    def dried(day: float) -> float:
        return soaking(day) if day < 40 else 0.55 * 2.718 ** (-(day - 40) / 2)

    news = lived_through(rig(), 60, {PINS[1]: shifted(dried)})
    own = [n for n in news if isinstance(n, Finding) and n.fault is Fault.SOAKS]
    assert [finding.over for finding in own] == [False, True]


def deeper(*depths: float) -> Rig:
    """Pairs one behind the other at one height, 30 mm from the wet face and further in."""
    small = rig()
    first = next(p for p in small.probes if p.name == PINS[0])
    behind = [replace(first, name=f"deep {depth:g}", depth=depth) for depth in depths]
    return replace(small, probes=(*small.probes, *behind))


def test_a_deeper_pair_that_is_wet_before_a_nearer_one_is_told() -> None:
    def wicks(day: float) -> float:
        return 0.0 if day < 6 else min(12.0, 2.0 * (day - 6))

    news = lived_through(deeper(90), 20, {"deep 90": shifted(wicks)})
    finding = only(news, "deep 90")
    assert finding.fault is Fault.WICKING
    assert finding.against == (PINS[0],)
    assert "60 mm nearer to the wet face" in finding.says
    assert "water that runs along pins or leads" in finding.says


def test_a_nearer_pair_that_dries_first_makes_no_wick_of_the_deeper_one() -> None:
    def dries(day: float) -> float:
        return -min(9.0, 0.5 * max(0.0, day - 20))

    news = lived_through(deeper(90), 45, dict.fromkeys(PINS, shifted(dries)))
    assert Fault.WICKING not in found(news).get("deep 90", set())


def test_a_nearer_pair_that_is_wet_first_is_what_is_expected() -> None:
    def comes_later(day: float) -> float:
        return -min(6.0, 0.6 * day)  # of what all pairs of this rig take up

    assert found(lived_through(deeper(90, 150), 30, {"deep 150": shifted(comes_later)})) == {}


def faced() -> Rig:
    """A rig that names the thermometer of its dry face, and the air of the room before it."""
    small = rig()
    of = {kind: [p for p in small.probes if p.kind is kind] for kind in Kind}
    face = DryFace(
        surface=of[Kind.TEMPERATURE][0].name,
        temperature=of[Kind.TEMPERATURE][1].name,
        humidity=of[Kind.HUMIDITY][0].name,
    )
    bays = tuple(replace(bay, dry_face=face) for bay in small.specimen.bays)
    return replace(small, specimen=replace(small.specimen, bays=bays))


@pytest.mark.parametrize(("below", "told"), [(-1.0, True), (4.0, False)])
def test_a_face_at_the_dew_point_of_the_room_is_told_with_its_hours(
    below: float, told: bool
) -> None:
    """The room is held at 20 degC and 50 % RH, its dew point about 9.3 degC."""
    of = faced()
    face = of.specimen.bays[0].dry_face
    assert face is not None
    dew = dew_point(vapour_pressure(20.0, relative_humidity=50.0))
    assert dew == pytest.approx(9.3, abs=0.1)  # computed

    def held(value: float) -> Seen:
        return lambda _at, _value: (value, value, PASS, Reason.NONE)

    def cold(at: int, _value: float) -> Row:
        value = dew + below if 5 * A_DAY <= at < 5 * A_DAY + 12 else 19.0
        return value, value, PASS, Reason.NONE

    sick = {face.humidity: held(50.0), face.temperature: held(20.0), face.surface: cold}
    news = lived_through(of, 9, sick)
    own = [n for n in news if isinstance(n, Finding) and n.fault is Fault.CONDENSATION]
    assert bool(own) is told
    if told:
        first = own[0]
        assert first.figures == {
            "hours": 3.0,
            "least above the dew point, K": pytest.approx(below, abs=1e-6),
        }
        assert first.since_ms == (BEGAN + 5) * DAY_MS
        assert f"for 3 h of the day, {-below:.1f} K below it at worst" in first.says
        assert {finding.probe for finding in own if finding.over} == {
            finding.probe for finding in own if not finding.over
        }


def test_two_pairs_that_jump_in_the_same_scans_are_told_and_be_it_over_after_quiet_days() -> None:
    at = {5.0, 5.25, 5.5, 5.75}

    def jumps(day: float) -> float:
        return 6.0 if day in at else 0.0

    news = lived_through(rig(), 12, {PINS[0]: shifted(jumps), PINS[2]: shifted(jumps)})
    own = [n for n in news if isinstance(n, Finding) and n.fault is Fault.CROSS_TALK]
    assert [(f.probe, f.over) for f in own] == [
        (PINS[0], False), (PINS[2], False), (PINS[0], True), (PINS[2], True),
    ]  # fmt: skip
    assert own[0].against == (PINS[2],)
    assert "jumped 4 times in one day in the same scans as C 30/260" in own[0].says


def test_pairs_that_all_jump_at_once_are_no_cross_talk() -> None:
    def jumps(day: float) -> float:
        return 6.0 if day in {5.0, 5.25, 5.5, 5.75} else 0.0

    news = lived_through(rig(), 9, dict.fromkeys(PINS[:3], shifted(jumps)))
    assert Fault.CROSS_TALK not in {f for faults in found(news).values() for f in faults}


def metered() -> Rig:
    """One pair's own voltage is measured too."""
    small = rig()
    like = next(p for p in small.probes if p.kind is Kind.REFERENCE)
    own = replace(like, name="own", kind=Kind.POLARISATION, nominal=None, pair=PINS[0])
    return replace(small, probes=(*small.probes, own))


@pytest.mark.parametrize("by", [150.0, -150.0])
def test_a_pair_whose_polarities_come_to_differ_is_told(by: float) -> None:
    def own(at: int, _value: float) -> Row:
        value = 12.0 + (by if at >= 9 * A_DAY else 0.0)
        return value, value, PASS, Reason.NONE

    finding = only(lived_through(metered(), 15, {"own": own}), PINS[0])
    assert finding.fault is Fault.POLARISED
    assert finding.against == ("own",)
    assert finding.since_ms == (BEGAN + 9) * DAY_MS
    assert f"differ by {12 + by:.0f} mV, 12 mV in its first days" in finding.says
    assert finding.found_ms == (BEGAN + 10) * DAY_MS


def test_what_wavers_by_some_millivolts_is_not_told() -> None:
    def own(at: int, _value: float) -> Row:
        value = 12.0 + 15.0 * (-1) ** (at // A_DAY)
        return value, value, PASS, Reason.NONE

    assert found(lived_through(metered(), 30, {"own": own})) == {}


def test_what_is_remembered_does_not_grow_with_time() -> None:
    """A memory after five months is hardly larger than after three, whatever jumps."""
    assert remembered_after(150) < 1.05 * remembered_after(90)


def remembered_after(days: int) -> int:
    """How much is remembered of probes that all jump ten times a day."""

    def jumps(day: float) -> float:
        return 20.0 if (day * A_DAY) % 10 < 1 else 0.0

    kept: list[RigHealth] = []

    def keep(health: RigHealth) -> RigHealth:
        kept[:] = [health]
        return health

    of = rig()
    sick = {p.name: shifted(jumps) for p in of.probes if p.kind is not Kind.REFERENCE}
    lived_through(of, days, sick, again=keep)
    return len(written(kept[0].memories))
