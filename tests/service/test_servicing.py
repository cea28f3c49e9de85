"""Which service window is open, by entries and by time."""

from dataclasses import replace

import pytest

from longsoak.core.logbook import check_entry
from longsoak.core.water.entries import as_flags, ended_window, window_content, windows
from longsoak.service.servicing import BUTTON_MINUTES, Servicing
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.logbook import SERVICE, LogbookEntry

NOW_MS = 1_777_885_200_000  # 2026-05-04T09:00:00Z
MINUTE_MS = 60_000
UP = 5000.0  # s since the machine was started


def window(number: int = 1, *, begin_ms: int = NOW_MS, minutes: int = 30) -> LogbookEntry:
    return LogbookEntry(
        asked_utc_ms=begin_ms,
        at_utc_ms=begin_ms,
        by="mk",
        says="Tray cleaned.",
        kind=SERVICE,
        content=window_content(begin_ms + minutes * MINUTE_MS),
        number=number,
        kept_utc_ms=begin_ms + 200,
        kept_boottime_ms=round(UP * 1000) + 200,
        synchronised=True,
    )


def fresh() -> Servicing:
    return Servicing([], utc_ms=NOW_MS, now=UP)


def test_a_window_ends_by_itself_and_a_clock_that_is_set_moves_no_end() -> None:
    service = fresh()
    service.kept(window())
    assert service.open_at(UP - 1) is None
    assert service.open_at(UP + 1) == window()
    assert service.open_at(UP + 30 * 60 - 1) is not None
    assert service.open_at(UP + 30 * 60) is None


def test_it_survives_a_restart_and_still_ends_after_its_time() -> None:
    later = Servicing([window()], utc_ms=NOW_MS + 10 * MINUTE_MS, now=20.0)  # another boot
    assert later.open_at(20.0) is not None
    assert later.open_at(20.0 + 20 * 60) is None


def test_one_that_seems_yet_to_come_by_a_lost_clock_is_over() -> None:
    lost = Servicing([window()], utc_ms=NOW_MS - 86_400_000, now=20.0)
    assert lost.open_at(20.0) is None
    assert lost.open_at(20.0 + 86_400 + 60) is None


def test_a_second_press_ends_what_is_open_and_a_third_opens_again() -> None:
    service, at, number = fresh(), NOW_MS, 0

    def press(after: int) -> LogbookEntry:
        nonlocal at, number
        at, number = at + after * MINUTE_MS, number + 1
        now = UP + (at - NOW_MS) / 1000
        made = service.pressed(utc_ms=at, now=now)
        check_entry(made)
        kept = replace(
            made, number=number, kept_utc_ms=at, kept_boottime_ms=round(now * 1000), request="r"
        )
        service.kept(kept)
        return kept

    first = press(0)
    assert (first.by, first.corrects) == ("button", None)
    assert service.open_at(UP + 59 * 60) is not None
    second = press(5)
    assert (second.corrects, second.at_utc_ms) == (1, first.at_utc_ms)
    assert second.content == window_content(NOW_MS + 5 * MINUTE_MS)
    assert service.open_at(UP + 5 * 60) is None
    assert press(1).corrects is None
    assert service.open_at(UP + 7 * 60) is not None
    assert service.open_at(UP + (6 + BUTTON_MINUTES) * 60) is None


def test_two_are_not_open_at_once_but_one_gone_by_may_be_written_later() -> None:
    service = fresh()
    service.kept(window())
    with pytest.raises(RequestError, match="of mk is open until 4 May 2026, 09:30:00 UTC"):
        service.refuse(window(2), now=UP + 60)
    gone = replace(window(2, begin_ms=NOW_MS - 90 * MINUTE_MS), asked_utc_ms=NOW_MS)
    service.refuse(gone, now=UP + 60)
    end = ended_window(window(), by="ab", says="Done.", utc_ms=NOW_MS + 5 * MINUTE_MS)
    service.refuse(end, now=UP + 60)
    with pytest.raises(RequestError, match="Entry 7 is no service window that counts"):
        service.refuse(replace(end, corrects=7), now=UP + 60)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ({}, "A service window has a time at which it ends"),
        ({"until_ms": True}, "A service window has a time at which it ends"),
        (window_content(NOW_MS - 1), "which is before it begins"),
        (window_content(NOW_MS + 241 * MINUTE_MS), "lasts four hours at most"),
    ],
)
def test_what_is_no_window_is_refused(content: dict[str, int], says: str) -> None:
    with pytest.raises(RequestError, match=says):
        check_entry(replace(window(), content=content))


def test_readings_in_a_window_are_not_evaluated_until_it_was_ended() -> None:
    end = replace(
        ended_window(window(), by="ab", says="Done.", utc_ms=NOW_MS + 5 * MINUTE_MS), number=2
    )
    entries = [end, replace(window(), corrected_by=(2,))]
    assert windows(entries) == [replace(end, says="Tray cleaned; at its end: Done.")]
    (flag,) = as_flags(entries)
    assert flag.flag is Flag.NOT_EVALUATED
    assert (flag.from_ms, flag.until_ms) == (NOW_MS, NOW_MS + 5 * MINUTE_MS)
