"""The findings sheet: judged by another process while the page waits, and what its cards say."""

import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from longsoak.store.writer import Batch
from pages.inbrowser import looks_well, page_of
from pages.pagerig import DAY_MS, Kept, keep, rig_text
from pages.serving import Served, now_ms, serve
from processes import longsoak
from report.test_verdicts import limit, phase, wet
from waiting import wait_for

SHEET = "/findings"


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    """Twelve days up to now, of which the last eight are a wetting, with one wet probe."""
    now = now_ms()
    wetted = now - 8 * DAY_MS
    kept = keep(
        tmp_path_factory.mktemp("judged") / "rig",
        text=rig_text() + limit(),
        times=list(range(now - 12 * DAY_MS, now, 900_000)),
        wrong=wet(25.0),
        wrong_since_ms=wetted,
        now_ms=now,
    )
    kept.writer.commit(Batch(logbook=[phase(2, "wetting", wetted)]))
    yield kept
    kept.close()


@pytest.fixture(scope="module")
def served(rig: Kept) -> Iterator[Served]:
    with serve(rig.rig_file) as pages:
        yield pages


def judged(pages: Served) -> str:
    """The sheet once all is judged."""
    return told(pages, 'class="verdicts"')


def told(pages: Served, words: str) -> str:
    """The sheet once it says something; asked no oftener than a person would."""
    seen: list[str] = []

    def done() -> bool:
        seen.append(pages.get(SHEET).text)
        time.sleep(0.5)
        return words in seen[-1]

    wait_for(done, what="the limits to be judged", limit=120)
    return seen[-1]


def test_the_first_look_says_that_it_is_being_judged_and_waits(rig: Kept) -> None:
    with serve(rig.rig_file) as pages:
        first = pages.get(SHEET).text
        assert "The limits are being judged." in first
        assert "data-waiting" in first
        assert '<meta http-equiv="refresh" content="5">' in first  # without a script
        verdicts = judged(pages)
        assert "One broken." in verdicts
        assert "other results are being worked out" in verdicts or "by depth" in verdicts


def test_a_card_says_what_the_command_says(rig: Kept, served: Served) -> None:
    html = judged(served)
    done = longsoak("findings", "--json", rig.rig_file)
    assert done.returncode == 1
    (document,) = json.loads(done.stdout)
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", html)).replace("&#39;", "'")
    assert (document["verdict"], document["limit"]) == ("broken", "dry side")
    for words in (document["why"], document["limit"], *document["remarks"]):
        assert words in text
    assert f"{document['covered'] * 100:.0f} % of the windows" in text


def test_all_other_results_follow_as_tables(rig: Kept, served: Served) -> None:
    html = told(served, 'class="results"')
    said = longsoak("findings", "--all", rig.rig_file).stdout
    titles = [
        words for words in re.findall(r"^(\S.*):$", said, re.MULTILINE) if "BROKEN" not in words
    ]
    assert any("by depth" in title for title in titles)
    for title in titles:
        assert f"<summary>{title[0].upper()}{title[1:]}</summary>" in html
    assert "Nothing was read by hand." in html
    assert "No sample was cut out and dried" in html


def test_a_card_leads_to_the_readings_behind_it(served: Served) -> None:
    (link,) = set(re.findall(r'href="(/traces\?[^"]*)"', judged(served)))
    answer = served.get(link.replace("&amp;", "&"))
    assert answer.status == 200
    assert "cork-lime 170/160" in answer.text


def test_what_is_judged_holds_for_a_while_and_a_phase_that_begins_is_news(
    rig: Kept, served: Served
) -> None:
    told(served, 'class="results"')
    assert "being judged anew" not in served.get(SHEET).text
    rig.writer.commit(Batch(logbook=[phase(3, "drying", now_ms() - DAY_MS)]))
    assert "being judged anew" in served.get(SHEET).text
    assert 'class="verdicts"' in served.get(SHEET).text  # what was known stays meanwhile


def test_pages_that_are_told_to_stop_end_what_is_under_way(rig: Kept) -> None:
    with serve(rig.rig_file) as pages:
        assert "data-waiting" in pages.get(SHEET).text
        began = time.monotonic()
        pages.process.send_signal(signal.SIGTERM)
        pages.process.wait(timeout=20)
        assert time.monotonic() - began < 15


def test_a_rig_without_limits_is_told_how_to_declare_one(tmp_path: Path) -> None:
    now = now_ms()
    kept = keep(tmp_path / "rig", times=list(range(now - DAY_MS, now, 900_000)), now_ms=now)
    try:
        with serve(kept.rig_file) as pages:
            assert "declares no limit" in told(pages, "declares no limit")
    finally:
        kept.close()


def test_a_record_that_can_t_be_read_is_one_sentence_and_no_traceback(tmp_path: Path) -> None:
    program = [sys.executable, "-m", "longsoak.report.shown", str(tmp_path), str(now_ms())]
    done = subprocess.run(program, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert f"there is no record at {tmp_path}" in done.stderr


def test_it_looks_well_and_opens_by_keyboard(served: Served, browser: Browser) -> None:
    told(served, 'class="results"')
    with page_of(browser, served, size="phone") as page:
        page.goto(SHEET)
        page.locator("summary").first.focus()
        page.keyboard.press("Enter")
        assert page.locator(".verdicts details[open]").count() == 1
        page.locator(".results summary").first.focus()
        page.keyboard.press("Enter")
        assert page.locator(".results details[open] table").is_visible()
        looks_well(page, "findings")
