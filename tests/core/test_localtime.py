"""Quiet hours and weekly moments where the rig stands, over the nights in which the clock is set.

When summer time begins and ends is law, as IANA's tzdata has it: in Europe/Paris on 2026-03-29 at
01:00 UTC, when 02:00 becomes 03:00, and on 2026-10-25 at 01:00 UTC, when 03:00 becomes 02:00. Both
are the last Sundays of their months (Directive 2000/84/EC, from memory).
"""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from longsoak.core.localtime import is_quiet, last_of
from longsoak.vocabulary.notices import Quiet, Weekly

PARIS = ZoneInfo("Europe/Paris")
NIGHT = Quiet(22 * 60, 7 * 60)


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


@pytest.mark.parametrize(
    ("at", "quiet"),
    [
        # Winter: Paris is an hour ahead of UTC.
        ("2026-01-10T20:59:59", False),
        ("2026-01-10T21:00:00", True),
        ("2026-01-11T05:59:59", True),
        ("2026-01-11T06:00:00", False),
        # Summer: two hours.
        ("2026-07-10T19:59:59", False),
        ("2026-07-10T20:00:00", True),
        ("2026-07-11T05:00:00", False),
        # The night the clock goes on, and the one it goes back: the ends are those of the wall.
        ("2026-03-28T21:00:00", True),
        ("2026-03-29T04:59:59", True),
        ("2026-03-29T05:00:00", False),
        ("2026-10-24T20:00:00", True),
        ("2026-10-25T05:59:59", True),
        ("2026-10-25T06:00:00", False),
    ],
)
def test_quiet_hours_go_by_the_clock_on_the_wall(at: str, quiet: bool) -> None:
    assert is_quiet(NIGHT, zone=PARIS, utc_ms=ms(at)) is quiet


def test_quiet_hours_may_lie_within_a_day() -> None:
    noon = Quiet(12 * 60, 13 * 60)
    assert [
        is_quiet(noon, zone=UTC, utc_ms=ms(f"2026-01-10T{hour}"))
        for hour in ("11:59:59", "12:00:00", "12:59:59", "13:00:00")
    ] == [False, True, True, False]


@pytest.mark.parametrize(
    ("at", "last"),
    [
        # Monday 2026-01-12 at 9 in Paris is 8 UTC.
        ("2026-01-12T07:59:59", "2026-01-05T08:00:00"),
        ("2026-01-12T08:00:00", "2026-01-12T08:00:00"),
        ("2026-01-18T23:00:00", "2026-01-12T08:00:00"),
        # The clock went on in between: the same hour on the wall is an hour sooner by UTC.
        ("2026-03-30T06:59:59", "2026-03-23T08:00:00"),
        ("2026-03-30T07:00:00", "2026-03-30T07:00:00"),
        ("2026-10-26T07:59:59", "2026-10-19T07:00:00"),
        ("2026-10-26T08:00:00", "2026-10-26T08:00:00"),
    ],
)
def test_a_weekly_moment_keeps_its_hour_on_the_wall(at: str, last: str) -> None:
    assert last_of(Weekly(0, 9 * 60), zone=PARIS, utc_ms=ms(at)) == ms(last)


def test_an_hour_the_clock_leaves_out_or_repeats_comes_once() -> None:
    half_past_two = Weekly(6, 2 * 60 + 30)
    # 02:30 is not on that Sunday: the moment is 03:30, which is 01:30 UTC.
    assert last_of(half_past_two, zone=PARIS, utc_ms=ms("2026-03-29T12:00:00")) == ms(
        "2026-03-29T01:30:00"
    )
    # 02:30 is there twice: the first is 00:30 UTC.
    for at in ("2026-10-25T00:30:00", "2026-10-25T01:45:00", "2026-10-25T12:00:00"):
        assert last_of(half_past_two, zone=PARIS, utc_ms=ms(at)) == ms("2026-10-25T00:30:00")


def test_through_a_year_each_week_has_one_moment() -> None:
    found = {
        last_of(Weekly(0, 9 * 60), zone=PARIS, utc_ms=ms("2026-01-05T08:00:00") + hour * 3_600_000)
        for hour in range(364 * 24)
    }
    assert len(found) == 52
    assert {datetime.fromtimestamp(at / 1000, PARIS).hour for at in found} == {9}
