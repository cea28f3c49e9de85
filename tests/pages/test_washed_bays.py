"""Which pins a bay is shaded between, and what is said of the others; all invented."""

import re
from collections.abc import Mapping
from dataclasses import replace

import pytest

from longsoak.rigfile.load import parse
from longsoak.store.packing import pack, unpack
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Quantity, Rig
from longsoak_dashboards.drawing.sheet import lay_out
from longsoak_dashboards.view.wash import BayWash, bay_wash
from pages.lyingrig import lying_rig
from pages.pagerig import NOW_MS, Bays, Wrong, make_rig, rig_text, scan_of

TIMBER = Bays(names=("oak",), layers=(("oak panel", "timber", 240),), elsewhere=False)


def readings_of(
    rig: Rig, wrong: Mapping[str, Wrong] | None = None, *, age_s: float = 38
) -> dict[str, Reading]:
    scan = scan_of(rig, NOW_MS - round(age_s * 1000), wrong=wrong)
    stored = unpack(pack(scan), probes=scan.probes, units=scan.units, utc_ms=scan.utc_ms)
    return {reading.probe: reading for reading in stored}


def washed(rig: Rig, readings: Mapping[str, Reading]) -> BayWash:
    bay = rig.specimen.bays[0]
    inside = [p for p in rig.probes if p.bay == bay.name and p.depth is not None]
    return bay_wash(lay_out(rig)[0], bay, inside, readings, now_ms=NOW_MS)


def corners(found: BayWash) -> set[tuple[float, float]]:
    return {corner for wash in found.washes for corner in wash.hull}


def test_good_pins_are_shaded_to_their_hull() -> None:
    rig = make_rig(TIMBER)
    found = washed(rig, readings_of(rig))
    assert corners(found) == {(30, 60), (170, 60), (170, 360), (30, 360)}
    assert found.quantities == {Quantity.MOISTURE_CONTENT}
    assert found.notes == ()


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (Wrong(Flag.SUSPECT, value=30.0), "1 suspect"),
        (Wrong(Flag.FAIL, Reason.OPEN_CIRCUIT, 3.2), "1 fail"),
        (Wrong(Flag.MISSING, Reason.NO_ANSWER), "1 missing"),
        (Wrong(Flag.SUSPECT, Reason.SET_ASIDE, 30.0), "1 set aside after a contact"),
        (Wrong(Flag.NOT_EVALUATED, value=15.0), None),
        (Wrong(Flag.PASS, Reason.WETTER_THAN_CURVE, 25.0), None),
    ],
)
def test_what_is_in_doubt_cuts_the_hull_back_and_is_told(wrong: Wrong, words: str | None) -> None:
    rig = make_rig(TIMBER)
    found = washed(rig, readings_of(rig, {"oak 30/60": wrong}))
    assert ((30, 360) in corners(found)) == (words is None)
    assert found.notes == (() if words is None else (f"Not in the wash: {words}.",))


def test_what_is_too_old_or_was_never_read_does_not_count() -> None:
    rig = make_rig(TIMBER)
    readings = readings_of(rig)
    old = readings["oak 30/60"]
    # Its period is 900 s: it stands for three of them.
    readings["oak 30/60"] = replace(old, utc_ms=NOW_MS - 2_700_000)
    assert washed(rig, readings).notes == ()
    readings["oak 30/60"] = replace(old, utc_ms=NOW_MS - 2_700_001)
    del readings["oak 170/60"]
    found = washed(rig, readings)
    assert found.notes == ("Not in the wash: 1 too old, 1 not read.",)
    assert not {(30, 360), (170, 360)} & corners(found)


def test_three_good_pins_are_needed_that_are_not_on_one_line() -> None:
    rig = make_rig(replace(TIMBER, depths=(30,)))
    found = washed(rig, readings_of(rig))
    assert found.washes == ()
    assert found.notes == ("No wash: it needs three good pins that are not on one line.",)


def test_wood_equivalents_in_a_mineral_layer_are_not_shaded_and_a_sentence_says_so() -> None:
    rig = make_rig(replace(TIMBER, layers=(("lime render", "lime", 240),)))
    found = washed(rig, readings_of(rig))
    assert found.washes == ()
    (said,) = found.notes
    assert "in a mineral layer compare with themselves only" in said


def test_nothing_is_shaded_over_a_boundary_between_unlike_layers() -> None:
    layers = (("oak", "timber", 100), ("cork", "cork", 70), ("pine", "timber", 70))
    rig = make_rig(replace(TIMBER, layers=layers, depths=(20, 80, 110, 160, 190, 230)))
    found = washed(rig, readings_of(rig))
    spans = sorted(
        (min(x for x, _ in wash.hull), max(x for x, _ in wash.hull)) for wash in found.washes
    )
    assert spans == [(20, 80), (110, 160), (190, 230)]
    assert found.quantities == {Quantity.MOISTURE_CONTENT, Quantity.WOOD_EQUIVALENT}


def test_two_layers_of_timber_against_each_other_are_one() -> None:
    layers = (("oak", "timber", 100), ("pine", "timber", 140))
    rig = make_rig(replace(TIMBER, layers=layers))
    (wash,) = washed(rig, readings_of(rig)).washes
    assert {x for x, _ in wash.hull} == {30, 170}


def test_dowels_are_of_the_same_wood_in_every_layer_and_never_mixed_with_pins() -> None:
    text = rig_text(replace(TIMBER, layers=(("lime", "lime", 60), ("brick", "masonry", 180))))
    text = text.replace("every = 900", 'sits_in = "dowel"\nevery = 900')
    rig = parse(text, file="rig.toml", find_kind=None)
    found = washed(rig, readings_of(rig))
    (wash,) = found.washes
    assert {x for x, _ in wash.hull} == {30, 170}
    assert found.quantities == {Quantity.DOWEL}
    mixed = rig_text(TIMBER).replace("every = 900", 'sits_in = "dowel"\nevery = 900', 6)
    rig = parse(mixed, file="rig.toml", find_kind=None)
    found = washed(rig, readings_of(rig))
    assert found.quantities == {Quantity.DOWEL, Quantity.MOISTURE_CONTENT}
    assert len(found.washes) == 2


def test_a_specimen_that_lies_is_shaded_where_it_is_drawn() -> None:
    rig = lying_rig()
    found = washed(rig, readings_of(rig))
    assert corners(found) == {(100, 170), (500, 170), (500, 110), (100, 110)}
    assert re.match(r"No wash in lime screed: ", found.notes[0])
