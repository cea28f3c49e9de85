"""Wet trades as entries: what they hold, how long they settle, and which bays they wet."""

from dataclasses import replace

import pytest

from longsoak.core.logbook import check_against, check_entry
from longsoak.core.wettrades import (
    SETTLING_DAYS,
    settling_flags,
    trade_content,
    trade_document,
    trade_words,
    trades_in,
    wet_trades,
)
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.logbook import THE_RIG, WET_TRADE, About, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from pages.pagerig import make_rig

NOW_MS = 1_790_000_000_000
DAY_MS = 86_400_000
BAY = Subject(About.BAY, "plain lime")


def entry(number: int = 1, subject: Subject = BAY, **more: Json) -> LogbookEntry:
    content = trade_content(litres=40, mix="lime 1, sand 3", curing_temperature=18) | more
    return LogbookEntry(
        asked_utc_ms=NOW_MS, at_utc_ms=NOW_MS, by="mk", says="Screed", kind=WET_TRADE,
        subject=subject, content=content, number=number,
    )  # fmt: skip


def test_it_settles_for_28_days_unless_told_otherwise() -> None:
    check_entry(entry())
    check_against(entry(), make_rig(), began_ms=NOW_MS, last=0)
    (usual,) = wet_trades([entry()])
    assert (usual.until_ms - usual.at_ms) / DAY_MS == SETTLING_DAYS == 28
    (told,) = wet_trades([entry(settling_days=60.5)])
    assert (told.until_ms - told.at_ms) / DAY_MS == 60.5
    assert trade_words(usual) == "40 L of lime 1, sand 3 into plain lime, cured at 18 °C"
    assert trade_document(usual)["settles_until"] == "2026-10-19T14:13:20.000Z"


def test_one_that_was_corrected_does_not_count() -> None:
    wrong = replace(entry(1), corrected_by=(2,))
    right = replace(entry(2, litres=4), corrects=1)
    assert [trade.litres for trade in wet_trades([right, wrong])] == [4]


def test_one_of_the_whole_specimen_wets_each_bay_and_each_wets_the_whole() -> None:
    whole, own = wet_trades([entry(1, THE_RIG), entry(2)])
    assert trades_in([whole, own], "plain lime") == [whole, own]
    assert trades_in([whole, own], "cork-lime") == [whole]
    assert trades_in([whole, own], None) == [whole, own]
    first, second = settling_flags([whole, own])
    assert (first.subject, second.subject) == (THE_RIG, BAY)
    assert (first.flag, first.reason) == (Flag.NOT_EVALUATED, Reason.SET_ASIDE)


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (entry(litres=0), "litres of a wet trade are a number above 0"),
        (entry(litres=True), "litres of a wet trade"),
        (entry(litres=float("nan")), "litres of a wet trade"),
        (entry(mix=""), "The mix of a wet trade is one line"),
        (entry(mix="a\nb"), "The mix of a wet trade is one line"),
        (entry(settling_days=0), "A wet trade settles for a number of days above 0"),
        (entry(curing_temperature=300), "A curing temperature is a number of degC"),
        (entry(water=3), "A wet trade has litres, a mix"),
        (entry(subject=Subject(About.PROBE, "plain lime 30/60")), "about a bay or the rig"),
    ],
)
def test_what_can_not_be_is_refused(made: LogbookEntry, says: str) -> None:
    with pytest.raises(RequestError, match=says):
        check_entry(made)
