"""Phases of a test: begun, ended, corrected, and put into their order."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.logbook import check_against, check_entry
from longsoak.core.phases import (
    WORDS,
    begins_words,
    begun,
    ended,
    phase_at,
    phase_content,
    phase_document,
    phases,
)
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import PHASE, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from rigs import small_rig

NOW_MS = 1_790_000_000_000
DAY_MS = 86_400_000


def entry(number: int, word: str | None, day: int, *, name: str = "") -> LogbookEntry:
    return LogbookEntry(
        asked_utc_ms=NOW_MS,
        at_utc_ms=NOW_MS - 100 * DAY_MS + day * DAY_MS,
        by="mk",
        says="Because",
        kind=PHASE,
        content=phase_content(word, name=name),
        number=number,
    )


def days(entries: list[LogbookEntry]) -> list[tuple[int, str, int, int | None]]:
    zero = NOW_MS - 100 * DAY_MS
    return [
        (
            each.number,
            each.phase,
            (each.from_ms - zero) // DAY_MS,
            None if each.until_ms is None else (each.until_ms - zero) // DAY_MS,
        )
        for each in phases(entries)
    ]


def test_each_phase_lasts_until_the_next_or_an_end() -> None:
    entries = [
        entry(4, "drying", 60),
        entry(3, None, 50),
        entry(2, "wetting", 20),
        entry(1, "baseline", 0),
    ]
    assert days(entries) == [
        (1, "baseline", 0, 20),
        (2, "wetting", 20, 50),
        (4, "drying", 60, None),
    ]


def test_one_written_later_of_an_earlier_time_stands_in_between() -> None:
    assert days([entry(2, "baseline", 10), entry(1, "wetting", 30)]) == [
        (2, "baseline", 10, 30),
        (1, "wetting", 30, None),
    ]


def test_a_correction_stands_in_its_place_and_one_of_another_kind_takes_it_away() -> None:
    wrong = replace(entry(1, "wetting", 10), corrected_by=(2,))
    right = replace(entry(2, "dry run", 12), corrects=1)
    assert days([right, wrong]) == [(2, "dry run", 12, None)]
    assert days([wrong]) == []


def test_of_two_at_the_same_moment_the_later_written_one_counts() -> None:
    assert days([entry(2, "drying", 5), entry(1, "wetting", 5)]) == [(2, "drying", 5, None)]


STEPS = st.lists(st.tuples(st.sampled_from([*WORDS, None]), st.integers(0, 90)), max_size=12)


@given(STEPS)
def test_phases_follow_each_other_and_never_overlap(steps: list[tuple[str | None, int]]) -> None:
    entries = [entry(n, word, day) for n, (word, day) in enumerate(steps, 1)]
    found = phases(entries)
    for one, other in pairwise(found):
        assert one.until_ms is not None
        assert one.from_ms < one.until_ms <= other.from_ms
    for day in range(92):
        # What the newest entry up to then says is what goes on, told without our code.
        at_ms = NOW_MS - 100 * DAY_MS + day * DAY_MS
        before = [(d, n, word) for n, (word, d) in enumerate(steps, 1) if d <= day]
        expected = max(before)[2] if before else None
        now = phase_at(found, at_ms)
        assert (None if now is None else now.phase) == expected


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ({"phase": "rest", "name": ""}, "A phase is one of conditioning, baseline, dry run"),
        ({"phase": "wetting"}, "A phase is one of"),
        ({"phase": "wetting", "name": "a\nb"}, "one line of up to 80"),
        ({"phase": "wetting", "name": "n" * 81}, "one line of up to 80"),
        ({"phase": "wetting", "name": 3}, "one line of up to 80"),
        ({"phase": None, "name": "x"}, "An end has no name"),
        ({"phase": None, "name": "", "control": "b"}, "An end has no control"),
        ({"phase": "wetting", "name": "", "control": None}, "a bay by its name, or empty"),
        ({"phase": "wetting", "name": "", "control": "n" * 81}, "a bay by its name, or empty"),
        ({"phase": "wetting", "name": "", "limit": ""}, "A phase is one of"),
    ],
)
def test_what_is_no_phase_is_refused(content: dict[str, Json], says: str) -> None:
    with pytest.raises(RequestError, match=says):
        check_entry(replace(entry(1, "wetting", 0), content=content))


def test_a_phase_is_of_the_whole_rig_and_has_a_reason() -> None:
    with pytest.raises(RequestError, match="A phase is about the rig"):
        check_entry(replace(entry(1, "wetting", 0), subject=Subject(About.BAY, "b")))
    with pytest.raises(RequestError, match="Write what there is to say"):
        check_entry(replace(entry(1, "wetting", 0), says=""))


def test_nothing_ends_where_nothing_goes_on() -> None:
    with pytest.raises(RequestError, match=r"No phase goes on .* so none can end"):
        ended([], by="mk", says="Done", at_ms=NOW_MS, now_ms=NOW_MS)
    known = phases([entry(1, "wetting", 0)])
    end = ended(known, by="mk", says="Done", at_ms=NOW_MS, now_ms=NOW_MS)
    check_entry(end)
    assert begins_words(end) == "the phase ends"


def test_it_is_told_in_words_and_for_programs() -> None:
    began = begun("wetting", name="first", by="mk", says="Dry", at_ms=NOW_MS, now_ms=NOW_MS)
    check_entry(began)
    assert begins_words(began) == "wetting begins: first"
    (phase,) = phases([replace(began, number=7)])
    assert phase.title == "wetting, first"
    assert phase_document(phase) == {
        "number": 7,
        "phase": "wetting",
        "name": "first",
        "control": None,
        "from": "2026-09-21T14:13:20.000Z",
        "until": None,
        "by": "mk",
        "says": "Dry",
        "gates_looked_at": False,
        "gates_not_met": [],
        "although": None,
    }


def test_a_phase_names_its_unwetted_control() -> None:
    rig = small_rig()
    (bay, *_) = rig.specimen.bays
    began = begun(
        "wetting",
        name="first",
        by="mk",
        says="Dry",
        at_ms=NOW_MS,
        now_ms=NOW_MS,
        control=bay.name,
    )
    check_entry(began)
    check_against(began, rig, began_ms=NOW_MS, last=0)
    assert begins_words(began) == f"wetting begins: first, with {bay.name} as unwetted control"
    (phase,) = phases([replace(began, number=7)])
    assert phase.control == phase_document(phase)["control"] == bay.name


def test_a_control_is_a_bay_that_the_rig_has() -> None:
    entry_of_none = replace(
        entry(1, "wetting", 0), content=phase_content("wetting", control="the other shop")
    )
    check_entry(entry_of_none)
    with pytest.raises(RequestError, match="no bay 'the other shop' that could be the control"):
        check_against(entry_of_none, small_rig(), began_ms=NOW_MS, last=0)


def test_an_entry_from_before_controls_could_be_named_reads_as_it_did() -> None:
    old: dict[str, Json] = {"phase": "wetting", "name": "first"}
    kept = replace(entry(1, "wetting", 0), content=old)

    check_entry(kept)
    check_against(kept, small_rig(), began_ms=NOW_MS, last=0)
    assert [phase.control for phase in phases([kept])] == [""]
    assert begins_words(kept) == "wetting begins: first"
    # And none is written otherwise today.
    assert phase_content("wetting", name="first") == old
    said_so = replace(kept, content={**old, "control": ""})
    check_entry(said_so)
    assert begins_words(said_so) == "wetting begins: first"
