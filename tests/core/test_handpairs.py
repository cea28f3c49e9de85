"""Which embedded pins a place read by hand belongs to, and its value on their scale."""

from dataclasses import replace

import pytest

from longsoak.core.handpairs import curve_called, on_scale, pins_at
from longsoak.core.handplaces import HandReading
from longsoak.core.handreadings import Place, Setting, Shown
from longsoak.rigfile.load import parse
from longsoak.vocabulary.handrule import HandRule, Wins
from longsoak.vocabulary.rig import Kind, Probe, Quantity, Rig
from pages.lyingrig import lying_text
from pages.pagerig import make_rig

RIG = make_rig()
LYING = parse(lying_text(), file="rig.toml", find_kind=None)
FIR = "Douglas-fir (coast)"
RULE = HandRule(Wins.HAND, 2.0, scales={"group 1": FIR})
SETTING = Setting(round="1", meter="m", scale="Group 1", correction_temperature=20.0)


def reading(
    place: Place,
    *,
    bay: str = "plain lime",
    shown: Shown = Shown(15.0, "%"),  # noqa: B008 - it is frozen
    setting: Setting = SETTING,
) -> HandReading:
    return HandReading(1, 0, "mk", bay, place, shown, setting, None, "", True)


def names(place: Place, rig: Rig = RIG, *, bay: str = "plain lime") -> list[str] | str:
    found = pins_at(reading(place, bay=bay), rig, depth=5, height=30)
    return found if isinstance(found, str) else [probe.name for probe in found]


def pins() -> Probe:
    return next(probe for probe in RIG.probes if probe.name == "plain lime 90/160")


@pytest.mark.parametrize(
    ("place", "expected"),
    [
        (Place(90, 160), ["plain lime 90/160"]),
        (Place(95, 190), ["plain lime 90/160"]),  # both tolerances belong to it
        (Place(85, 130), ["plain lime 90/160"]),
    ],
)
def test_a_place_is_that_of_the_nearest_pins_within_both_tolerances(
    place: Place, expected: list[str]
) -> None:
    assert names(place) == expected


def test_as_near_to_two_it_belongs_to_both() -> None:
    found = pins_at(reading(Place(90, 210)), RIG, depth=5, height=50)
    assert not isinstance(found, str)
    assert {probe.name for probe in found} == {"plain lime 90/160", "plain lime 90/260"}


@pytest.mark.parametrize(
    ("place", "says"),
    [
        (Place(95.1, 160), "no embedded pins within 5 mm of its depth; the nearest, plain lime 90"),
        (
            Place(90, 190.1),
            "no embedded pins of its depth within 30 mm; the nearest, plain lime 90",
        ),
    ],
)
def test_beyond_either_it_belongs_to_none(place: Place, says: str) -> None:
    told = names(place)
    assert isinstance(told, str)
    assert told.startswith(says)


def test_a_bay_without_pins_and_pins_in_a_dowel_are_told() -> None:
    assert names(Place(90, 160), bay="none") == "none has no embedded pins"
    dowels = replace(
        RIG,
        probes=tuple(
            replace(p, quantity=Quantity.DOWEL) if p.kind is Kind.PINS else p for p in RIG.probes
        ),
    )
    assert names(Place(90, 160), dowels) == (
        "plain lime 90/60 sit in a dowel, and a hand meter's pins do not"
    )


def test_of_one_that_lies_the_nearest_across_count() -> None:
    assert names(Place(90, 90, 320), LYING, bay="left") == ["left 90/300"]
    assert names(Place(90, 90), LYING, bay="left") == "how far across it was taken is not told"
    told = names(Place(90, 90, 200), LYING, bay="left")
    assert isinstance(told, str)
    assert told.endswith("are 100 mm across")


def test_a_scale_is_a_curve_by_its_own_name_or_as_declared_and_else_none() -> None:
    assert curve_called("douglas-FIR  (coast)", RIG.curves, None) == FIR
    assert curve_called("GROUP 1", RIG.curves, RULE) == FIR
    assert curve_called("Group 1", RIG.curves, None) is None


def test_on_the_pins_own_scale_and_at_the_meters_temperature_nothing_changes() -> None:
    value = on_scale(reading(Place(90, 160)), pins(), RIG, RULE, temperature=20.0)
    assert value == pytest.approx(15.0)


def test_wood_warmer_than_the_meter_was_set_to_is_drier_than_it_showed() -> None:
    warm, cold = (
        on_scale(reading(Place(90, 160)), pins(), RIG, RULE, temperature=at) for at in (30.0, 10.0)
    )
    assert isinstance(warm, float)
    assert isinstance(cold, float)
    assert warm < 15.0 < cold


@pytest.mark.parametrize(
    ("shown", "temperature", "says"),
    [
        (Shown(15.0, "%"), 60.0, "the wood was at 60 °C, where no curve holds"),
        (Shown(60.0, "%"), 20.0, "lies beyond the ends of the curve of its scale"),
        (Shown(1e13, "Ohm"), 20.0, "it is drier than the curve reaches"),
        (Shown(1.0, "Ohm"), 20.0, "it is wetter than the curve reaches"),
    ],
)
def test_what_is_only_a_bound_there_is_no_value(
    shown: Shown, temperature: float, says: str
) -> None:
    one = reading(Place(90, 160), shown=shown)
    told = on_scale(one, pins(), RIG, RULE, temperature=temperature)
    assert isinstance(told, str)
    assert says in told


def test_a_meter_set_to_no_temperature_that_wood_has_is_told() -> None:
    one = reading(Place(90, 160), setting=replace(SETTING, correction_temperature=70.0))
    told = on_scale(one, pins(), RIG, RULE, temperature=20.0)
    assert told == "its meter was set to 70 °C, where no curve holds"
