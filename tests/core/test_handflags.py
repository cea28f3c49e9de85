"""Flags set by hand: which of them counts, and what it does to readings and findings."""

from dataclasses import replace

import pytest

from longsoak.core.handflags import (
    flag_at,
    flag_content,
    flags_of,
    hand_flags,
    laid_over,
    not_judged,
    settled_by,
    shares,
    wrong_content,
)
from longsoak.core.water.contact import as_flags
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.health import Fault, Finding
from longsoak.vocabulary.logbook import FLAG, NOTE, THE_RIG, About, LogbookEntry, Subject
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.water import Aside, Recovery
from rigs import small_rig

RIG = small_rig()
PAIR = next(p for p in RIG.probes if p.name == "C 10/60")
OTHER = next(p for p in RIG.probes if p.kind != PAIR.kind and p.bay is None)


def entry(number: int, flag: Flag, *, at: int, until: int | None, **more: object) -> LogbookEntry:
    made = LogbookEntry(
        asked_utc_ms=10_000,
        at_utc_ms=at,
        by="mk",
        says="why",
        kind=FLAG,
        content=flag_content(flag, until_ms=until),
        number=number,
        kept_utc_ms=10_000,
    )
    return replace(made, **more)  # type: ignore[arg-type]


def reading(at: int, flag: Flag = Flag.PASS, reason: Reason = Reason.NONE) -> Reading:
    return Reading(PAIR.name, at, 1e7, "Ohm", 15.0, 0.5, flag, reason)


def finding(*, since: int, found: int) -> Finding:
    return Finding(PAIR.name, Fault.STEP, since, found, "it went")


def test_an_entry_that_was_corrected_counts_no_longer_and_a_newer_one_wins() -> None:
    entries = [
        entry(3, Flag.PASS, at=40, until=60),
        entry(2, Flag.FAIL, at=0, until=100),
        entry(1, Flag.SUSPECT, at=0, until=None, corrected_by=(2,)),
        entry(4, Flag.PASS, at=0, until=None, kind=NOTE),
    ]
    flags = hand_flags(entries)
    assert [flag.number for flag in flags] == [3, 2]
    at = [found.flag if (found := flag_at(flags, ms)) else None for ms in (39, 40, 59, 60, 100)]
    assert at == [Flag.FAIL, Flag.PASS, Flag.PASS, Flag.FAIL, None]


def test_a_flag_is_about_a_probe_its_bay_or_the_rig() -> None:
    assert PAIR.bay
    about = [THE_RIG, Subject(About.BAY, PAIR.bay), Subject(About.PROBE, PAIR.name)]
    flags = hand_flags(
        entry(n, Flag.FAIL, at=0, until=None, subject=each) for n, each in enumerate(about, 1)
    )
    assert [flag.number for flag in flags_of(flags, PAIR)] == [3, 2, 1]
    assert [flag.number for flag in flags_of(flags, OTHER)] == [1]


def test_laid_over_readings_it_keeps_what_is_missing_and_a_bound() -> None:
    fails = hand_flags([entry(1, Flag.FAIL, at=0, until=100)])
    (shown,) = laid_over({PAIR.name: reading(99)}, fails, [PAIR]).values()
    assert (shown.flag, shown.reason, shown.value) == (Flag.FAIL, Reason.BY_HAND, 15.0)
    late = {PAIR.name: reading(100)}
    assert laid_over(late, fails, [PAIR]) == late
    gone = {PAIR.name: reading(50, Flag.MISSING, Reason.NO_ANSWER)}
    assert laid_over(gone, fails, [PAIR]) == gone
    passes = hand_flags([entry(1, Flag.PASS, at=0, until=100)])
    bound = {PAIR.name: reading(50, Flag.SUSPECT, Reason.WETTER_THAN_CURVE)}
    (shown,) = laid_over(bound, passes, [PAIR]).values()
    assert (shown.flag, shown.reason) == (Flag.PASS, Reason.WETTER_THAN_CURVE)
    (shown,) = laid_over(bound, fails, [PAIR]).values()
    assert (shown.flag, shown.reason) == (Flag.FAIL, Reason.BY_HAND)
    assert shown.as_kept == bound[PAIR.name], "so that it is told as a bound still"
    assert laid_over({PAIR.name: shown}, passes, [PAIR])[PAIR.name].as_kept == shown.as_kept


def test_what_a_contact_set_aside_is_suspect_unless_it_failed_anyway() -> None:
    spoiled = Aside(PAIR.name, 1, 0, None, Recovery.WAITING, "No day has passed since.")
    (shown,) = laid_over({PAIR.name: reading(50)}, as_flags([spoiled]), [PAIR]).values()
    assert (shown.flag, shown.reason) == (Flag.SUSPECT, Reason.SET_ASIDE)
    fails = {PAIR.name: reading(50, Flag.FAIL, Reason.OPEN_CIRCUIT)}
    assert laid_over(fails, as_flags([spoiled]), [PAIR]) == fails


def test_what_was_flagged_as_not_to_be_judged_or_as_a_fail_is_not() -> None:
    flags = hand_flags(
        [
            entry(4, Flag.NOT_EVALUATED, at=20, until=30),
            entry(3, Flag.FAIL, at=40, until=None),
            entry(2, Flag.SUSPECT, at=0, until=100),
            entry(1, Flag.PASS, at=0, until=100),
        ]
    )
    assert not_judged(flags, [PAIR]) == {PAIR.name: ((20, 30), (40, None))}


@pytest.mark.parametrize(
    ("flag", "until", "since", "found", "settled"),
    [
        (Flag.PASS, 5_000, 4_000, 4_500, True),
        (Flag.NOT_EVALUATED, 5_000, 4_000, 4_500, True),
        (Flag.FAIL, 5_000, 4_000, 4_500, False),
        (Flag.PASS, 5_000, 4_000, 9_000, True),  # found before the flag was set, at 10,000
        (Flag.PASS, 5_000, 4_000, 20_000, False),  # told again since
        (Flag.PASS, 5_000, 6_000, 9_000, False),  # began after what was looked into
        (Flag.PASS, None, 6_000, 90_000, True),
    ],
)
def test_a_finding_is_set_aside_by_whoever_knew_of_it(
    flag: Flag, until: int | None, since: int, found: int, settled: bool
) -> None:
    flags = hand_flags([entry(1, flag, at=0, until=until)])
    assert (settled_by(finding(since=since, found=found), flags) is not None) == settled


def test_shares_of_a_day() -> None:
    flags = [
        HandFlag(2, THE_RIG, 50, 75, Flag.PASS, "mk", "why", 0),
        HandFlag(1, THE_RIG, 25, None, Flag.SUSPECT, "mk", "why", 0),
    ]
    assert shares(flags, 0, 100) == (0.25, 0.5)
    assert shares(flags, 0, 25) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ({"flag": 9, "until_ms": None}, "is one of pass, not evaluated, suspect, fail"),
        ({"flag": True, "until_ms": None}, "is one of"),
        ({"flag": 3}, "has an end or none"),
        ({"flag": 3, "until_ms": "soon"}, "is a time, or left out"),
        ({"flag": 3, "until_ms": 10}, "which is not after it begins"),
    ],
)
def test_content_that_is_none_is_told(content: dict[str, object], says: str) -> None:
    wrong = wrong_content(entry(1, Flag.PASS, at=10, until=None, content=content))
    assert wrong is not None
    assert says in wrong
