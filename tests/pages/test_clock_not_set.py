"""The sheets of a machine whose clock began in 1970 or was set back, in a real browser."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from longsoak.core.wording import time_words
from longsoak.store.photos import keep_photo
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak_dashboards.view.sentences import moment
from pages.inbrowser import SIZES, looks_well, page_of
from pages.pagerig import DAY_MS, Kept, keep, scan_of
from pages.pictures import png
from pages.serving import now_ms, serve
from service.setclock import SetClock

pytestmark = pytest.mark.long

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
UP_MS = 11 * HOUR_MS // 2  # since the machine started
NOT_SET = "This machine\u2019s clock is not set yet: it says 1 Jan 1970."
DRAWN = """() => Math.max(0, ...[...document.querySelectorAll('path.trace')].map(
  (line) => line.getBoundingClientRect().width))"""


@pytest.fixture
def clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SetClock:
    return SetClock(tmp_path / "clock", monkeypatch)


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    """A rig that has not recorded yet."""
    rig = keep(tmp_path / "rig", times=())
    yield rig
    rig.close()


def measured(kept: Kept, *, base_ms: int, from_ms: int, to_ms: int, known: bool) -> None:
    """A scan each ten minutes of CLOCK_BOOTTIME, under a wall clock that began at `base_ms`."""
    times = [*range(from_ms, to_ms - MINUTE_MS, 10 * MINUTE_MS), to_ms]
    scans = [
        scan_of(kept.rig, base_ms + at, now_ms=base_ms + to_ms, wrong=kept.wrong) for at in times
    ]
    told = [
        replace(scan, boottime_ms=at, synchronised=known)
        for scan, at in zip(scans, times, strict=True)
    ]
    kept.writer.commit(Batch(scans=told))


def began(kept: Kept, *, boot: str, base_ms: int, known: bool) -> None:
    kept.writer.begin_run(
        boot=boot, software="0", utc_ms=base_ms + 9000, boottime_ms=9000, synchronised=known
    )


def woke_in_1970(kept: Kept, clock: SetClock) -> None:
    """Hours of readings that nobody can date yet, on a machine that can't either."""
    began(kept, boot="1970", base_ms=0, known=False)
    measured(kept, base_ms=0, from_ms=10_000, to_ms=UP_MS - 1000, known=False)
    clock.set((UP_MS - now_ms()) / 1000)


@contextmanager
def shown(kept: Kept, browser: Browser, sheet: str, *, size: str = "desk") -> Iterator[Page]:
    with serve(kept.rig_file) as served, page_of(browser, served, size=size) as page:
        page.goto(sheet)
        yield page


def test_a_clock_that_was_never_set_is_told_on_each_sheet_with_readings(
    kept: Kept, clock: SetClock, browser: Browser
) -> None:
    woke_in_1970(kept, clock)
    with shown(kept, browser, "/") as page:
        for sheet in ("/", "/traces", "/alarms", "/probe/air%20wet%20T"):
            page.goto(sheet)
            expect(page.locator(".lead").first).to_contain_text(NOT_SET)
            expect(page.locator(".lead").first).not_to_contain_text("to day 1")
            looks_well(page, f"not-set-{sheet.strip('/').partition('/')[0] or 'section'}")
    clock.set(0)
    base_ms = now_ms() - UP_MS
    measured(kept, base_ms=base_ms, from_ms=UP_MS, to_ms=now_ms() - base_ms, known=True)
    with shown(kept, browser, "/") as page:
        for sheet in ("/", "/traces", "/alarms", "/probe/air%20wet%20T"):
            page.goto(sheet)
            expect(page.locator(".lead").first).not_to_contain_text("not set")
            assert "1970" not in page.content()
            looks_well(page, f"set-{sheet.strip('/').partition('/')[0] or 'section'}")


@pytest.mark.parametrize("size", SIZES)
def test_what_this_boot_read_is_drawn_though_earlier_readings_are_dated_decades_later(
    kept: Kept, clock: SetClock, browser: Browser, size: str
) -> None:
    base_ms = now_ms() - 9 * DAY_MS
    began(kept, boot="before", base_ms=base_ms, known=True)
    measured(kept, base_ms=base_ms, from_ms=10_000, to_ms=8 * DAY_MS, known=True)
    woke_in_1970(kept, clock)
    with shown(kept, browser, "/traces?what=air", size=size) as page:
        # The hours of this boot are on the axis, and the line goes all along it.
        hours = page.locator(".ax").first.locator("text").all_text_contents()
        assert {"02:00", "04:00"} <= set(hours)
        assert all(re.fullmatch(r"0\d:[03]0|1 Jan", words) for words in hours)
        page.emulate_media(media="print")  # on a screen it is a canvas
        assert page.evaluate(DRAWN) > 0.45 * SIZES[size][0]
        lead = page.locator(".lead")
        expect(lead).to_contain_text("What was read before is drawn with it again then.")
        expect(lead).to_contain_text("No readings before 00:00 for a time that is not known")


