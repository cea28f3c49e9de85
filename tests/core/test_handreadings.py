"""Readings by hand: what can stand in one, and what is found of them again."""

from collections.abc import Mapping
from dataclasses import replace
from math import dist, inf, nan
from types import MappingProxyType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.handplaces import (
    APART,
    BESIDE,
    LAPSE_MS,
    ONE_HOLE,
    HandReading,
    apart,
    beside,
    check_hole,
    hand_document,
    hand_readings,
    nearest_pins,
    next_round,
    old_hole,
    told_after,
)
from longsoak.core.handreadings import (
    Place,
    Setting,
    Shown,
    beyond,
    hand_content,
    said_words,
    shown_on,
)
from longsoak.core.logbook import check_against, check_entry
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import HAND, NOTE, THE_RIG, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import WetFace
from pages.pagerig import make_rig

NOW_MS = 1_790_000_000_000
RIG = make_rig()
BAY = "plain lime"
SETTING = Setting(round="1", meter="pin meter 2", scale="spruce")
PLACE, SHOWN = Place(80, 170), Shown(17.5, "%")
MM = st.floats(0, 420).map(lambda mm: round(mm, 1))


def entry(
    place: Place = PLACE,
    shown: Shown = SHOWN,
    setting: Setting = SETTING,
    *,
    number: int = 0,
    at_ms: int = NOW_MS,
    bay: str = BAY,
    more: Mapping[str, Json] = MappingProxyType({}),
) -> LogbookEntry:
    content = {**hand_content(place, shown, setting), **more}
    return LogbookEntry(
        asked_utc_ms=NOW_MS,
        at_utc_ms=at_ms,
        by="mk",
        says=said_words(bay, hand_content(place, shown, setting)),
        kind=HAND,
        subject=Subject(About.BAY, bay),
        content=content,
        number=number,
    )


def check(one: LogbookEntry) -> None:
    check_entry(one)
    check_against(one, RIG, began_ms=NOW_MS - 1, last=9)


def reading(place: Place, *, round_name: str = "1", bay: str = BAY, number: int = 1) -> HandReading:
    one = entry(place, setting=replace(SETTING, round=round_name), number=number, bay=bay)
    (found,) = hand_readings([one])
    return found


@pytest.mark.parametrize(
    ("words", "unit", "shown"),
    [
        ("17.5", "%", Shown(17.5, "%")),
        ("17,5 %", "Ohm", Shown(17.5, "%")),
        (">60", "%", Shown(60.0, "%", "at least")),
        ("< 6", "%", Shown(6.0, "%", "at most")),
        ("120M", "Ohm", Shown(120e6, "Ohm")),
        ("4.7 kOhm", "%", Shown(4700.0, "Ohm")),
        (" > 2 GΩ ", "%", Shown(2e9, "Ohm", "at least")),
        ("350", "Ohm", Shown(350.0, "Ohm")),
    ],
)
def test_what_a_meter_shows_is_read_as_it_is_written_down(
    words: str, unit: str, shown: Shown
) -> None:
    assert shown_on(words, unit=unit) == shown


@pytest.mark.parametrize(
    "words", ["", "wet", "17.5.1", "-3", "120M", "1e3", "nan", "17 to 18", "٣"]
)
def test_what_no_meter_shows_is_refused_with_examples(words: str) -> None:
    with pytest.raises(RequestError, match=r">60 where its scale ends at 60, or 120 MOhm"):
        shown_on(words)


@given(
    MM.filter(lambda mm: mm <= 240), MM, st.floats(0.1, 300), st.sampled_from(["cork-lime", BAY])
)
def test_any_place_inside_with_any_value_stands(
    depth: float, height: float, value: float, bay: str
) -> None:
    one = entry(Place(depth, height), Shown(value, "%"), bay=bay)
    check(one)
    (found,) = hand_readings([one])
    assert (found.bay, found.place, found.shown) == (bay, Place(depth, height), Shown(value, "%"))
    assert found.setting == SETTING
    document = hand_document(found)
    assert document["counts"] is True
    assert {name: document[name] for name in one.content} == one.content


@pytest.mark.parametrize(
    ("place", "says"),
    [
        (Place(241, 60), "241 mm from the wet face is outside: plain lime is 240 mm thick"),
        (Place(30, 421), "421 mm above the underside is outside: the specimen is 420 mm high"),
        (
            Place(30, 60, 599),
            "599 mm from the left edge is outside: plain lime is from 600 to 1200",
        ),
    ],
)
def test_a_place_outside_its_bay_is_refused(place: Place, says: str) -> None:
    with pytest.raises(RequestError, match=says):
        check(entry(place))


def test_the_faces_belong_to_the_bay() -> None:
    bay = RIG.specimen.bays[0]
    for place in (Place(0, 0, 0), Place(bay.thickness, 420, bay.end)):
        assert beyond(place, bay, RIG.specimen) is None


