"""Logging in and out in a real browser, and what waits on a phone that was logged out."""

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from longsoak.store.files import folder_of
from longsoak.store.reader import Record
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmState
from pages.callers import KEEPERS, VISITORS, set_password, with_passwords
from pages.inbrowser import looks_well, page_of, shot
from pages.pagerig import Kept, change
from pages.serving import Served, now_ms, serve
from processes import running
from waiting import wait_for
from whole.pouring import Tray

pytestmark = pytest.mark.long

OVERFILL = "overfill:water level"
WAITS = "#waiting-here"


@pytest.fixture
def guarded(kept: Kept) -> Iterator[Served]:
    """The usual rig with both passwords and an alarm."""
    raised = change(OVERFILL, now_ms() - 60_000, AlarmState.NORMAL, AlarmState.NEW, value=101.3)
    kept.writer.commit(Batch(changes=[raised]))
    with serve(with_passwords(kept.rig_file)) as served:
        yield served


@contextmanager
def phone(browser: Browser, served: Served) -> Iterator[tuple[BrowserContext, Page]]:
    context = browser.new_context(viewport={"width": 360, "height": 780}, base_url=served.address)
    try:
        yield context, context.new_page()
    finally:
        context.close()


def log_in(page: Page, password: str) -> None:
    """Fill in the login sheet, by the keyboard alone: the field is where it begins."""
    expect(page.get_by_label("Password")).to_be_focused()
    page.keyboard.type(password)
    page.keyboard.press("Enter")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_login_sheet_leads_to_where_one_wanted_to_be(
    guarded: Served, browser: Browser, scheme: str
) -> None:
    with page_of(browser, guarded, size="phone", scheme=scheme, refused=1) as page:  # type: ignore[arg-type]  # one of the two
        page.goto("/alarms")
        expect(page).to_have_url(f"{guarded.address}/login?to=/alarms")
        looks_well(page, f"login-{scheme}")
        log_in(page, "not the right one at all")
        expect(page.get_by_role("alert")).to_have_text(
            "This is not the password. Nobody was logged in."
        )
        shot(page, f"login-wrong-{scheme}-phone")
        log_in(page, KEEPERS)
        expect(page).to_have_url(f"{guarded.address}/alarms")
        expect(page.get_by_role("button", name="Acknowledge")).to_be_visible()
        looks_well(page, f"alarms-keeper-{scheme}")


def test_a_visitor_reads_calmly_and_can_become_a_keeper_and_log_out(
    guarded: Served, browser: Browser
) -> None:
    with page_of(browser, guarded, size="phone") as page:
        page.goto("/alarms")
        log_in(page, VISITORS)
        expect(page.get_by_role("heading", name="Standing, 1")).to_be_visible()
        expect(page.get_by_role("button", name="Acknowledge")).to_have_count(0)
        for path in ("alarms", "logbook", "water", "proof"):
            page.goto(f"/{path}")
            expect(page.locator("#who")).to_contain_text("You may read.")
            looks_well(page, f"{path}-visitor")
        expect(page.locator("[data-live]")).to_have_count(0)
        page.goto("/alarms")
        expect(page.locator("[data-live]")).to_have_text("live")
        page.get_by_role("link", name="log in with the password for changes").click()
        log_in(page, KEEPERS)
        expect(page.get_by_role("button", name="Acknowledge")).to_be_visible()
        page.get_by_role("button", name="Log out").click()
        expect(page.get_by_label("Password")).to_be_visible()
        page.goto("/alarms")
        expect(page.get_by_label("Password")).to_be_visible()


def test_a_sheet_that_is_open_when_the_password_changes_shows_the_login_sheet(
    kept: Kept, guarded: Served, browser: Browser
) -> None:
    with phone(browser, guarded) as (_, page):
        page.goto("/alarms")
        log_in(page, KEEPERS)
        expect(page.locator("[data-live]")).to_have_text("live")
        assert set_password(kept.rig_file, f"{KEEPERS} and moor").returncode == 0
        kept.scan(now_ms())
        expect(page.get_by_label("Password")).to_be_visible(timeout=15_000)


def write(page: Page, words: str) -> None:
    page.get_by_label("What happened, was done or seen").fill(words)
    page.get_by_label("Your initials").fill("mk")
    page.get_by_role("button", name="Keep the entry").click()