def test_a_clock_set_back_by_twenty_years_takes_no_reading_from_the_traces(
    kept: Kept, clock: SetClock, browser: Browser
) -> None:
    base_ms = now_ms() - UP_MS
    began(kept, boot="known", base_ms=base_ms, known=True)
    measured(kept, base_ms=base_ms, from_ms=10_000, to_ms=UP_MS - 1000, known=True)
    clock.set(-20 * 365 * DAY_MS / 1000)
    with shown(kept, browser, "/traces?what=air") as page:
        expect(page.locator(".lead")).to_contain_text("nobody can tell")
        page.emulate_media(media="print")  # on a screen it is a canvas
        assert page.evaluate(DRAWN) > 500
        page.goto("/traces?what=air&hours=1")
        assert page.evaluate(DRAWN) > 500


def test_a_doubtful_time_leaves_room_for_the_alarm_it_is_of_on_a_phone(
    kept: Kept, clock: SetClock, browser: Browser
) -> None:
    woke_in_1970(kept, clock)
    states = AlarmState.NORMAL, AlarmState.NEW
    raised = AlarmChange("silent:air wet T", HOUR_MS, HOUR_MS, *states, None, "no answer", None)
    kept.writer.commit(Batch(changes=[raised]))
    with shown(kept, browser, "/alarms", size="phone") as page:
        expect(page.locator(".changes .when").last).to_contain_text("not known yet")
        box = page.locator(".changes .when").last.bounding_box()
        assert box is not None
        assert box["width"] < SIZES["phone"][0] / 2
        looks_well(page, "not-set-alarm")


def noted(number: int, at_ms: int, says: str, *, given_ms: int | None = None) -> LogbookEntry:
    """An entry of the boot of 1970, written when its clock said `at_ms`."""
    return LogbookEntry(
        asked_utc_ms=at_ms,
        at_utc_ms=at_ms if given_ms is None else given_ms,
        by="mk",
        says=says,
        number=number,
        request=f"u{number}",
        kept_utc_ms=at_ms + 800,
        kept_boottime_ms=at_ms + 800,
    )


def test_an_entry_written_in_1970_stands_at_its_day_once_the_clock_is_known(
    kept: Kept, clock: SetClock, browser: Browser
) -> None:
    woke_in_1970(kept, clock)
    digest = keep_photo(kept.folder, png(320, 240, 90)).sha256
    given_ms = now_ms() - 3 * DAY_MS
    entries = [
        replace(noted(1, HOUR_MS, "First drops on the face."), photos=(digest,)),
        noted(2, 2 * HOUR_MS, "Delivered.", given_ms=given_ms),
    ]
    kept.writer.commit(Batch(logbook=entries))
    with shown(kept, browser, "/logbook") as page:
        expect(page.locator("p.lead")).to_contain_text(NOT_SET)
        expect(page.locator("#entry-1 .top")).to_contain_text("01:00 UTC")
        expect(page.locator("#entry-1")).to_contain_text("clock not synchronised")
        looks_well(page, "not-set-logbook")
    clock.set(0)
    base_ms = now_ms() - UP_MS
    measured(kept, base_ms=base_ms, from_ms=UP_MS, to_ms=now_ms() - base_ms, known=True)
    with shown(kept, browser, "/logbook") as page:
        right = moment(base_ms + HOUR_MS, now_ms=now_ms())
        expect(page.locator("#entry-1 .top")).to_contain_text(f"{right} UTC")
        told = "1 Jan 1970, 01:00:00 UTC by a clock that was not synchronised"
        expect(page.locator("#entry-1 .under")).to_contain_text(told)
        expect(page.locator("#entry-1 img")).to_have_js_property("naturalWidth", 320)
        stays = moment(given_ms, now_ms=now_ms())
        expect(page.locator("#entry-2 .top")).to_contain_text(f"{stays} UTC")
        late = time_words(base_ms + 2 * HOUR_MS)
        expect(page.locator("#entry-2 .under")).to_contain_text(f"written {late[:-8]}")
        assert "1970" not in "".join(page.locator(".entry .top").all_text_contents())
        looks_well(page, "set-logbook")