@pytest.mark.parametrize(("face", "right"), [(WetFace.UNDERSIDE, 30), (WetFace.TOP, 210)])
def test_depth_and_height_in_a_lying_specimen_are_of_one_place(face: WetFace, right: int) -> None:
    bay = RIG.specimen.bays[0]
    lying = replace(RIG.specimen, wet_face=face, height=bay.thickness, breadth=400)
    assert beyond(Place(30, right), bay, lying) is None
    assert beyond(Place(30, right + 1), bay, lying) is None  # a hand finds no place finer
    said = f"30 mm from the wet face, the {face.value}, is {right} mm above the underside, not 120"
    assert said in (beyond(Place(30, 120), bay, lying) or "")
    assert beyond(Place(30, 120), bay, replace(lying, wet_face=WetFace.SIDE)) is None


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"value": 0}, "more than 0 % and up to 300, not 0"),
        ({"value": 301.0}, "more than 0 % and up to 300, not 301"),
        ({"value": nan}, "not nan"),
        ({"value": True}, "more than 0"),
        ({"unit": "kOhm"}, "The unit of a reading by hand is one of %, Ohm"),
        ({"unit": "Ohm", "value": inf}, "up to 1e\\+13, not inf"),
        ({"bound": "above"}, "The bound of a reading by hand is one of at least, at most, or left"),
        ({"depth_mm": -1.0}, "The depth of a reading by hand is a number of mm, not -1"),
        ({"height_mm": "high"}, "The height of a reading by hand is a number of mm, not high"),
        ({"across_mm": -2.0}, "How far across it was taken is a number of mm, or left out, not -2"),
        ({"uncertainty": 0.0}, "standard uncertainty of a reading by hand is above 0"),
        ({"wood_temperature": 90.0}, "The wood temperature is -40 to 80 °C, or left out, not 90"),
        ({"correction_temperature": -41.0}, "The correction temperature is -40 to 80 °C"),
        ({"grain": "up"}, "The grain of a reading by hand is one of across, along, or left out"),
        ({"pins": 2}, "The pins of a reading by hand is one of insulated, bare"),
        ({"meter": ""}, "Say which meter"),
        ({"scale": ""}, "A value in % is one of a scale"),
        ({"round": ""}, "belongs to a round"),
        ({"round": "a\nb"}, "The round of a reading by hand is one line"),
        ({"note": "n" * 1001}, "The note of a reading by hand has up to 1000"),
        ({"more": 1}, "A reading by hand has across_mm, bound"),
        ({"same_hole": False}, "The same_hole of a reading by hand is true, or left out"),
    ],
)
def test_what_can_not_be_is_refused_in_words(more: dict[str, Json], says: str) -> None:
    with pytest.raises(RequestError, match=says):
        check_entry(entry(more=more))


def test_a_resistance_needs_no_scale_and_a_rig_is_no_place() -> None:
    check_entry(entry(shown=Shown(4e8, "Ohm"), setting=replace(SETTING, scale="")))
    with pytest.raises(RequestError, match="is about a bay: name it"):
        check_entry(replace(entry(), subject=THE_RIG))


def test_its_sentence_tells_all_that_is_needed_to_believe_it() -> None:
    content = hand_content(
        Place(30, 60.5),
        Shown(4.12e8, "Ohm", "at least"),
        SETTING,
        wood_temperature=18.0,
        note="Wet",
    )
    assert said_words(BAY, content) == (
        "By hand, plain lime, 30 mm deep, 60.5 mm high: at least 412 MΩ on the scale for spruce, "
        "pin meter 2, round 1, wood at 18.0 °C.\nWet"
    )


def test_a_corrected_reading_does_not_count_and_its_hole_stays_unless_the_place_was_wrong() -> None:
    first, second, third = (
        entry(Place(depth, 60), number=n) for n, depth in enumerate((30, 60, 90), 1)
    )
    note = LogbookEntry(
        asked_utc_ms=NOW_MS, at_utc_ms=NOW_MS, by="mk", says="No", kind=NOTE, corrects=2, number=4
    )
    again = replace(entry(Place(95, 60), number=5), corrects=3)
    entries = [
        again,
        note,
        replace(third, corrected_by=(5,)),
        replace(second, corrected_by=(4,)),
        first,
    ]
    found = hand_readings(entries)
    assert [(r.number, r.counts, r.place.depth) for r in found] == [
        (1, True, 30),
        (2, False, 60),
        (5, True, 95),
    ]


@given(MM, MM, st.none() | MM, MM, MM, st.none() | MM)
def test_how_far_apart_is_the_straight_line_as_far_as_it_is_known(
    x: float, y: float, z: float | None, u: float, v: float, w: float | None
) -> None:
    one, other = Place(x, y, z), Place(u, v, w)
    known = z is not None and w is not None
    expected = dist((x, y, z or 0.0), (u, v, w or 0.0)) if known else dist((x, y), (u, v))
    assert apart(one, other) == pytest.approx(expected)
    assert apart(one, other) == apart(other, one)


