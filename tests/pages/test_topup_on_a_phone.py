"""A top-up guided on a phone: a real tray at a pty, a real run, real pages, a real browser."""

import signal
import threading
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from longsoak.store.files import folder_of
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.logbook import TOP_UP, WATER
from pages.inbrowser import SHOTS, SIZES, looks_well, shot
from pages.serving import Served, serve
from processes import running
from waiting import wait_for
from whole.pouring import Tray

pytestmark = pytest.mark.long

# What the page sounds and shows, noted down by the page itself.
LISTEN = """
  window.beeps = [];
  const make = AudioContext.prototype.createOscillator;
  AudioContext.prototype.createOscillator = function () {
    const voice = make.call(this);
    const start = voice.start.bind(voice);
    voice.start = () => { window.beeps.push(voice.frequency.value); start(); };
    return voice;
  };
  window.words = [];
  addEventListener("DOMContentLoaded", () => {
    const place = document.querySelector("[data-pour=big]");
    if (place) new MutationObserver(() => window.words.push(performance.now()))
      .observe(place, { childList: true, characterData: true, subtree: true });
  });
"""

BOTH = ("water level", "high float")


@pytest.fixture
def poured(tmp_path: Path) -> Iterator[tuple[Tray, Served]]:
    tray = Tray(tmp_path)
    with running(tray.rig_file) as run:
        record = Record(folder_of(tray.rig_file))
        run.says("recording poured")
        wait_for(lambda: len(record.latest(BOTH)) == len(BOTH), what="level and float")
        with serve(tray.rig_file) as served:
            yield tray, served
        assert run.stop() == 0
    tray.device.unplug()


def phone(browser: Browser, served: Served) -> Page:
    width, height = SIZES["phone"]
    context = browser.new_context(
        viewport={"width": width, "height": height}, base_url=served.address
    )
    context.add_init_script(LISTEN)
    return context.new_page()


def begin(page: Page) -> None:
    """Begin a top-up on the water's sheet."""
    page.get_by_label("Your initials").fill("mk")
    page.get_by_role("button", name="Begin a top-up").click()
    expect(page.locator("[data-pour=word]")).to_have_text("ready", timeout=15_000)


def pouring(browser: Browser, served: Served) -> Page:
    """A phone on which a top-up has begun."""
    page = phone(browser, served)
    page.goto("/water")
    begin(page)
    return page


def litres(page: Page) -> float:
    return float(page.locator("[data-pour=big]").inner_text())


