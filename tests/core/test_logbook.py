"""What may stand in the logbook, and times as people write them."""

from dataclasses import replace

import pytest

from longsoak.core.logbook import (
    LONGEST_TEXT,
    MOST_PHOTOS,
    check_against,
    check_entry,
    subject_called,
    text_of,
)
from longsoak.core.moments import moment_of
from longsoak.core.water.entries import top_up_content
from longsoak.core.water.rounds import cup_content
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import CUP, THE_RIG, TOP_UP, About, LogbookEntry, Subject
from pages.pagerig import make_rig

NOW_MS = 1_777_885_200_000  # 2026-05-04T09:00:00Z
DAY_MS = 86_400_000
NOTE = LogbookEntry(asked_utc_ms=NOW_MS, at_utc_ms=NOW_MS, by="mk", says="Topped up by hand.")
PROBE, BAY = Subject(About.PROBE, "plain lime 30/60"), Subject(About.BAY, "plain lime")


@pytest.mark.parametrize(
    "says",
    [
        "Two lines:\n\n- lime\u00a0render wet to 40 mm\n- cork dry",
        "\u0643\u062a\u0627\u0628 \u2764\ufe0f \U0001f469\u200d\U0001f527",  # joined by U+200D
    ],
)
def test_lines_and_any_writing_may_stand_in_an_entry(says: str) -> None:
    check_entry(replace(NOTE, says=says))


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        (replace(NOTE, says=""), "Write what there is to say."),
        (replace(NOTE, says="x" * (LONGEST_TEXT + 1)), "up to 4000 characters, this one 4001."),
        (replace(NOTE, says="wet\nto\t40"), "Line 2 holds the character U+0009, which can't be sh"),
        (replace(NOTE, says="wet\x1b[2J"), "Line 1 holds the character U+001B"),
        (replace(NOTE, says="not \u202etew"), "U+202E"),  # turns what follows round
        (replace(NOTE, says="half \ud83d"), "U+D83D"),
        (replace(NOTE, says="wet\u2028to"), "U+2028"),
        (replace(NOTE, at_utc_ms=NOW_MS + 61_000), "4 May 2026, 09:01:01 UTC is yet to come: by"),
        (replace(NOTE, photos=("a" * 64,) * (MOST_PHOTOS + 1)), "up to 8 photos, this one 9."),
        (replace(NOTE, photos=("../record.db",)), "64 hexadecimal digits"),
        (replace(NOTE, kind="dance"), "keeps no entry of the kind 'dance'"),
        (replace(NOTE, schema=2), "keeps no entry of the kind 'note' in this form"),
        (replace(NOTE, content={"litres": 3}), "a note has words and photos"),
    ],
)
def test_what_can_not_stand_in_a_logbook_is_refused(entry: LogbookEntry, says: str) -> None:
    with pytest.raises(RequestError) as refused:
        check_entry(entry)
    assert says in str(refused.value)
    assert str(refused.value).endswith(" Nothing was kept.")


@pytest.mark.parametrize("subject", [THE_RIG, PROBE, BAY])
def test_an_entry_is_about_the_rig_a_bay_or_a_probe_and_may_be_of_last_year(
    subject: Subject,
) -> None:
    earlier = replace(NOTE, subject=subject, at_utc_ms=NOW_MS - 400 * DAY_MS, corrects=2)
    check_entry(earlier)
    check_against(earlier, make_rig(), began_ms=NOW_MS, last=2)
    check_against(earlier, make_rig(), began_ms=None, last=2)
    # By a clock that ran years ahead.
    check_against(earlier, make_rig(), began_ms=NOW_MS + 3650 * DAY_MS, last=2)


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        (
            replace(NOTE, subject=Subject(About.PROBE, "plain lime 30/61")),
            "There is no probe or bay 'plain lime 30/61' on this rig. Was 'plain lime 30/60' or",
        ),
        (replace(NOTE, subject=Subject(About.BAY, PROBE.name)), "There is no probe or bay"),
        (
            replace(NOTE, at_utc_ms=NOW_MS - 10 * 365 * DAY_MS),
            "is more than 3 years before this record began, 4 May 2026, 09:00:00 UTC. Was the year",
        ),
        (replace(NOTE, corrects=3), "There is no entry 3 to correct; the newest is 2."),
        (replace(NOTE, corrects=0), "There is no entry 0 to correct"),
    ],
)
def test_what_has_no_place_in_this_logbook_is_refused(entry: LogbookEntry, says: str) -> None:
    with pytest.raises(RequestError) as refused:
        check_against(entry, make_rig(), began_ms=NOW_MS, last=2)
    assert says in str(refused.value)


