"""What an entry of a top-up may hold."""

from dataclasses import replace

import pytest

from longsoak.core.logbook import check_entry
from longsoak.core.water.entries import top_up_content, top_up_words
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import TOP_UP, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json

NOW_MS = 1_777_885_200_000  # 2026-05-04T09:00:00Z
ENTRY = LogbookEntry(
    asked_utc_ms=NOW_MS,
    at_utc_ms=NOW_MS - 30_000,
    by="mk",
    says="Topped up by 9.6 L.",
    kind=TOP_UP,
    content=top_up_content(litres=9.6, before_mm=70, after_mm=94, litres_by_can=9.5, source="butt"),
)


def test_by_the_level_or_by_the_can_alone_will_do() -> None:
    check_entry(ENTRY)
    check_entry(replace(ENTRY, content=top_up_content(litres=None, litres_by_can=9.5)))
    check_entry(replace(ENTRY, content=top_up_content(litres=-2.0)))  # drawn off


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ({}, "A top-up has litres, levels before and after"),
        (top_up_content(litres=None), "A top-up has litres, by the level or by the can"),
        (top_up_content(litres=float("nan")), "The litres of a top-up is a number"),
        (top_up_content(litres=2e5), "200000 can't be the litres"),
        (top_up_content(litres=1, litres_by_can=0), "0 can't be the litres_by_can"),
        (top_up_content(litres=1, source="rain\nbutt"), "one line of up to 200 characters"),
        ({**top_up_content(litres=1), "litres": True}, "The litres of a top-up is a number"),
    ],
)
def test_what_is_no_top_up_is_refused(content: dict[str, Json], says: str) -> None:
    with pytest.raises(RequestError, match=says):
        check_entry(replace(ENTRY, content=content))


def test_it_is_about_the_rig() -> None:
    with pytest.raises(RequestError, match="about the rig, and no bay or probe"):
        check_entry(replace(ENTRY, subject=Subject(About.PROBE, "water level")))


def test_its_sentence_says_what_it_was_before_and_after_and_what_the_can_said() -> None:
    assert top_up_words(ENTRY.content, clearance=26.0) == (
        "Topped up by 9.6 L, butt: 70.0 mm before, 94.0 mm after, clearance 26.0 mm, "
        "9.5 L by the can."
    )
    assert top_up_words(top_up_content(litres=-2.0, before_mm=80, after_mm=75)) == (
        "2.0 L less in the tray: 80.0 mm before, 75.0 mm after."
    )
    assert top_up_words(top_up_content(litres=None, litres_by_can=4.5, source="mains")) == (
        "Topped up by 4.5 L, mains: 4.5 L by the can."
    )