def test_what_is_written_by_somebody_who_was_logged_out_meanwhile_waits_until_he_is_in(
    kept: Kept, guarded: Served, browser: Browser
) -> None:
    with phone(browser, guarded) as (_, page):
        page.goto("/logbook")
        log_in(page, KEEPERS)
        assert set_password(kept.rig_file, f"{KEEPERS} and moor").returncode == 0
        write(page, "Left edge drips")
        expect(page.locator("#write .beside")).to_have_text(
            "Nobody is logged in who may change something. "
            "It waits on this phone until somebody is."
        )
        expect(page.locator(WAITS)).to_contain_text("One entry waits here")
        shot(page, "logbook-logged-out-phone")
        assert kept.inbox.waiting() == []
        page.get_by_role("link", name="Log in").click()
        log_in(page, f"{KEEPERS} and moor")
        (request,) = wait_for(kept.inbox.waiting, what="the entry to come in")
        assert json.loads(request.body)["says"] == "Left edge drips"
        expect(page.locator(WAITS)).to_be_hidden()


def test_what_waited_without_a_signal_is_sent_under_a_session_that_is_a_later_one(
    kept: Kept, guarded: Served, browser: Browser
) -> None:
    with phone(browser, guarded) as (context, page):
        page.goto("/logbook")
        log_in(page, KEEPERS)
        expect(page.get_by_role("button", name="Keep the entry")).to_be_visible()
        other = context.new_page()
        other.goto("/logbook")
        page.route("**/*", lambda route: route.abort())  # this one alone hears nothing
        write(page, "Towel laid")
        expect(page.locator(WAITS)).to_contain_text("One entry waits here")
        page.close()
        other.get_by_role("button", name="Log out").click()
        log_in(other, VISITORS)  # who may read only sends nothing
        expect(other.locator(WAITS)).to_contain_text("Nobody is logged in who may change something")
        assert kept.inbox.waiting() == []
        other.goto("/login")
        log_in(other, KEEPERS)
        (request,) = wait_for(kept.inbox.waiting, what="the entry to come in")
        assert json.loads(request.body)["says"] == "Towel laid"


def test_a_form_of_a_sheet_from_before_says_so_and_keeps_nothing(
    guarded: Served, browser: Browser
) -> None:
    with phone(browser, guarded) as (context, page):
        page.goto("/proof")
        log_in(page, KEEPERS)
        expect(page.get_by_label("Your initials")).to_be_visible()
        other = context.new_page()
        other.goto("/alarms")
        other.get_by_role("button", name="Log out").click()
        log_in(other, KEEPERS)
        expect(other.locator("#who")).to_contain_text("You may read and change.")
        page.get_by_label("Your initials").fill("mk")
        page.get_by_role("button", name="Go on").click()
        expect(page.get_by_role("alert")).to_contain_text("opened under another session")
        shot(page, "form-from-before-phone")


def test_a_top_up_is_guided_and_written_down_by_a_keeper_and_only_watched_by_a_visitor(
    tmp_path: Path, browser: Browser
) -> None:
    tray = Tray(tmp_path)
    with running(tray.rig_file) as run:
        record = Record(folder_of(tray.rig_file))
        run.says("recording poured")
        wait_for(lambda: len(record.latest(("water level", "high float"))) == 2, what="both")
        with serve(with_passwords(tray.rig_file)) as served, phone(browser, served) as (_, page):
            page.goto("/water")
            log_in(page, KEEPERS)
            page.get_by_label("Your initials").fill("mk")
            page.get_by_role("button", name="Begin a top-up").click()
            expect(page.locator("[data-pour=word]")).to_have_text("ready", timeout=15_000)
            with phone(browser, served) as (_, watching):
                watching.goto(page.url.removeprefix(served.address))
                log_in(watching, VISITORS)
                expect(watching.locator("[data-pour=word]")).to_have_text("ready", timeout=15_000)
                expect(watching.get_by_role("button", name="I have stopped")).to_have_count(0)
            page.get_by_role("button", name="I have stopped").click()
            expect(page).to_have_url(re.compile(r"/logbook\?"), timeout=30_000)
            expect(page.locator("#told")).to_contain_text("Kept as number 1", timeout=15_000)
        assert run.stop() == 0
    tray.device.unplug()
