"""From a wire to an open page: how soon a change at the rig is seen, all between being real."""

import time
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from pages.inbrowser import page_of
from pages.serving import serve
from processes import running
from whole.walkrig import Bench

pytestmark = pytest.mark.long


PERIOD = 1.0  # s between two polls
SOON = 2.0  # s
TRIES = 5
ALARM = """
[[alarms]]
watch = "overfill"
probe = "high float"
on_delay = 0
"""


def test_a_change_at_the_rig_is_on_open_pages_within_two_seconds(
    tmp_path: Path, browser: Browser
) -> None:
    bench = Bench(tmp_path)
    bench.says |= {"A": "3e6,Ohm", "B": "5e6,Ohm", "level": "50.0,mm"}
    text = bench.rig_file.read_text().replace("every = 0.2", f"every = {PERIOD:g}")
    bench.rig_file.write_text(text + ALARM)
    try:
        with running(bench.rig_file) as run:
            run.says("recording")
            with serve(bench.rig_file) as served:
                for sheet, change, place, words in (
                    ("/", ("T", "{}.5,Cel"), '[data-probe="T"] .v', "{}.5"),
                    ("/water", ("level", "{}.0,mm"), "[data-pour=level], text.now", "{} mm"),
                ):
                    with page_of(browser, served) as page:
                        page.goto(sheet)
                        expect(page.locator("[data-live]")).to_have_text("live")
                        took = []
                        for value in range(31, 31 + TRIES):
                            bench.says[change[0]] = change[1].format(value)
                            began = time.monotonic()
                            shown = page.locator(place).first
                            expect(shown).to_contain_text(words.format(value), timeout=30_000)
                            took.append(time.monotonic() - began)
                        # Other tests may have the processors: the best of a few tries counts.
                        assert min(took) < SOON, (sheet, took)
                        print(f"{sheet}: {min(took):.2f} to {max(took):.2f} s")  # noqa: T201
                with page_of(browser, served) as page:
                    page.goto("/alarms")
                    expect(page.locator("[data-live]")).to_have_text("live")
                    took = []
                    for _ in range(TRIES):
                        for state, count in (("1", "Standing, 1"), ("0", "Standing, none")):
                            bench.says["float"] = f"{state},1"
                            began = time.monotonic()
                            standing = page.locator("#h-standing")
                            if state == "1":
                                expect(standing).to_have_text(count, timeout=30_000)
                                took.append(time.monotonic() - began)
                            else:
                                expect(standing).to_have_text(count, timeout=90_000)
                        if min(took) < SOON:
                            break
                    assert min(took) < SOON, took
            run.stop()
    finally:
        bench.device.unplug()
