"""The closing list: what is open, answered, and of which test."""

from dataclasses import replace

import pytest

from longsoak.core.closing import (
    ITEMS,
    KEYS,
    answered_document,
    closing_content,
    closing_list,
)
from longsoak.core.logbook import check_entry
from longsoak.core.phases import phase_content
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import CLOSING, PHASE, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json

NOW_MS = 1_790_000_000_000
DAY_MS = 86_400_000


def answer(
    number: int, item: str, *, done: bool = True, days: int = 0, **more: Json
) -> LogbookEntry:
    at = NOW_MS + days * DAY_MS
    content = closing_content(item, done=done, name="Mina Kolar") | more
    return LogbookEntry(
        asked_utc_ms=at, at_utc_ms=at, by="mk", says=f"Answer {number}", kind=CLOSING,
        content=content, number=number, photos=("a" * 64,),
    )  # fmt: skip


def wetting(number: int, days: int) -> LogbookEntry:
    return replace(
        answer(number, "cores", days=days), kind=PHASE, content=phase_content("wetting"), photos=()
    )


def states(entries: list[LogbookEntry]) -> dict[str, Json]:
    found = map(answered_document, closing_list(entries))
    return {str(each["item"]): each["answer"] for each in found}


def test_what_the_issue_asks_for_is_on_the_list() -> None:
    assert KEYS == (
        "drying criterion", "photos", "witness strip", "repeated proof", "cores",
        "retained water", "storage place",
    )  # fmt: skip
    assert all(item.asks.endswith("?") and item.why for item in ITEMS)
    assert states([]) == dict.fromkeys(KEYS, "open")


def test_each_item_has_the_newest_answer_that_counts() -> None:
    entries = [
        answer(1, "cores", done=False),
        answer(2, "cores"),
        replace(answer(3, "photos"), corrected_by=(4,)),
        answer(5, "storage place", done=False),
    ]
    for each in entries:
        check_entry(each)
    found = states(entries[::-1])
    assert (found["cores"], found["photos"], found["storage place"]) == ("done", "open", "not done")
    document = answered_document(closing_list(entries)[4])
    assert (document["says"], document["name"], document["number"]) == ("Answer 2", "Mina Kolar", 2)
    assert document["photos"] == ["a" * 64]


def test_an_answer_from_before_the_last_wetting_closed_an_earlier_test() -> None:
    entries = [wetting(1, -9), answer(2, "cores", days=-3), wetting(3, -1)]
    assert states(entries)["cores"] == "open"
    assert states([*entries, answer(4, "cores")])["cores"] == "done"
    assert states(entries[:2])["cores"] == "done"


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (answer(1, "flowers"), "The items of the closing list are drying criterion, photos,"),
        (answer(1, "cores", name="mk"), "is named in full"),
        (answer(1, "cores", name="Mina\nKolar"), "A name is one line"),
        (answer(1, "cores", done="yes"), "has an item, done or not, and a name"),  # type: ignore[arg-type]  # as a program may write
        (
            replace(answer(1, "cores"), subject=Subject(About.BAY, "plain lime")),
            "The closing list is about the rig",
        ),
    ],
)
def test_what_can_not_be_is_refused(made: LogbookEntry, says: str) -> None:
    with pytest.raises(RequestError, match=says):
        check_entry(made)