def test_a_subject_is_called_by_its_name_and_by_its_kind_where_two_have_one() -> None:
    rig = make_rig()
    assert subject_called("rig", rig) == THE_RIG
    assert subject_called("plain lime", rig) == BAY
    assert subject_called("probe:plain lime 30/60", rig) == PROBE
    one = next(probe for probe in rig.probes if probe.name == PROBE.name)
    twins = replace(rig, probes=(replace(one, name="plain lime"),))
    with pytest.raises(RequestError, match="Write 'bay:plain lime' or 'probe:plain lime'"):
        subject_called("plain lime", twins)
    assert subject_called("bay:plain lime", twins) == BAY
    with pytest.raises(RequestError, match=r"Name one, or leave it out for the rig"):
        subject_called("zzz", rig)


def test_lines_end_as_on_paper_whatever_a_browser_sends() -> None:
    assert text_of(" \r\none\r\n\r\ntwo  \n") == "one\n\ntwo"


# 2026-05-04T14:20:00Z by `date -u -d '2026-05-04 14:20' +%s`, computed; the forms are RFC 3339's
# (from memory) with a space for the T, which it allows.
@pytest.mark.parametrize(
    ("words", "utc_ms"),
    [
        ("2026-05-04 14:20", 1_777_904_400_000),
        ("2026-05-04T14:20", 1_777_904_400_000),
        (" 2026-05-04 14:20:00 UTC", 1_777_904_400_000),
        ("2026-05-04T14:20:07.25Z", 1_777_904_407_250),
        ("2026-05-04 16:20+02:00", 1_777_904_400_000),
        ("14:20", 1_777_904_400_000),
        ("9:05", 1_777_885_500_000),
    ],
)
def test_a_time_is_read_as_it_is_written(words: str, utc_ms: int) -> None:
    assert moment_of(words, now_ms=NOW_MS) == utc_ms


@pytest.mark.parametrize(
    "words",
    [
        *("", "yesterday", "2026-05-04", "04.05.2026 14:20", "2026-02-30 14:20", "24:10", "14"),
        *("2026-05-04 14:20 CEST", "2026-W19-1", "14:20:61", "\u0661\u0662:\u0662\u0660"),
    ],
)
def test_what_is_no_time_is_refused_with_one_as_it_should_be(words: str) -> None:
    with pytest.raises(RequestError, match="expected 2026-05-04 14:20 or, for today, 14:20"):
        moment_of(words, now_ms=NOW_MS)


def test_a_machine_that_does_not_know_the_day_asks_for_it() -> None:
    in_1970 = 5 * 3_600_000
    with pytest.raises(RequestError, match=r"clock is not set yet.* as in 2026-05-04 14:20"):
        moment_of("14:20", now_ms=in_1970)
    assert moment_of("2026-05-04 14:20", now_ms=in_1970) == 1_777_904_400_000


def test_a_day_alone_will_do_where_a_beginning_is_asked_for() -> None:
    assert moment_of("2026-05-04", now_ms=NOW_MS, day_alone=True) == NOW_MS - 9 * 3_600_000


def test_a_top_up_is_no_more_than_the_reservoir_holds() -> None:
    rig = make_rig()  # 150 mm to the rim, 61.2 L

    def top_up(litres: float | None, by_can: float | None) -> LogbookEntry:
        content = top_up_content(litres=litres, litres_by_can=by_can)
        return replace(NOTE, kind=TOP_UP, content=content)

    for fits in ((61.2, None), (None, 61.0), (-50.0, None)):
        check_against(top_up(*fits), rig, began_ms=NOW_MS, last=0)
    for absurd in ((-61.3, None), (5.0, 100_000.0)):
        with pytest.raises(RequestError, match=r"up to its rim catch tray holds 61\.2 L"):
            check_against(top_up(*absurd), rig, began_ms=NOW_MS, last=0)


def test_a_cup_catches_no_more_than_a_bucket() -> None:
    def catch(litres: float) -> LogbookEntry:
        content = cup_content(litres=litres, minutes=10, area_m2=0.5)
        return replace(NOTE, kind=CUP, subject=BAY, content=content)

    check_entry(catch(10.0))
    with pytest.raises(RequestError, match="The litres of a cup catch is 0 to 10, not 500"):
        check_entry(catch(500.0))
