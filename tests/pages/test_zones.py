"""Times in the reader's own zone, in a real browser; the other side is Python's zoneinfo."""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Browser, Page, expect

from longsoak.core.wording import age_words
from pages.inbrowser import shot
from pages.pagerig import DAY_MS, Kept, keep
from pages.serving import Served, now_ms, serve
from pages.staterigs import busy

pytestmark = pytest.mark.long

ZONES = ("Europe/Berlin", "America/St_Johns", "Asia/Kathmandu", "UTC")
SHEETS = ("/alarms", "/health", "/water", "/proof", "/probe/plain%20lime%2090%2F160", "/")


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Alarms, findings and a proof, nine days long; nothing writes."""
    with busy(tmp_path_factory.mktemp("busy")) as pages:
        yield pages


@contextmanager
def reader(
    browser: Browser, served: Served, zone: str, *, scripts: bool = True, locale: str = "en-GB"
) -> Iterator[Page]:
    """Somebody who reads in a zone."""
    context = browser.new_context(
        base_url=served.address, timezone_id=zone, java_script_enabled=scripts, locale=locale,
        viewport={"width": 360, "height": 780},
    )  # fmt: skip
    context.add_cookies([{"name": "initials", "value": "mk", "url": served.address}])
    try:
        yield context.new_page()
    finally:
        context.close()


def expected(utc: str, form: str, zone: str, now: str) -> str:
    """A time as the sheets write it, in a zone, by zoneinfo."""
    at, today = (datetime.fromisoformat(words).astimezone(ZoneInfo(zone)) for words in (utc, now))
    date = f"{at.day} {at:%b}"
    if form == "date":
        return date
    if form == "day":
        return f"{date} {at.year}"
    if form == "second":
        return f"{date} {at.year}, {at:%H:%M:%S}"
    if at.date() == today.date():
        return f"{at:%H:%M}"
    return f"{date}{'' if at.year == today.year else f' {at.year}'} {at:%H:%M}"


def times(page: Page) -> list[tuple[str, str, str]]:
    """Each time on a sheet: in UTC, its form, and its words."""
    found: list[tuple[str, str, str]] = page.eval_on_selector_all(
        "time[datetime]", "all => all.map(t => [t.dateTime, t.dataset.form, t.textContent])"
    )
    return found


@pytest.mark.parametrize("zone", ZONES)
def test_every_time_of_a_sheet_is_that_of_the_readers_zone(
    browser: Browser, served: Served, zone: str
) -> None:
    with reader(browser, served, zone) as page:
        for sheet in SHEETS:
            page.goto(sheet)
            expect(page.locator("#times")).to_contain_text("UTC" if zone == "UTC" else "show UTC")
            now = page.locator("main").get_attribute("data-now")
            found = times(page)
            assert now is not None
            assert len(found) >= 3, sheet  # when read, twice, and the rig file's day
            for utc, form, words in found:
                assert words == expected(utc, form, zone, now), (sheet, utc, form)
            # No part of it speaks of UTC without being asked, but the axis of a trace.
            said = page.locator("main").evaluate(
                "m => { const copy = m.cloneNode(true);"
                "copy.querySelectorAll('.utc, [data-zone]').forEach(e => e.remove());"
                "return copy.textContent; }"
            )
            assert "UTC" not in said.replace("midnight UTC", ""), sheet


def test_utc_is_a_touch_a_key_or_a_look_away_and_stays_chosen(
    browser: Browser, served: Served
) -> None:
    with reader(browser, served, "Europe/Berlin") as page:
        page.goto("/alarms")
        switch = page.get_by_role("button", name="show UTC")
        expect(page.locator("#times")).to_contain_text("Europe/Berlin")
        box = switch.bounding_box()
        assert box is not None
        assert box["height"] >= 43.5
        for title, (utc, _, _) in zip(
            page.eval_on_selector_all("time", "all => all.map(t => t.title)"),
            times(page),
            strict=True,
        ):
            assert title == f"{expected(utc, 'second', 'UTC', utc)} UTC"
        switch.focus()
        page.keyboard.press("Enter")
        expect(page.locator("#times-switch")).to_have_text("show local")
        assert page.evaluate("document.activeElement.id") == "times-switch"
        shot(page, "times-utc-phone")
        for sheet in ("/alarms", "/health"):
            page.goto(sheet)
            now = page.locator("main").get_attribute("data-now") or ""
            expect(page.locator("h1")).to_contain_text(" UTC")
            assert all(words == expected(utc, form, "UTC", now) for utc, form, words in times(page))
        page.locator("#times-switch").click()
        expect(page.locator("h1")).to_contain_text("CE")  # CET or CEST


def test_without_scripts_a_sheet_is_in_utc_and_says_so(browser: Browser, served: Served) -> None:
    with reader(browser, served, "Asia/Kathmandu", scripts=False) as page:
        for sheet in SHEETS:
            page.goto(sheet)
            expect(page.locator("#times")).to_have_text("UTC")
            expect(page.locator("h1")).to_contain_text(" UTC")
            now = datetime.now(UTC).isoformat()
            for utc, form, words in times(page):
                # Midnight may lie between the sheet and this look at the clock.
                assert words.endswith(expected(utc, form, "UTC", now)[-5:]), sheet


def test_a_time_stays_local_when_the_sheet_is_changed_in_place(
    browser: Browser, kept: Kept, tmp_path: Path
) -> None:
    with (
        serve(kept.rig_file) as served,
        reader(browser, served, "Asia/Kathmandu") as page,
    ):
        page.goto("/water")
        expect(page.locator("[data-live]")).to_have_text("live")
        before = page.locator("main").get_attribute("data-now") or ""
        kept.scan(now_ms())
        expect(page.locator("main")).not_to_have_attribute("data-now", before, timeout=10_000)
        now = page.locator("main").get_attribute("data-now") or ""
        for utc, form, words in times(page):
            assert words == expected(utc, form, "Asia/Kathmandu", now)
        expect(page.locator("#times")).to_contain_text("show UTC")


# A day around each of both turns of 2026, in quarters of an hour; Lord Howe turns by half an hour.
TURNS = {
    "Europe/Berlin": ("2026-03-29", "2026-10-25"),
    "America/New_York": ("2026-03-08", "2026-11-01"),
    "Australia/Lord_Howe": ("2026-04-05", "2026-10-04"),
}


@pytest.mark.parametrize("zone", TURNS)
def test_the_nights_the_clock_is_turned_are_told_right_and_a_time_that_comes_twice_is_told_apart(
    browser: Browser, served: Served, zone: str
) -> None:
    place = ZoneInfo(zone)
    moments = [
        datetime.fromisoformat(f"{day}T00:00:00+00:00") + timedelta(minutes=15 * step)
        for day in TURNS[zone]
        for step in range(-96, 97)
    ]
    with reader(browser, served, zone) as page:
        page.goto("/alarms")
        shown = page.evaluate(
            """async (all) => { const { shown } = await import("/static/zones.js");
              return all.map((ms) => shown(ms, "second")); }""",
            [round(at.timestamp() * 1000) for at in moments],
        )
    walls = [at.astimezone(place).replace(tzinfo=None) for at in moments]
    for at, wall, words in zip(moments, walls, shown, strict=True):
        local = at.astimezone(place)
        both = {local.replace(fold=fold).utcoffset() for fold in (0, 1)}
        # A wall clock in a gap has two offsets as well, but no moment shows it.
        twice = len(both) == 2
        assert words.startswith(f"{wall.day} {wall:%b %Y, %H:%M:%S}"), (at, words)
        assert (len(words.split()) == 5) == twice, (at, words)
    assert len(set(shown)) == len(shown)


FORM = """async (value) => {
  const form = document.querySelector("form[action='/logbook']");
  form.elements.at.value = value;
  form.elements.at.dispatchEvent(new Event("input"));
  return [new FormData(form).get("at"), document.getElementById("at-utc").textContent];
}"""


def test_a_time_that_is_typed_is_meant_in_the_zone_its_label_says(
    browser: Browser, served: Served
) -> None:
    with reader(browser, served, "Europe/Berlin") as page:
        page.goto("/logbook")
        label = page.locator("label[for=at]")
        assert "in CE" in label.inner_text()
        for typed, utc in (
            ("2026-07-01T14:00", "2026-07-01T12:00"),
            ("2026-01-01T00:30", "2025-12-31T23:30"),
            ("2026-10-25T02:30", "2026-10-25T00:30"),  # twice: the first
            ("2026-03-29T02:30", "2026-03-29T01:30"),  # never: as if it had not been put on yet
            ("", ""),
        ):
            sent, beside = page.evaluate(FORM, typed)
            assert sent == utc
            at = datetime.fromisoformat(utc) if utc else None
            said = "" if at is None else f"that is {at.day} {at:%b %Y, %H:%M} UTC"
            assert beside == said
        page.evaluate(FORM, "2026-07-01T14:00")
        page.get_by_role("button", name="show UTC").click()
        expect(label).to_contain_text("in UTC")
        expect(page.locator("#at")).to_have_value("2026-07-01T12:00")


def test_a_time_that_is_typed_reaches_the_rig_in_utc_with_scripts_and_without(
    browser: Browser, tmp_path: Path
) -> None:
    now = now_ms()
    kept = keep(tmp_path / "rig", times=[now - DAY_MS, now - 1000], now_ms=now)
    at = datetime.now(UTC).replace(second=0, microsecond=0) - timedelta(hours=2)
    place = ZoneInfo("America/St_Johns")
    try:
        with serve(kept.rig_file) as served:
            for scripts, typed in ((True, at.astimezone(place)), (False, at)):
                with reader(browser, served, str(place), scripts=scripts) as page:
                    page.goto("/logbook")
                    page.get_by_label("What happened").fill(f"Scripts: {scripts}")
                    page.locator("#at").fill(f"{typed:%Y-%m-%dT%H:%M}")
                    page.get_by_role("button", name="Keep the entry").click()
                    expect(page.locator("#told")).to_contain_text("kept within a second")
        with closing(sqlite3.connect(kept.folder / "inbox.db")) as db:
            asked = [json.loads(body) for (body,) in db.execute("SELECT body FROM request")]
    finally:
        kept.close()
    assert [entry["at"] for entry in asked] == [round(at.timestamp() * 1000)] * 2


def test_an_age_is_worded_by_an_open_page_as_by_the_rig(browser: Browser, served: Served) -> None:
    seconds = [*range(130), 3569, 3571, 7260, 35_999, 172_769, 172_771, 2 * 86_400 + 5, 1e7]
    with reader(browser, served, "UTC") as page:
        page.goto("/alarms")
        said = page.evaluate(
            """async (all) => { const { ageWords } = await import("/static/ages.js");
              return all.map(ageWords); }""",
            seconds,
        )
    assert said == [age_words(age) for age in seconds]
