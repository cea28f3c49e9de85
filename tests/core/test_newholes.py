"""New holes as entries: whose, tied to the old series or not."""

from dataclasses import replace

import pytest

from longsoak.core.logbook import check_against, check_entry
from longsoak.core.newholes import (
    hole_content,
    hole_document,
    holes_of,
    new_holes,
    offset_words,
)
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import NEW_HOLE, THE_RIG, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from pages.pagerig import make_rig

NOW_MS = 1_790_000_000_000
PROBE = Subject(About.PROBE, "plain lime 30/60")


def entry(number: int = 1, subject: Subject = PROBE, **more: Json) -> LogbookEntry:
    return LogbookEntry(
        asked_utc_ms=NOW_MS, at_utc_ms=NOW_MS, by="mk", says="The hole had split", kind=NEW_HOLE,
        subject=subject, content=hole_content() | more, number=number,
    )  # fmt: skip


def test_it_is_tied_by_an_offset_or_not_at_all() -> None:
    tied = entry(2, offset=-0.4, uncertainty=0.1, overlap_h=48)
    for each in (entry(), tied):
        check_entry(each)
        check_against(each, make_rig(), began_ms=NOW_MS, last=0)
    loose, known = new_holes([tied, entry()])
    assert offset_words(loose, "% MC").startswith("no overlap and no offset was given")
    assert offset_words(known, "% MC") == (
        "the new one reads 0.40 ± 0.20 % MC less, by 48 h side by side"
    )
    assert hole_document(known)["offset"] == -0.4
    assert holes_of([loose, known], "another") == []


def test_one_that_was_corrected_does_not_count() -> None:
    assert new_holes([replace(entry(), corrected_by=(2,))]) == []


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (entry(offset=0.4), "An offset has a standard uncertainty"),
        (entry(uncertainty=0.4), "no uncertainty stands alone"),
        (entry(overlap_h=24), "Of an overlap the offset is told"),
        (entry(offset=1e6, uncertainty=1), "The offset of a new hole is a number, -300 to 300"),
        (entry(offset=0, uncertainty=-1), "The uncertainty of a new hole is a number, 0 to"),
        (entry(offset="much", uncertainty=1), "The offset of a new hole is a number"),
        (entry(depth=3), "A new hole has an offset with its uncertainty"),
        (entry(subject=THE_RIG), "A new hole is about a probe. Name it"),
    ],
)
def test_what_can_not_be_is_refused(made: LogbookEntry, says: str) -> None:
    with pytest.raises(RequestError, match=says):
        check_entry(made)


@pytest.mark.parametrize("name", ["water level", "meter reference", "air wet RH"])
def test_what_sits_in_no_hole_has_no_new_one(name: str) -> None:
    made = entry(subject=Subject(About.PROBE, name))
    with pytest.raises(RequestError, match=f"{name} sits in no hole"):
        check_against(made, make_rig(), began_ms=NOW_MS, last=0)
