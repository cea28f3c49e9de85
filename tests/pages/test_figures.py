"""The decimal sign of the reader's language, and both signs where a number is typed."""

import json
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from longsoak.core.typednumber import TwoWaysError, number_typed
from longsoak.store.writer import Batch
from longsoak.vocabulary.logbook import LogbookEntry
from pages.inbrowser import page_of
from pages.pagerig import DAY_MS, Bays, keep, rig_text
from pages.serving import Served, now_ms, serve
from pages.staterigs import in_every_state
from pages.test_zones import reader

pytestmark = pytest.mark.long

WORDS = "Pump hums at 2.5 m, firmware 1.2, meter at 192.168.0.7 says 13.5 %"
NAMED = "wall 2.5"  # a name is a name, whatever figures are in it


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Alarms with figures, an entry of the logbook, and a rig with a figure in its name."""
    now = now_ms()
    kept = keep(
        tmp_path_factory.mktemp("figures"),
        text=rig_text(Bays(name=NAMED)),
        times=[now - 4 * DAY_MS, now - 1000],
        now_ms=now,
        changes=in_every_state(now),
    )
    entry = LogbookEntry(
        asked_utc_ms=now, at_utc_ms=now, by="mk", says=WORDS, number=1, request="r", kept_utc_ms=now
    )
    kept.writer.commit(Batch(logbook=[entry]))
    with serve(kept.rig_file) as pages:
        yield pages
    kept.close()


# The decimal signs of German, French and British English, from memory.
@pytest.mark.parametrize(("locale", "sign"), [("de-DE", ","), ("fr-FR", ","), ("en-GB", ".")])
def test_measured_figures_have_the_sign_of_the_language_and_what_people_wrote_stays(
    browser: Browser, served: Served, locale: str, sign: str
) -> None:
    with reader(browser, served, "UTC", locale=locale) as page:
        page.goto("/alarms")
        expect(page.get_by_text(f"24{sign}2 mm").first).to_be_visible()
        expect(page.get_by_text("with 2.5 m of cable").first).to_be_visible()
        assert NAMED in page.locator("h1").inner_text()
        assert NAMED in page.locator("#title-block").inner_text()
        assert NAMED in page.title()
        page.goto("/logbook")
        expect(page.locator("#entry-1 .says")).to_have_text(WORDS)
        page.goto("/water")
        expect(page.locator("[data-pour=big]")).to_contain_text(sign)
        page.goto("/")
        expect(page.locator('a.p[data-probe="cork-lime 30/60"] .v')).to_contain_text(sign)
        label = page.locator('a.p[data-probe="cork-lime 30/60"]').get_attribute("aria-label")
        assert label is not None
        assert f"{sign}" in label.split(": ")[1].split("%")[0]


def test_figures_keep_their_sign_when_the_sheet_is_changed_in_place(
    browser: Browser, tmp_path: Path
) -> None:
    kept = keep(tmp_path / "rig", times=[now_ms() - 60_000], now_ms=now_ms(), wrong={})
    try:
        with (
            serve(kept.rig_file) as served,
            reader(browser, served, "UTC", locale="de-DE") as page,
        ):
            page.goto("/probe/cork-lime%2030%2F60")
            expect(page.locator("[data-live]")).to_have_text("live")
            before = page.locator("main").get_attribute("data-now") or ""
            kept.scan(now_ms())
            expect(page.locator("main")).not_to_have_attribute("data-now", before, timeout=10_000)
            assert "," in page.locator(".figure .big").inner_text()
            assert "." not in page.locator(".figure .big").inner_text()
    finally:
        kept.close()


LOCALISED = """async (words) => {
  const { localised } = await import("/static/figures.js");
  return words.map((each) => localised(each, ["wall 2.5", "0.4 block"]));
}"""


def test_only_a_figure_that_stands_by_itself_is_changed(browser: Browser, served: Served) -> None:
    pairs = {
        "21.7%": "21,7%",
        "-5.25 °C, 7.5.": "-5,25 °C, 7,5.",
        "± 0.4 mm (0.1 to 0.9)": "± 0,4 mm (0,1 to 0,9)",
        "1/2.5 of R": "1/2,5 of R",
        "10.02 MΩ": "10,02 MΩ",
        "192.168.0.7 and 0.4.0 and rig.v1.5 and 3.jpg": None,
        "http://10.0.0.7:8460/ a@1.5": None,
        "1.5e6 Ω, EN-1.5, 7.5kg": None,
        "wall 2.5 at 2.5 mm in the 0.4 block": "wall 2.5 at 2,5 mm in the 0.4 block",
    }
    with reader(browser, served, "UTC", locale="de-DE") as page:
        page.goto("/alarms")
        found = page.evaluate(LOCALISED, list(pairs))
    assert found == [words if wanted is None else wanted for words, wanted in pairs.items()]


@pytest.mark.parametrize(
    ("words", "number"),
    [
        *(("7.5", 7.5), ("7,5", 7.5), ("1e6", 1e6), ("-5,2", -5.2), ("\N{MINUS SIGN}5.2", -5.2)),
        *(("0,125", 0.125), ("12,3456", 12.3456), ("1234.567", 1234.567), ("1 234,5", 1234.5)),
        ("1\N{NARROW NO-BREAK SPACE}234,5", 1234.5),
        ("12\N{NO-BREAK SPACE}345", 12345.0),
    ],
)
def test_a_number_is_taken_with_either_sign(words: str, number: float) -> None:
    assert number_typed(words) == number


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (
            "1,234.5",
            "more than one sign. Write it without one between the thousands, such as 1234.5",
        ),
        ("1.234,5", "such as 1234.5"),
        ("1.234.567", "such as 1234567"),
        ("1,500", "is 1.5 to some and 1500 to others. Write 1500, or 1.5000."),
        ("1.500", "is 1.5 to some and 1500 to others"),
    ],
)
def test_a_number_that_can_be_read_in_two_ways_is_refused_with_how_to_put_it(
    words: str, says: str
) -> None:
    with pytest.raises(TwoWaysError) as refused:
        number_typed(words)
    assert says in str(refused.value)


@pytest.mark.parametrize("words", ["", "x", "1_000", "7.5 mm", "."])
def test_what_is_no_number_is_none(words: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        number_typed(words)


def test_a_form_takes_both_signs_and_says_why_it_refuses(browser: Browser, tmp_path: Path) -> None:
    now = now_ms()
    kept = keep(tmp_path / "rig", times=[now - DAY_MS, now - 1000], now_ms=now)
    try:
        with serve(kept.rig_file) as served, page_of(browser, served, refused=1) as page:
            for typed in ("512,5", "512.5", "1,234.5"):
                page.goto("/water")
                page.get_by_text("A water round").click()
                page.get_by_label("Conductivity").fill(typed)
                page.locator("#by-round").fill("mk")
                page.get_by_role("button", name="Keep the water round").click()
                if typed != "1,234.5":
                    expect(page).to_have_url(re.compile("/logbook"))
            expect(page.locator("#told")).to_contain_text("'1,234.5' has more than one sign")
            expect(page.get_by_label("Conductivity")).to_have_value("1,234.5")
        with closing(sqlite3.connect(kept.folder / "inbox.db")) as db:
            asked = [json.loads(body) for (body,) in db.execute("SELECT body FROM request")]
    finally:
        kept.close()
    assert [each["content"]["conductivity_25"] for each in asked] == [512.5, 512.5]
