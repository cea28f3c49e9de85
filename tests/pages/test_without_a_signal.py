"""What is written on a phone without a signal waits there, and reaches the rig once."""

import json
from pathlib import Path

from playwright.sync_api import Browser, BrowserContext, Page, expect

from longsoak.store.requests import Request
from pages.inbrowser import SIZES, shot
from pages.pagerig import Kept
from pages.pictures import png
from pages.serving import Served, now_ms, serve
from waiting import wait_for

WAITS = "#waiting-here"


def phone(browser: Browser, served: Served) -> tuple[BrowserContext, Page]:
    width, height = SIZES["phone"]
    context = browser.new_context(
        viewport={"width": width, "height": height}, base_url=served.address
    )
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
    assert before - 200 <= at[0] <= at[1] <= written + 200
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
    page.get_by_label("Your initials").fill("mk")
    page.get_by_label("What happened, was done or seen").fill(" ")
    page.get_by_role("button", name="Keep the entry").click()
    expect(page.locator(WAITS)).to_contain_text("One entry waits here")
    context.set_offline(False)
    expect(page.locator(WAITS)).to_contain_text(
        "was refused: Write what there is to say", timeout=15_000
    )
    page.get_by_role("button", name="Drop it").click()
    expect(page.locator(WAITS)).to_be_hidden()
    assert kept.inbox.waiting() == []
    context.close()


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
