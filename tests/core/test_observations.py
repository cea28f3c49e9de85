"""What was seen: graded, refused where it can't be so, and held against itself over time."""

import re
from collections.abc import Mapping
from dataclasses import replace

import pytest

from longsoak.core.gradescales import (
    G21,
    ISO_846,
    PLAIN,
    USUAL,
    grade_called,
    scale_called,
    scales_for,
    sights,
)
from longsoak.core.logbook import check_against, check_entry
from longsoak.core.mould import GROWTH_CAUTION
from longsoak.core.observations import (
    SeenAt,
    course_words,
    grade_words,
    observation_content,
    observation_document,
    observations,
    seen_words,
    series_of,
    told_of,
)
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import OBSERVATION, THE_RIG, About, LogbookEntry, Subject
from longsoak.vocabulary.observation import Face, GradeScale, Looked, Sight
from longsoak.vocabulary.proof import Json
from rigs import small_rig

NOW_MS = 1_790_000_000_000
DAY_MS = 86_400_000
BLOOM = GradeScale(
    "bloom on render", ("salt bloom", "fur"), ("none", "a haze", "white fur"), "own words"
)
RIG = replace(small_rig(), scales=(BLOOM,))
FOOT = SeenAt("plain", Face.DRY, low=0, high=120)


def entry(
    number: int = 1,
    day: int = 0,
    *,
    grade: int = 0,
    at: SeenAt = FOOT,
    of: str = "growth",
    scale: GradeScale = G21,
    looked: Looked = Looked.BY_EYE,
    extent: float | None = None,
) -> LogbookEntry:
    content = observation_content(at, of=of, scale=scale, grade=grade, looked=looked, extent=extent)
    return LogbookEntry(
        asked_utc_ms=NOW_MS,
        at_utc_ms=NOW_MS - 100 * DAY_MS + day * DAY_MS,
        by="mk",
        says="Looked at the foot",
        kind=OBSERVATION,
        subject=Subject(About.BAY, at.bay),
        content=content,
        number=number,
    )


def held(one: LogbookEntry) -> None:
    check_entry(one)
    check_against(one, RIG, began_ms=NOW_MS - 100 * DAY_MS, last=0)


# ASTM G21 rates observed growth from 0 to 4, ISO 846 from 0 to 5. From memory: neither was read.
def test_growth_is_graded_as_the_two_standards_do() -> None:
    assert (G21.highest, ISO_846.highest) == (4, 5)
    assert scales_for("growth", ()) == [G21, ISO_846]
    assert all("from memory" in scale.source for scale in (G21, ISO_846))
    assert all(scale.words[0].startswith(("none", "nothing")) for scale in USUAL)


def test_every_usual_sight_has_a_scale_and_the_rig_file_s_comes_first() -> None:
    assert all(scales_for(sight, ()) for sight in Sight)
    assert scales_for("salt bloom", (BLOOM,)) == [BLOOM, PLAIN]
    assert scale_called(None, "salt bloom", RIG) is BLOOM
    assert scale_called("plain words", "salt bloom", RIG) is PLAIN
    assert sights((BLOOM,)) == [*Sight, "fur"]


def test_a_grade_is_a_number_or_its_words() -> None:
    assert grade_called("2", BLOOM) == grade_called("white fur", BLOOM) == 2
    for words in ("3", "-1", "1.5", "²", "", "fur", "0000001"):
        with pytest.raises(RequestError, match=r"0 \(none\), 1 \(a haze\), 2 \(white fur\)"):
            grade_called(words, BLOOM)


def test_what_is_seen_needs_a_word_and_a_scale_that_are_there() -> None:
    with pytest.raises(RequestError, match=r"called 'lichen' here, .* softening, fur; another"):
        scale_called(None, "lichen", RIG)
    with pytest.raises(RequestError, match="No scale for fur is called 'ASTM G21'"):
        scale_called("ASTM G21", "fur", RIG)


@pytest.mark.parametrize(
    "one",
    [
        entry(),
        entry(grade=4, extent=100.0),
        entry(extent=0.0),
        entry(grade=5, scale=ISO_846, looked=Looked.MAGNIFIED),
        entry(at=SeenAt("plain", depth=60)),
        entry(at=SeenAt("plain", Face.WET, low=400, high=400)),
        entry(of="fur", scale=BLOOM, grade=2),
    ],
    ids=lambda one: str(one.content["of"]),
)
def test_what_can_be_seen_is_kept(one: LogbookEntry) -> None:
    held(one)
    assert [each.of for each in observations([one])] == [one.content["of"]]


WRONG: list[tuple[Mapping[str, Json], str]] = [
    ({"grade": 5}, "The grade of an observation is 0 to 4, not 5"),
    ({"grade": True}, "The grade of an observation is 0 to 4"),
    ({"grade": 1.0}, "The grade of an observation is 0 to 4"),
    ({"highest": 0}, "The highest grade of a scale is 1 to 19, not 0"),
    ({"highest": "4"}, "The highest grade of a scale is 1 to 19"),
    ({"looked": "by nose"}, "one of by eye, under magnification"),
    ({"face": "north"}, "one of dry, wet"),
    ({"face": None}, "on a face, or at a depth that was laid open: tell one"),
    ({"depth_mm": 10}, "on a face, or at a depth that was laid open: tell one"),
    ({"height_to_mm": None}, "tell both, or neither"),
    ({"height_from_mm": 300}, "goes up: from 120 to 300 mm"),
    ({"height_from_mm": -1}, "The lower end of an observation is a number of mm, not -1"),
    ({"height_to_mm": float("inf")}, "The upper end of an observation is a number of mm"),
    ({"extent_percent": 101}, "0 to 100 %, or left out, not 101"),
    ({"extent_percent": 3}, "Grade 0 is that nothing was seen"),
    ({"grade": 1, "extent_percent": 0}, "Grade 0 is that nothing was seen"),
    ({"of": ""}, "The of of an observation is one line"),
    ({"scale": "a\nb"}, "The scale of an observation is one line"),
    ({"word": "n" * 121}, "The word of an observation is one line of up to 120"),
    ({"colour": "green"}, "An observation has depth_mm, extent_percent, face"),
]


