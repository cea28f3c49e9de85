"""The shop's sheet in a real browser: for all readers, live, on a phone, and without scripts."""

import json
from collections.abc import Iterator
from contextlib import ExitStack

import pytest
from paho.mqtt.publish import single
from playwright.sync_api import Browser, expect

from longsoak.vocabulary.outlet import Recording
from pages.everysheet import Look
from pages.inbrowser import SIZES, looks_well, page_of
from pages.serving import Served
from pages.shoprigs import OVERFILL, SILENT, TellingRig, serve_shop, shop_rig, shows, telling
from servers import HOST, Broker, broker
from sheets.test_every_sheet import (
    no_rule_is_broken,
)
from sheets.test_every_sheet import (
    test_a_keyboard_reaches_all_of_it_and_sees_where_it_is as by_keyboard,
)
from sheets.test_every_sheet import (
    test_it_can_be_read_and_hit_however_large_it_is_set as however_large,
)

LONG = "bench by the north door, second from the left, with the long render panel"
SHOP = Look("shop", "/")


@pytest.fixture(scope="module")
def shop(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[Broker, list[TellingRig], Served]]:
    """A broker with rigs in every state, and the pages of them."""
    folder = tmp_path_factory.mktemp("shop")
    with ExitStack() as stack:
        server = stack.enter_context(broker(folder / "broker"))
        rigs = [
            stack.enter_context(
                telling(
                    folder / str(number), server.port, shop_rig(name),
                    prefix=f"shop/{number}", measured=number != 2,
                )
            )
            for number, name in enumerate(("bench 0", "bench 1", "bench 2", LONG))
        ]  # fmt: skip
        rigs[0].alarm(OVERFILL)
        rigs[0].alarm(SILENT)
        said = rigs[1].says()
        days = {"days": 12.3, "low": 9.2, "high": 22.1}
        for name, more in (
            ("old", {"written": "2026-01-05T08:00:00.000Z"}),
            ("dry", {"pump_dry_days": days}),
            ("cut off", {**rigs[1].says(Recording.CUT_OFF), "page": None}),
            ("stopped", {"state": "stopped"}),
        ):
            payload = json.dumps({**said, **more, "rig": f"bench that is {name}"})
            single(f"shop/{name}/state", payload, 1, retain=True, hostname=HOST, port=server.port)
        single("lamp/state", "on", 1, retain=True, hostname=HOST, port=server.port)
        served = stack.enter_context(serve_shop(server.port))
        shows(served, "Four of eight rigs", "C 30/60 is silent", "1 other topic")
        yield server, rigs, served


Shown = tuple[Broker, list[TellingRig], Served]


def test_it_keeps_nobody_out(browser: Browser, shop: Shown) -> None:
    no_rule_is_broken(browser, shop[2], SHOP)


def test_it_can_be_read_and_hit_however_large_it_is_set(browser: Browser, shop: Shown) -> None:
    however_large(browser, {"shop": shop[2]}, SHOP)


def test_a_keyboard_reaches_all_of_it(browser: Browser, shop: Shown) -> None:
    by_keyboard(browser, {"shop": shop[2]}, SHOP)


def test_it_fits_a_phone_and_a_desk(browser: Browser, shop: Shown) -> None:
    with page_of(browser, shop[2]) as page:
        page.goto("/")
        looks_well(page, "shop")


def test_an_open_sheet_changes_when_a_rig_says_something(browser: Browser, shop: Shown) -> None:
    _, rigs, served = shop
    with page_of(browser, served, size="phone") as page:
        page.goto("/")
        expect(page.locator("[data-live]")).to_have_text("live")
        lead = page.locator(".lead")
        expect(lead).to_have_text("Four of eight rigs want somebody.")
        rigs[2].measure()
        rigs[2].tell()
        expect(lead).to_have_text("Three of eight rigs want somebody.", timeout=20_000)
        link = page.get_by_role("link", name=LONG)
        assert link.get_attribute("href") == f"http://{LONG.replace(' ', '-')}.example:8460/"
        # In its reader's zone, like every other sheet.
        expect(page.locator("time").first).to_be_visible()


def test_without_scripts_it_says_the_same(browser: Browser, shop: Shown) -> None:
    width, height = SIZES["phone"]
    context = browser.new_context(
        java_script_enabled=False,
        base_url=shop[2].address,
        viewport={"width": width, "height": height},
    )
    page = context.new_page()
    page.goto("/")
    expect(page.locator("main")).to_contain_text("bench that is cut off")
    assert page.locator("noscript").count() == 1
    context.close()
