"""What is written on a phone without a signal waits there, and reaches the rig once."""

import json
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect

from longsoak.store.requests import Request
from pages.inbrowser import SHOTS, shot
from pages.pagerig import Kept
from pages.pictures import png
from pages.serving import Served, now_ms, serve
from processes import running
from waiting import wait_for
from whole.thermorig import lay_out

pytestmark = pytest.mark.long

WAITS = "#waiting-here"


def phone(browser: Browser, served: Served) -> tuple[BrowserContext, Page]:
    context = browser.new_context(viewport={"width": 390, "height": 844}, base_url=served.address)
    return context, context.new_page()


def write(page: Page, words: str) -> None:
    page.get_by_label("What happened, was done or seen").fill(words)
    page.get_by_label("Your initials").fill("mk")
    page.get_by_role("button", name="Keep the entry").click()


def said(request: Request) -> str:
    return str(json.loads(request.body)["says"])


def test_an_entry_waits_on_the_phone_and_is_sent_once_with_the_time_it_was_written(
    kept: Kept, served: Served, browser: Browser, tmp_path: Path
) -> None:
    picture = tmp_path / "wet.png"
    picture.write_bytes(png(40, 30, 90))
    context, page = phone(browser, served)
    page.goto("/logbook")
    context.set_offline(True)
    before = now_ms()
    page.get_by_label("Photos").set_input_files(picture)
    write(page, "Left edge drips")
    expect(page.locator(WAITS)).to_contain_text("No signal. One entry waits here, on this phone")
    shot(page, "logbook-no-signal-phone")
    expect(page.get_by_label("What happened, was done or seen")).to_have_value("")
    write(page, "Towel laid")
    expect(page.locator(WAITS)).to_contain_text("2 entries wait here")
    expect(page.get_by_label("What happened, was done or seen")).to_have_value("")
    written = now_ms()
    page.wait_for_timeout(1500)  # the time that it waits has to be taken off again
    context.set_offline(False)
    expect(page.locator(WAITS)).to_be_hidden(timeout=15_000)

    first, second = kept.inbox.waiting()
    assert (said(first), said(second)) == ("Left edge drips", "Towel laid")
    at = [json.loads(request.body)["at"] for request in (first, second)]
    assert before - 200 <= at[0] <= at[1] <= written + 1000  # a busy machine sends slowly
    assert len(json.loads(first.body)["photos"]) == 1
    page.reload()
    page.wait_for_timeout(500)
    assert kept.inbox.waiting() == []
    context.close()


def test_an_entry_outlasts_the_page_and_the_rig_being_switched_off(
    kept: Kept, browser: Browser
) -> None:
    with serve(kept.rig_file) as served:
        context, page = phone(browser, served)
        page.goto("/logbook")
        port = served.address.rpartition(":")[2]
    write(page, "The power is off, tray at 71 mm")
    expect(page.locator(WAITS)).to_contain_text("One entry waits here")
    page.close()
    with serve(kept.rig_file, port=int(port)):
        page = context.new_page()
        page.goto("/alarms")  # any sheet sends it
        # Not by the notice: a sheet that was just opened has none until it has tried.
        (request,) = wait_for(kept.inbox.waiting, what="the entry to come in")
        assert said(request) == "The power is off, tray at 71 mm"
        context.close()


def test_one_that_the_rig_refuses_later_is_told_with_the_reason_and_can_be_dropped(
    kept: Kept, served: Served, browser: Browser
) -> None:
    context, page = phone(browser, served)
    page.goto("/logbook")
    context.set_offline(True)
    page.get_by_label("When, in UTC").fill("2099-01-01T10:00")
    write(page, "Seen too early")
    expect(page.locator(WAITS)).to_contain_text("One entry waits here")
    context.set_offline(False)
    expect(page.locator(WAITS)).to_contain_text("was refused: 1 Jan 2099", timeout=15_000)
    expect(page.locator(WAITS)).to_contain_text("is yet to come")
    expect(page.locator("#write .beside")).to_contain_text("What was written was refused")
    page.get_by_role("button", name="Drop it").click()
    expect(page.locator(WAITS)).to_be_hidden()
    assert kept.inbox.waiting() == []
    context.close()


def in_view(page: Page, words: Locator) -> bool:
    """Whether words are on the screen as it stands, in between its edge and the list of sheets."""
    box, sheets = words.bounding_box(), page.locator("#sheet-list").bounding_box()
    assert box is not None
    assert sheets is not None
    return box["y"] >= 0 and box["y"] + box["height"] <= sheets["y"]


