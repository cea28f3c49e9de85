"""The section as it was at a time in the past, and the rail that leads there; all invented."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Browser, Page, expect

from longsoak.store.reader import Record
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.logbook import LogbookEntry
from pages.inbrowser import looks_well, page_of
from pages.pagerig import DAY_MS, DRIFT, Bays, Kept, Wrong, change, flagged, keep, rig_text
from pages.serving import Served, now_ms, serve
from pages.test_set_aside import contact
from waiting import wait_for

pytestmark = pytest.mark.long

HOUR_MS = 3_600_000
DAYS = 40


def text_of(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", html)).strip()


def address(utc_ms: int) -> str:
    return f"/?at={datetime.fromtimestamp(utc_ms / 1000, UTC):%Y-%m-%dT%H:%M:%SZ}"


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    """Forty days of scans twice an hour, a gap, a contact, a phase."""
    now = now_ms()
    first = now - DAYS * DAY_MS
    stopped = now - 20 * DAY_MS
    times = [t for t in range(first, now - 1000, HOUR_MS // 2) if not 0 < t - stopped < 2 * DAY_MS]
    kept = keep(
        tmp_path_factory.mktemp("past"),
        text=rig_text(Bays(layers=(("oak", "timber", 240),))),
        times=[*times, now - 1000],
        now_ms=now,
        wrong={"cork-lime 30/360": Wrong(Flag.FAIL, value=3.2)},
        wrong_since_ms=now - 5 * DAY_MS,
        stopped_after=stopped,
        changes=[
            change("dry:water level", now - 9 * DAY_MS, AlarmState.NORMAL, AlarmState.NEW),
            change("dry:water level", now - 8 * DAY_MS, AlarmState.NEW, AlarmState.NORMAL),
        ],
    )
    contact(kept, from_ms=now - 30 * DAY_MS, until_ms=now - 30 * DAY_MS + 10 * HOUR_MS)
    flagged(kept, Flag.SUSPECT, since_ms=now - 12 * DAY_MS, until_ms=now - 11 * DAY_MS)
    phase = LogbookEntry(
        asked_utc_ms=first, at_utc_ms=first, by="mk", says="Begun", kind="phase",
        content={"phase": "begin", "name": "wetting"}, number=2, request="phase",
        kept_utc_ms=first, synchronised=True,
    )  # fmt: skip
    kept.writer.commit(Batch(logbook=[phase]))
    yield kept
    kept.close()


@pytest.fixture(scope="module")
def served(past: Kept) -> Iterator[Served]:
    with serve(past.rig_file) as pages:
        yield pages


def last_ms(kept: Kept) -> int:
    """Now, as the record of the test has it."""
    last = Record(kept.folder).last_utc_ms()
    assert last is not None
    return last + 1000


def test_the_whole_sheet_is_as_it_was(past: Kept, served: Served) -> None:
    now = last_ms(past)
    at = now - 7 * DAY_MS + 60_000
    html = served.get(address(at)).text
    said = text_of(html)
    assert re.search(r"As it was, +\d+ \w+ \d\d:\d\d +UTC *\.", said)
    assert "not now , and not updated" in said
    assert "No alarm stands." in said
    spoken = re.search(r'aria-label="cork-lime 30/360: ([^"]*)"', html)
    assert spoken
    assert "pass" in spoken[1], "the failure came later"
    assert re.search(r"pass, \d+ (s|min)$", spoken[1]), "its age is that of then"
    today = re.search(r'aria-label="cork-lime 30/360: ([^"]*)"', served.get("/").text)
    assert today
    assert "fail" in today[1]
    assert "One alarm stands." in text_of(served.get(address(now - 8 * DAY_MS - HOUR_MS)).text)


def test_flags_set_since_lie_over_what_was_read(past: Kept, served: Served) -> None:
    now = last_ms(past)
    html = served.get(address(now - 12 * DAY_MS + 6 * HOUR_MS)).text
    assert re.search(f'aria-label="{DRIFT}: [^"]*suspect', html)
    html = served.get(address(now - 13 * DAY_MS)).text
    assert re.search(f'aria-label="{DRIFT}: [^"]*pass', html)


def test_in_a_gap_no_value_stands_and_a_contact_is_told(past: Kept, served: Served) -> None:
    now = last_ms(past)
    said = text_of(served.get(address(now - 19 * DAY_MS)).text)
    assert "Nothing was being read then: the last scan is" in said
    assert "have not been read" in said or "not read then" in said
    said = text_of(served.get(address(now - 30 * DAY_MS + 5 * HOUR_MS)).text)
    assert "Contact 1: water was at the specimen." in said


@pytest.mark.parametrize("form", ["ms", "zone", "plus", "minute"])
def test_a_time_may_be_written_in_several_ways(past: Kept, served: Served, form: str) -> None:
    at = (last_ms(past) - 10 * DAY_MS) // 60_000 * 60_000
    when = datetime.fromtimestamp(at / 1000, UTC)
    written = {
        "ms": str(at),
        "zone": f"{when:%Y-%m-%dT%H:%M:%SZ}",
        "plus": f"{when:%Y-%m-%dT%H:%M:%S}+00:00",
        "minute": f"{when:%Y-%m-%dT%H:%M}",
    }[form]
    html = served.get(f"/?at={written}").text
    assert f'data-at="{at}"' in html


@pytest.mark.parametrize(
    ("written", "sentence"),
    [
        ("yesterday", "The address asks for the time 'yesterday', which is none."),
        ("2099-01-01", "The time 2099-01-01 is still to come."),
        ("2001-01-01", "Nothing had been read by 1 Jan 2001"),
        ("%3Cb%3E", "which is none."),
    ],
)
def test_a_time_that_can_t_be_shown_gets_a_sentence(
    served: Served, written: str, sentence: str
) -> None:
    html = served.get(f"/?at={written}").text
    assert sentence in text_of(html.replace("&#39;", "'"))
    assert "<b>'" not in html


def test_without_scripts_links_and_form_lead_through_the_months(
    past: Kept, served: Served, browser: Browser
) -> None:
    context = browser.new_context(base_url=served.address, java_script_enabled=False)
    page = context.new_page()
    page.goto("/")
    expect(page.locator("#rail-range")).to_be_hidden()
    page.get_by_role("link", name="earlier").click()
    expect(page.locator(".lead")).to_contain_text("As it was")
    at = datetime.fromtimestamp((last_ms(past) - 20 * HOUR_MS) / 1000, UTC)
    page.get_by_label("time, UTC").fill(f"{at:%Y-%m-%dT%H:%M}")
    page.get_by_role("button", name="show").click()
    expect(page).to_have_url(re.compile(r"\?at=\d{4}"))
    expect(page.locator(".lead")).to_contain_text(f"{at:%H:%M} UTC")
    page.get_by_role("link", name="back to now").click()
    expect(page.locator(".lead")).not_to_contain_text("As it was")
    context.close()


def test_a_time_is_typed_and_told_in_the_readers_zone(
    past: Kept, served: Served, browser: Browser
) -> None:
    context = browser.new_context(base_url=served.address, timezone_id="Asia/Kolkata")
    page = context.new_page()
    page.goto("/")
    at = datetime.fromtimestamp((last_ms(past) - 20 * HOUR_MS) / 1000 // 60 * 60, UTC)
    there = at.astimezone(ZoneInfo("Asia/Kolkata"))
    typed = page.get_by_label("time, UTC+5:30")
    typed.fill(f"{there:%Y-%m-%dT%H:%M}")
    expect(page.locator("#rail-at-utc")).to_contain_text(f"{at:%H:%M} UTC")
    page.get_by_role("button", name="show", exact=True).click()
    expect(page.locator("#lead")).to_contain_text(f"{there:%H:%M} UTC+5:30")
    assert shown(page) == 1000 * at.timestamp()
    expect(typed).to_have_value(f"{there:%Y-%m-%dT%H:%M}")
    slider = page.get_by_role("slider", name="Time that is shown")
    expect(slider).to_have_attribute("aria-valuetext", re.compile(f"{there:%H:%M} UTC\\+5:30$"))
    page.get_by_role("button", name="show UTC").click()
    expect(page.get_by_label("time, UTC", exact=True)).to_have_value(f"{at:%Y-%m-%dT%H:%M}")
    expect(slider).to_have_attribute("aria-valuetext", re.compile(f"{at:%H:%M} UTC$"))
    context.close()


def shown(page: Page) -> int | None:
    at = page.evaluate("document.querySelector('main').dataset.at")
    return None if at is None else int(at)


def test_the_rail_is_gone_through_by_keyboard(past: Kept, served: Served, browser: Browser) -> None:
    with page_of(browser, served) as page:
        page.goto("/")
        expect(page.locator("[data-live]")).to_have_text("live")
        slider = page.get_by_role("slider", name="Time that is shown")
        slider.focus()
        page.keyboard.press("ArrowLeft")
        expect(page.locator("#lead")).to_contain_text("As it was")
        expect(page).to_have_url(re.compile(r"\?at="))
        assert page.evaluate("document.activeElement.id") == "rail-range"
        assert "UTC" in str(slider.get_attribute("aria-valuetext"))
        one = shown(page)
        page.keyboard.press("PageDown")
        wait_for(lambda: (shown(page) or 0) < (one or 0), what="ten steps back")
        page.keyboard.press("Home")
        wait_for(
            lambda: page.locator("#rail-said").inner_text().startswith("as it was"), what="Home"
        )
        page.keyboard.press("End")
        expect(page.locator("#lead")).not_to_contain_text("As it was")
        assert shown(page) is None
        assert page.url.endswith("/")


def test_another_time_is_not_overwritten_by_what_comes_in(tmp_path: Path, browser: Browser) -> None:
    now = now_ms()
    kept = keep(tmp_path / "rig", times=[now - HOUR_MS, now - 1000], now_ms=now)
    try:
        with serve(kept.rig_file) as served, page_of(browser, served) as page:
            page.goto(address(now - HOUR_MS + 1000))
            expect(page.locator(".live")).to_have_text(re.compile("not now, and not updated"))
            value = page.locator('a.p[data-probe="cork-lime 30/360"] .v')
            before = value.text_content()
            page.evaluate(
                "new Promise((heard) => new EventSource('/events').addEventListener('record',"
                " () => { window.news = (window.news ?? 0) + 1; heard(); }))"
            )
            kept.scan(now_ms(), otherwise={"cork-lime 30/360": Wrong(Flag.PASS, value=21.7)})
            wait_for(lambda: page.evaluate("window.news") > 1, what="news of the scan")
            assert value.text_content() == before != "21.7%"
            page.get_by_role("link", name="back to now").click()
            expect(value).to_have_text("21.7%")
            expect(page.locator("[data-live]")).to_have_text("live")
            kept.scan(now_ms(), otherwise={"cork-lime 30/360": Wrong(Flag.PASS, value=21.9)})
            expect(value).to_have_text("21.9%", timeout=8000)
    finally:
        kept.close()


def test_it_plays_to_now_and_can_be_stopped(past: Kept, served: Served, browser: Browser) -> None:
    with page_of(browser, served, size="phone") as page:
        page.goto("/")
        expect(page.locator("[data-live]")).to_have_text("live")
        page.locator("#rail-step").select_option(str(7 * DAY_MS))
        page.locator("#rail-pace").select_option("120")
        page.get_by_role("button", name="play").click()
        page.get_by_role("button", name="stop").click(timeout=8000)
        expect(page.get_by_role("button", name="play")).to_be_visible()
        expect(page.locator("#rail-said")).to_have_text(re.compile("^(stopped at|as it was)"))
        page.get_by_role("button", name="play").click()
        expect(page.locator("#rail-said")).to_have_text("stopped at now", timeout=60_000)
        expect(page.get_by_role("button", name="play")).to_be_visible()
        assert shown(page) is None


def test_the_rail_shows_what_happened_and_fits_a_phone(
    past: Kept, served: Served, browser: Browser
) -> None:
    html = served.get("/").text
    assert "contact 1" in text_of(html)
    assert "phase 1 wetting" in text_of(html)
    assert html.count('class="gap"') == 1
    with page_of(browser, served, size="phone") as page:
        page.goto(address(last_ms(past) - 15 * DAY_MS))
        looks_well(page, "rail")
        for place in (
            "#rail-range",
            "#rail-press .key-link",
            "#rail-at",
            "#rail-step",
            "#rail button",
        ):
            for box in page.locator(place).all():
                size = box.bounding_box()
                assert size is not None
                assert size["height"] >= 44, place
        # The thumb stands under the time that is drawn.
        drawn = page.locator("#rail-picture .outline").last.bounding_box()
        slider = page.locator("#rail-range").bounding_box()
        value = page.evaluate(
            "(r => (r.value - r.min) / (r.max - r.min))(document.getElementById('rail-range'))"
        )
        assert drawn is not None
        assert slider is not None
        thumb = slider["x"] + 14 + value * (slider["width"] - 28)
        assert abs(thumb - (drawn["x"] + drawn["width"] / 2)) < 3
