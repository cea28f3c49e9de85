"""A hand meter on a test block: what can stand in an entry, and what is told of a round."""

from collections.abc import Mapping
from dataclasses import replace

import pytest

from longsoak.core.handplaces import HandReading, next_round
from longsoak.core.handreadings import Place, Setting, Shown
from longsoak.core.logbook import check_against, check_entry
from longsoak.core.metercheck import (
    AFTER,
    BEFORE,
    check_content,
    check_said,
    checked,
    meter_checks,
    meters_words,
    rounds_over,
)
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import METER_CHECK, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from rigs import small_rig

NOW_MS = 1_790_000_000_000
BLOCK = Shown(18.0, "%")


def entry(
    when: str = BEFORE,
    shown: Shown = Shown(18.4, "%"),  # noqa: B008 - it is frozen
    *,
    at_ms: int = NOW_MS,
    meter: str = "pin meter 2",
    number: int = 1,
    more: Mapping[str, Json] | None = None,
) -> LogbookEntry:
    content = check_content(
        round_name="3", meter=meter, when=when, nominal=BLOCK, shown=shown
    ) | dict(more or {})
    return LogbookEntry(
        asked_utc_ms=NOW_MS, at_utc_ms=at_ms, by="mk", says="A check", kind=METER_CHECK,
        content=content, number=number,
    )  # fmt: skip


def reading(meter: str = "pin meter 2", *, at_ms: int = NOW_MS + 60_000) -> HandReading:
    setting = Setting(round="3", meter=meter)
    return HandReading(9, at_ms, "mk", "plain", Place(30, 60), BLOCK, setting, None, "", True)


def test_it_is_kept_about_the_rig_and_says_all_that_is_needed_to_believe_it() -> None:
    one = entry()
    check_entry(one)
    check_against(one, small_rig(), began_ms=NOW_MS, last=1)
    assert check_said(one.content) == (
        "Test block of 18 %: pin meter 2 shows 18.4 %, before round 3."
    )
    with pytest.raises(RequestError, match="A meter check is about the rig, and no bay or probe"):
        check_entry(replace(one, subject=Subject(About.BAY, "plain")))


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"round": ""}, "belongs to a round: give it a number or a name"),
        ({"meter": ""}, "Say which meter was checked"),
        ({"meter": "m" * 121}, "is one line of up to 120 characters"),
        ({"when": "during"}, "is before or after its round: say which"),
        ({"unit": "V"}, "is one of %, Ohm"),
        ({"bound": "near"}, "A meter shows a value, at least one or at most one"),
        ({"nominal": 0}, "What a block should show is more than 0 % and up to 300, not 0"),
        ({"shown": 301}, "What the meter shows is more than 0 % and up to 300, not 301"),
        ({"shown": True}, "What the meter shows is more than 0 %"),
        ({"more": 1}, "A check on a test block has bound, meter"),
    ],
)
def test_what_can_not_be_is_refused_in_words(more: dict[str, Json], says: str) -> None:
    with pytest.raises(RequestError, match=says):
        check_entry(entry(more=more))


def test_a_block_has_one_value_in_the_unit_of_the_meter() -> None:
    with pytest.raises(RequestError, match="write both in one unit"):
        entry(shown=Shown(1e9, "Ohm"))
    with pytest.raises(RequestError, match="A test block has one value"):
        check_content(
            round_name="3", meter="m", when=BEFORE, nominal=Shown(60, "%", "at least"), shown=BLOCK
        )


@pytest.mark.parametrize(
    ("shown", "words"),
    [
        (Shown(18.4, "%"), "0.4 % over the 18 % of the block"),
        (Shown(17.5, "%"), "0.5 % under the 18 % of the block"),
        (Shown(18.0, "%"), "showed the 18 % of the block"),
        (Shown(60.0, "%", "at least"), "showed at least 60 % on a block of 18 %"),
    ],
)
def test_how_far_off_it_was_is_told(shown: Shown, words: str) -> None:
    (found,) = meter_checks([entry(shown=shown)])
    assert found.words == words


def test_a_round_is_told_by_meter_and_a_check_that_was_corrected_counts_no_more() -> None:
    own = [reading(), reading("old meter")]
    checks = meter_checks(
        [entry(), entry(AFTER, at_ms=NOW_MS + 120_000, number=2), replace(entry(number=3,
         meter="old meter"), corrected_by=(4,))]
    )  # fmt: skip
    assert meters_words(own, checks) == [
        "pin meter 2: 0.4 % over the 18 % of the block before the round; 0.4 % over the 18 % of "
        "the block after the round.",
        "old meter: not checked on a test block before the round; not checked on a test block "
        "after the round.",
    ]
    assert checked(own[:1], checks, when=BEFORE)
    assert not checked(own, checks, when=BEFORE)


def test_a_round_that_was_ended_by_a_check_is_not_the_one_a_reading_belongs_to() -> None:
    own = [reading()]
    assert next_round(own, now_ms=NOW_MS + 180_000) == "3"
    over = rounds_over(own, meter_checks([entry(AFTER, at_ms=NOW_MS + 120_000)]))
    assert over == {"3"}
    assert next_round(own, now_ms=NOW_MS + 180_000, over=over) == "4"


def test_a_check_whose_time_says_otherwise_counts_for_nothing_and_that_is_told() -> None:
    checks = meter_checks([entry(at_ms=NOW_MS + 120_000)])
    assert "before the round (by its time it was not)" in meters_words([reading()], checks)[0]
    assert not checked([reading()], checks, when=BEFORE)