def test_the_word_comes_beside_the_form_that_was_sent_and_stays_in_view_at_the_top(
    kept: Kept, served: Served, browser: Browser
) -> None:
    context, page = phone(browser, served)
    page.goto("/water")
    page.get_by_text("A cup catch").click()
    page.get_by_label("Litres caught").fill("0,6")
    page.get_by_label("In so many minutes").fill("10")
    page.locator("#by-catch").fill("mk")
    button = page.get_by_role("button", name="Keep the cup catch")
    context.set_offline(True)
    button.click()
    beside = page.locator("#note-catch .beside")
    expect(beside).to_have_text(
        "No signal. It waits on this phone, to be sent as soon as the rig answers."
    )
    assert page.evaluate("scrollY") > 1000, "the form is far down the sheet"
    assert in_view(page, beside)
    assert in_view(page, page.locator(WAITS))
    expect(page.get_by_label("Litres caught")).to_have_value("")
    expect(page.locator("#by-catch")).to_have_value("mk")
    page.screenshot(path=SHOTS / "water-note-no-signal-phone.png")
    page.set_viewport_size({"width": 1280, "height": 800})
    button.scroll_into_view_if_needed()
    page.screenshot(path=SHOTS / "water-note-no-signal-desk.png")
    page.set_viewport_size({"width": 390, "height": 844})

    context.set_offline(False)
    # Nothing records here: what is asked waits, and the sheet says so in time.
    expect(beside).to_have_text("Sent. Asked; it is kept within a second.", timeout=15_000)
    expect(page.locator("#sent-here")).to_be_visible()
    assert in_view(page, page.locator("#sent-here"))
    expect(page.locator(WAITS)).to_be_hidden()
    page.evaluate("document.querySelector('main').dataset.old = '1'")
    kept.scan(now_ms())
    expect(page.locator("main[data-old]")).to_have_count(0, timeout=15_000)
    # Changed in place: the word and the form that is open stay.
    expect(beside).to_contain_text("Sent.")
    expect(button).to_be_visible()
    (request,) = kept.inbox.waiting()
    assert json.loads(request.body)["content"]["litres"] == 0.6
    context.close()


def test_the_same_is_not_kept_twice_within_a_moment_nor_a_form_with_nothing_in_it(
    kept: Kept, served: Served, browser: Browser
) -> None:
    context, page = phone(browser, served)
    page.goto("/water")
    page.get_by_text("A water round").click()
    page.locator("#by-round").fill("mk")
    button = page.get_by_role("button", name="Keep the water round")
    beside = page.locator("#note-round .beside")
    context.set_offline(True)
    page.locator("#w-ph").fill("8.1")
    button.click()
    expect(beside).to_contain_text("It waits on this phone")
    button.click()
    expect(beside).to_have_text("Nothing is filled in, so nothing was kept.")
    page.locator("#w-ph").fill("8.1")
    expect(beside).to_contain_text("It waits on this phone")
    button.click()
    expect(beside).to_contain_text("The same waits here already, so it was not kept twice.")
    expect(page.locator("#w-ph")).to_have_value("8.1")
    page.locator("#w-ph").fill("8.2")
    button.click()
    expect(beside).to_contain_text("2 from here wait on this phone")
    context.set_offline(False)
    expect(page.locator(WAITS)).to_be_hidden(timeout=15_000)
    told = [json.loads(request.body)["content"]["ph"] for request in kept.inbox.waiting()]
    assert told == [8.1, 8.2]
    context.close()


def test_once_it_was_sent_a_line_says_under_which_number_it_was_kept(
    tmp_path: Path, browser: Browser
) -> None:
    rig_file = lay_out(tmp_path / "rig")
    with running(rig_file) as run:
        run.says("recording")
        with serve(rig_file) as served:
            context, page = phone(browser, served)
            page.goto("/logbook")
            context.set_offline(True)
            write(page, "Left edge drips")
            expect(page.locator("#write .beside")).to_contain_text("It waits on this phone")
            page.get_by_label("What happened, was done or seen").fill("Half written")
            context.set_offline(False)
            for place in ("#write .beside", "#sent-here"):
                expect(page.locator(place)).to_contain_text(
                    "Sent. Kept as number 1, of", timeout=15_000
                )
            assert in_view(page, page.locator("#sent-here"))
            shot(page, "logbook-sent-phone")
            expect(page.locator("#entry-1")).to_contain_text("Left edge drips")
            # What was being written meanwhile is still there.
            expect(page.get_by_label("What happened, was done or seen")).to_have_value(
                "Half written"
            )
            context.close()
        assert run.stop() == 0


def test_with_a_signal_a_form_goes_the_ordinary_way(
    kept: Kept, served: Served, browser: Browser
) -> None:
    context, page = phone(browser, served)
    page.goto("/logbook")
    write(page, "All well")
    expect(page.locator("#told")).to_contain_text("Asked; it is kept within a second.")
    (request,) = kept.inbox.waiting()
    assert said(request) == "All well"
    context.close()