def test_a_place_too_near_to_an_old_hole_is_told() -> None:
    holes = [reading(Place(80, 170)), reading(Place(80, 170), bay="cork-lime")]
    says = old_hole(Place(90, 180), BAY, "2", holes)
    assert says == (
        "14 mm from the hole of round 1 at 80 mm deep, 170 mm high. A hole changes the wood around "
        "it: keep 20 mm off old ones."
    )
    assert old_hole(Place(80 + APART, 170), BAY, "2", holes) is None
    assert old_hole(Place(80, 170), "another", "2", holes) is None
    # On in the same hole, deeper, in the same round: that is one hole, and no second use of it.
    assert old_hole(Place(90, 170), BAY, "1", holes) is None
    assert old_hole(Place(70, 170), BAY, "1", holes) is not None
    assert old_hole(Place(90, 170), BAY, "2", holes) is not None
    aside = [reading(Place(80, 170, 700))]
    assert old_hole(Place(80, 170, 800), BAY, "2", aside) is None
    assert old_hole(Place(80, 170), BAY, "2", aside) is not None


def test_the_nearest_pins_are_told_and_not_what_they_read() -> None:
    near = nearest_pins(Place(85, 168), BAY, RIG)
    assert near is not None
    assert (near[0].name, round(near[1], 1)) == ("plain lime 90/160", 9.4)
    told = told_after(Place(85, 168), BAY, "1", RIG, [])
    assert told == ["The nearest pins are plain lime 90/160, 9 mm away."]
    assert nearest_pins(Place(85, 168), "no bay", RIG) is None


def test_readings_beside_a_probe_are_those_that_count_within_reach_newest_first() -> None:
    probe = next(p for p in RIG.probes if p.name == "plain lime 90/160")
    readings = [
        reading(Place(90, 160), number=1),
        reading(Place(90, 160 + BESIDE), number=2),
        reading(Place(90, 160 + BESIDE + 0.1), number=3),
        reading(Place(90, 160), bay="cork-lime", number=4),
        replace(reading(Place(90, 165), number=5), counts=False),
    ]
    assert [(r.number, off) for r, off in beside(probe, readings)] == [(2, BESIDE), (1, 0.0)]
    level = next(p for p in RIG.probes if p.depth is None)
    assert beside(level, readings) == []


def test_a_round_goes_on_for_hours_and_the_next_one_has_the_next_number() -> None:
    assert next_round([], now_ms=NOW_MS) == "1"
    known = [reading(Place(80, 60), round_name=name, number=n) for n, name in enumerate("74x", 1)]
    assert next_round(known, now_ms=NOW_MS + LAPSE_MS - 1) == "x"
    assert next_round(known, now_ms=NOW_MS + LAPSE_MS) == "8"
    named = [reading(Place(80, 60), round_name=name) for name in ("May", "June")]
    assert next_round(named, now_ms=NOW_MS + LAPSE_MS) == "3"


PINNED = replace(SETTING, pins="bare")
AGAIN = replace(PINNED, round="2")


def test_a_hole_that_another_round_used_is_refused_with_how_to_mend_it() -> None:
    old = entry(setting=PINNED, number=4)
    with pytest.raises(RequestError) as caught:
        check_hole(entry(Place(83, 174), setting=AGAIN), [old])
    assert str(caught.value) == (
        "83 mm deep, 174 mm high is 5 mm from the hole of round 1 at 80 mm deep, 170 mm high, and "
        "a hole is used once: move by 20 mm, say how far across both are if they are two, correct "
        "entry 4 if its place is wrong, or say that it is the same hole on purpose. Nothing was "
        "kept."
    )
    told = entry(Place(80, 170, 300), setting=PINNED, number=4)
    with pytest.raises(RequestError, match="move by 20 mm, correct entry 4"):
        check_hole(entry(Place(80, 170, 302), setting=AGAIN), [told])


@pytest.mark.parametrize(
    "one",
    [
        entry(setting=AGAIN, more={"same_hole": True}),
        entry(setting=PINNED),  # on in the same round
        entry(setting=replace(SETTING, round="2")),  # nobody said that pins went in
        entry(Place(80, 170 + ONE_HOLE + 0.5), setting=AGAIN),
        entry(setting=AGAIN, bay="cork-lime"),
        replace(entry(setting=AGAIN), corrects=4),
        replace(entry(), kind=NOTE, content={}),
    ],
)
def test_what_is_no_second_use_of_a_hole_passes(one: LogbookEntry) -> None:
    check_hole(one, [entry(setting=PINNED, number=4)])


def test_the_hole_of_an_entry_that_was_corrected_is_refused_no_more() -> None:
    old = replace(entry(setting=PINNED, number=4), corrected_by=(5,))
    note = replace(entry(), kind=NOTE, content={}, number=5, corrects=4)
    check_hole(entry(setting=AGAIN), [old, note])


def test_an_entry_without_the_key_for_an_old_hole_is_what_it_was() -> None:
    assert "same_hole" not in hand_content(PLACE, SHOWN, SETTING)
    content = hand_content(PLACE, SHOWN, SETTING, same_hole=True)
    check(entry(more=content))
    assert "in an old hole on purpose" in said_words(BAY, content)
    (found,) = hand_readings([entry(more=content)])
    assert hand_document(found)["same_hole"] is True