def test_a_phone_beside_the_bucket_says_how_much_fits_and_when_to_stop(
    poured: tuple[Tray, Served], browser: Browser
) -> None:
    tray, served = poured
    page = phone(browser, served)
    page.goto("/water")
    # 70 to 100 mm at 0.4 L a mm are 12 L; what the level is not sure of is taken off.
    expect(page.locator("[data-pour=unit]")).to_have_text("litres fit")
    assert 9.0 < litres(page) <= 12.0
    looks_well(page, "water-at-rest")
    begin(page)
    page.mouse.click(30, 300)  # a browser sounds only after a finger has touched it
    fits = litres(page)

    page.evaluate("window.words.length = 0")
    thread = threading.Thread(target=tray.pour, args=(0.08,), kwargs={"upto": 99.0})
    thread.start()
    expect(page.locator("[data-pour=word]")).to_have_text("pouring", timeout=8000)
    shot(page, "pouring-phone")
    expect(page.locator("[data-pour=word]")).to_have_text("slow down", timeout=45_000)
    # Stop comes while water is on its way still, and at the settled level there is room left.
    expect(page.locator("[data-pour=word]")).to_have_text("stop", timeout=30_000)
    assert tray.level < 100.0
    expect(page.locator(".guide")).to_have_attribute("data-tone", "stop")
    page.wait_for_timeout(700)
    shot(page, "stop-phone")
    assert max(page.evaluate("window.beeps")) > 1000, "the stop is heard"
    thread.join()
    # Twice a second or more while it rises.
    times = page.evaluate("window.words")
    gaps = sorted(b - a for a, b in pairwise(times))
    assert gaps[len(gaps) // 2] <= 500

    page.get_by_text("Litres by the can, kind of water").click()
    page.get_by_label("Litres by the can, if you know them").fill("11,5")
    page.get_by_label("What water").select_option("rain")
    page.get_by_role("button", name="I have stopped").click()
    logbook = Logbook(folder_of(tray.rig_file))
    wait_for(lambda: logbook.entries(kind=TOP_UP, limit=1), what="the entry")
    (entry,) = logbook.entries(kind=TOP_UP, limit=1)
    assert entry.by == "mk"
    assert entry.content["before_mm"] == pytest.approx(70.0, abs=0.5)
    assert entry.content["after_mm"] == pytest.approx(99.0, abs=0.5)
    assert entry.content["litres"] == pytest.approx(29.0 * 0.4, abs=0.3)
    assert (entry.content["litres_by_can"], entry.content["source"]) == (11.5, "rain")
    assert fits >= 29.0 * 0.4 - 2.5


def test_what_is_over_the_line_is_told_with_what_to_draw_off(
    poured: tuple[Tray, Served], browser: Browser
) -> None:
    tray, served = poured
    page = pouring(browser, served)
    tray.set(103.0)
    expect(page.locator("[data-pour=word]")).to_have_text("over the line", timeout=8000)
    expect(page.locator("[data-pour=unit]")).to_have_text("litres over the line")
    assert litres(page) == pytest.approx(3.0 * 0.4, abs=0.2)
    tray.says["float"] = "1,1"
    expect(page.locator("[data-pour=word]")).to_have_text("float is up", timeout=8000)
    looks_well(page, "float-is-up")


def test_a_phone_that_hears_nothing_any_more_says_stop(
    poured: tuple[Tray, Served], browser: Browser
) -> None:
    tray, served = poured
    page = pouring(browser, served)
    served.process.send_signal(signal.SIGSTOP)  # to the phone, as if it were out of reach
    expect(page.locator("[data-pour=unit]")).to_contain_text("no signal", timeout=8000)
    expect(page.locator(".guide")).to_have_attribute("data-tone", "stop")
    # The entry waits on the phone, and the level around its time is looked up once it comes.
    page.get_by_text("Litres by the can, kind of water").click()
    page.get_by_label("Litres by the can, if you know them").fill("4")
    page.get_by_role("button", name="I have stopped").click()
    expect(page.locator("#waiting-here")).to_contain_text("One entry waits", timeout=15_000)
    expect(page.locator(".guide .beside")).to_contain_text("It waits on this phone")
    # An end that was said is not said again.
    expect(page.get_by_role("button", name="It waits here")).to_be_disabled()
    page.screenshot(path=SHOTS / "topup-end-waits.png")
    served.process.send_signal(signal.SIGCONT)
    expect(page.locator("#told")).to_contain_text("Kept as number 1, of", timeout=20_000)
    assert "/logbook?asked=" in page.url
    expect(page.locator("#waiting-here")).to_be_hidden()
    (entry,) = Logbook(folder_of(tray.rig_file)).entries(kind=TOP_UP)
    assert entry.content["litres_by_can"] == 4.0


def test_a_level_that_falls_silent_says_stop(poured: tuple[Tray, Served], browser: Browser) -> None:
    tray, served = poured
    page = pouring(browser, served)
    tray.says["level"] = "none"
    expect(page.locator("[data-pour=word]")).to_have_text("level not known", timeout=10_000)
    expect(page.locator(".guide")).to_have_attribute("data-tone", "stop")


def test_a_round_a_catch_and_work_at_the_rig_are_written_down_on_the_page(
    poured: tuple[Tray, Served], browser: Browser
) -> None:
    tray, served = poured
    logbook = Logbook(folder_of(tray.rig_file))
    page = phone(browser, served)
    page.goto("/water")
    page.get_by_text("A water round").click()
    page.get_by_label("Conductivity").fill("420")
    page.get_by_label("Temperature of the water").fill("18,0")
    page.locator("#w-ph").fill("acid")
    page.locator("#by-round").fill("mk")
    page.get_by_role("button", name="Keep the water round").click()
    expect(page.locator("#told")).to_contain_text("'acid' is no number for the pH")
    page.locator("#w-ph").fill("8,1")
    looks_well(page, "water-round")
    page.get_by_role("button", name="Keep the water round").click()
    expect(page.locator(".log")).to_contain_text("pH 8.1")
    (entry,) = logbook.entries(kind=WATER)
    assert entry.content["ph"] == 8.1
    salts = entry.content["conductivity_25"]
    assert isinstance(salts, float)
    assert salts > 420, "put right from 18 to 25 °C"

    page.goto("/water")
    page.get_by_text("A cup catch").click()
    page.get_by_label("Litres caught").fill("0,6")
    page.get_by_label("In so many minutes").fill("10")
    page.get_by_role("button", name="Keep the cup catch").click()
    expect(page.locator(".log")).to_contain_text("panel: 0.6 L caught in 10 min")
    page.goto("/water")
    # 3.6 L/h over 600 by 420 mm.
    expect(page.get_by_text("14.29")).to_be_visible()

    page.get_by_text("Work at the rig").click()
    page.get_by_label("What you are going to do").fill("Tray cleaned")
    page.get_by_role("button", name="Begin the work").click()
    expect(page.locator(".log")).to_contain_text("Tray cleaned")
    page.goto("/water")
    expect(page.get_by_text("Work at the rig: Tray cleaned, until")).to_be_visible()
    page.get_by_role("button", name="The work is done").click()
    expect(page.locator(".log")).to_contain_text("The work is done.")
    page.goto("/water")
    expect(page.get_by_text("Work at the rig:")).to_have_count(0)