@pytest.mark.parametrize(("changes", "says"), WRONG, ids=lambda value: str(value)[:40])
def test_what_contradicts_itself_is_refused(changes: Mapping[str, Json], says: str) -> None:
    one = entry()
    with pytest.raises(RequestError) as caught:
        check_entry(replace(one, content={**one.content, **changes}))
    assert says in str(caught.value)


def test_an_observation_is_about_a_bay_and_has_words() -> None:
    with pytest.raises(RequestError, match="An observation is about a bay: name it"):
        check_entry(replace(entry(), subject=THE_RIG))
    with pytest.raises(RequestError, match="Write what there is to say"):
        check_entry(replace(entry(), says=""))


@pytest.mark.parametrize(
    ("one", "says"),
    [
        (entry(of="lichen"), "Nothing seen is called 'lichen' here"),
        (entry(scale=replace(G21, name="G 21")), "No scale for growth is called 'G 21'"),
        (
            entry(of="fur", scale=replace(BLOOM, words=("none", "some"))),
            "Grade 0 of the scale bloom on render is 'none' of 2",
        ),
        (entry(at=SeenAt("plain", depth=61)), "outside: plain is 60 mm thick"),
        (entry(at=SeenAt("plain", "dry", None, 0, 401)), "the specimen is 400 mm high"),
    ],
)
def test_what_this_rig_has_no_place_or_scale_for_is_refused(one: LogbookEntry, says: str) -> None:
    with pytest.raises(RequestError) as caught:
        held(one)
    assert says in str(caught.value)
    assert str(caught.value).endswith(". Nothing was kept.")
    assert str(caught.value).count("Nothing was kept") == 1


def test_only_what_was_not_corrected_counts_in_the_order_of_time() -> None:
    wrong = replace(entry(1, 0, grade=3), corrected_by=(3,))
    found = observations([entry(4, 2), entry(3, 0, grade=1), entry(2, 5), wrong])
    assert [(each.number, each.grade) for each in found] == [(3, 1), (4, 0), (2, 0)]


def test_a_series_is_of_one_place_and_one_thing() -> None:
    other = SeenAt("plain", Face.DRY)
    entries = [
        entry(1, 0), entry(2, 0, at=other), entry(3, 7), entry(4, 3, of="staining", scale=PLAIN),
        entry(5, 9, at=other, grade=1),
    ]  # fmt: skip
    found = series_of(observations(entries))
    assert [(each.of, each.at, [one.number for one in each.seen]) for each in found] == [
        ("growth", other, [2, 5]),
        ("growth", FOOT, [1, 3]),
        ("staining", FOOT, [4]),
    ]


@pytest.mark.parametrize(
    ("grades", "says"),
    [
        ([0, 0], r"^Nothing was seen up to 20 Jun 2026, [\d:]+ UTC\.$"),
        ([0, 0, 1], r"^It came between 20 Jun 2026, .* and 27 Jun 2026, [\d:]+ UTC\.$"),
        ([0, 2, 2], r"^It came between 13 Jun 2026, .* and 20 Jun .*\. The same since\.$"),
        ([2, 1], r"^It was there when it was first looked for, 13 Jun .* From grade 2 to 1 since"),
    ],
)
def test_a_course_says_between_when_and_when_it_came(grades: list[int], says: str) -> None:
    entries = [entry(n, 7 * n, grade=grade) for n, grade in enumerate(grades)]
    (series,) = series_of(observations(entries))
    assert re.search(says, course_words(series)), course_words(series)


def test_looks_of_another_kind_or_on_another_scale_are_not_held_against_each_other() -> None:
    entries = [
        entry(1, 0, scale=ISO_846), entry(2, 7, looked=Looked.MAGNIFIED, grade=1),
        entry(3, 14), entry(4, 21, grade=1),
    ]  # fmt: skip
    (series,) = series_of(observations(entries))
    words = course_words(series)
    assert words.startswith("It came between 27 Jun 2026")
    assert words.endswith("Only looks by eye on the scale ASTM G21 are compared, 2 of 4.")


def test_an_observation_is_told_in_words_and_to_programs() -> None:
    (seen,) = observations([replace(entry(7, grade=1, extent=5.0), photos=("ab" * 32,))])
    assert grade_words(seen) == (
        "grade 1 of 4 by ASTM G21 (traces, on less than a tenth of it), about 5 % of it, by eye"
    )
    assert seen_words(seen).startswith("growth, plain, dry face, 0 to 120 mm high: grade 1 of 4")
    document = observation_document(seen)
    assert document["grade_words"] == G21.words[1]
    assert (document["bay"], document["face"], document["depth_mm"]) == ("plain", "dry", None)
    assert document["photos"] == ["ab" * 32]


def test_whoever_sees_growth_is_cautioned() -> None:
    assert told_of("growth") == [GROWTH_CAUTION]
    assert told_of("staining") == []
