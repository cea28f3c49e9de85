"""The sheets in a real browser: on a phone and a desk, by day and night, by keyboard, on paper."""

import json
import re
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import TypedDict

import pytest
from playwright.sync_api import Browser, expect

from longsoak.core.cautions import cautions
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmState, Hiding
from longsoak.vocabulary.flags import Flag
from pages.inbrowser import SHOTS, SMALLEST_LETTERING, Scheme, page_of, shot
from pages.pagerig import (
    DAY_MS,
    UNLIKE,
    Bays,
    Kept,
    Wrong,
    change,
    drift,
    flagged,
    keep,
    rig_text,
    told,
)
from pages.serving import Served, now_ms, serve
from pinkinds import WORDS, text_of

SHEETS = ("/", "/water", "/traces", "/traces?what=water", "/traces?what=air", "/alarms", "/health")
OVERFILL = "overfill:water level"
LEAST_LETTERING = 12.0  # px

VALUE_BOXES = """() => [...document.querySelectorAll(".s")].map((figure) =>
  [...figure.querySelectorAll("a.p")].map((a) => ({
    probe: a.dataset.probe,
    boxes: [...a.querySelectorAll("text")].map((t) => {
      const b = t.getBoundingClientRect();
      return [b.left, b.top, b.right, b.bottom];
    }),
  })))"""


class Label(TypedDict):
    """What a probe's lettering takes of the screen."""

    probe: str
    boxes: list[tuple[float, float, float, float]]


@pytest.fixture
def busy(tmp_path: Path) -> Iterator[Kept]:
    """Nine days of readings with a day's gap, every flag, and alarms in every state."""
    now = now_ms()
    hour = 3_600_000
    gap_from, gap_to = now - 5 * DAY_MS, now - 4 * DAY_MS
    times = [t for t in range(now - 9 * DAY_MS, now - 1000, hour // 2) if not gap_from < t < gap_to]
    normal, new = AlarmState.NORMAL, AlarmState.NEW
    kept = keep(
        tmp_path / "rig",
        times=[*times, now - 1000],
        now_ms=now,
        wrong_since_ms=now - 30 * hour,
        stopped_after=gap_from,
        changes=[
            change(OVERFILL, now - 3 * DAY_MS, normal, new, value=101.3, says="101 mm"),
            change(OVERFILL, now - 2 * DAY_MS, new, AlarmState.GONE, value=94.0, says="94 mm"),
            change("dry:water level", now - 9 * hour, normal, new, value=24.2, says="24 mm"),
            change("dry:water level", now - 8 * hour, new, AlarmState.ACKNOWLEDGED, by="mk"),
            change("silent:plain lime 170/260", now - 3 * hour, normal, new, says="no answer"),
            change("contact:water level", now - 50 * hour, normal, new, value=110.4, says="110 mm"),
            change("contact:water level", now - 49 * hour, new, AlarmState.ACKNOWLEDGED, by="mk"),
            change(
                "contact:water level",
                now - 48 * hour,
                AlarmState.ACKNOWLEDGED,
                AlarmState.HELD,
                says="96 mm",
            ),
            change("stuck:air dry RH", now - 6 * hour, normal, new, says="the same for a day"),
            replace(
                change("stuck:air dry RH", now - 5 * hour, new, new, by="mk"),
                says="shelved by mk until tomorrow: new sensor is ordered",
                hiding=Hiding.SHELVED,
                until_utc_ms=now + 20 * hour,
                seconds=90_000.0,
                news=False,
            ),
            replace(
                change("low:water level", now - 9 * hour, normal, new, value=39.0),
                says="24 mm, setpoint 40 mm (follows from: Low water, catch tray)",
                hiding=Hiding.SUPPRESSED,
                news=False,
            ),
        ],
    )
    told(kept, [drift(since_ms=now - 30 * DAY_MS)])
    flagged(kept, Flag.SUSPECT, since_ms=now - 3 * DAY_MS, until_ms=None)
    yield kept
    kept.close()


@pytest.mark.long
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", ["phone", "desk"])
def test_every_sheet_opens_fits_and_can_be_read(
    busy: Kept, browser: Browser, size: str, scheme: Scheme
) -> None:
    with (
        serve(busy.rig_file) as served,
        page_of(browser, served, size=size, scheme=scheme) as page,
    ):
        for sheet in SHEETS:
            page.goto(sheet)
            expect(page.locator("[data-live]")).to_have_text("live")
            assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, sheet
            smallest = page.evaluate(SMALLEST_LETTERING)
            assert smallest[0] >= LEAST_LETTERING - 0.01, (sheet, smallest)
            name = re.sub(r"\W+", "-", sheet).strip("-") or "section"
            shot(page, f"{name}-{size}-{scheme}")


@pytest.fixture(
    scope="module",
    params=[
        Bays(),
        Bays(depths=(10, 30, 55, 110, 170, 230)),
        Bays(names=("cork-lime", "plain lime", "hemp"), heights=(30, 60, 90, 400)),
        Bays(
            names=("a bay with quite a long name",),
            layers=(("a coat of {bay} as it was", "lime", 12), ("solid brick", "masonry", 108)),
            depths=(6, 40, 100),
            height=1800,
            underside=40,
        ),
        Bays(reservoir=False),
        UNLIKE,
        replace(UNLIKE, names=("thin", "thick"), height=1200, underside=60),
    ],
    ids=["usual", "dense", "three bays", "tall and thin", "no reservoir", "unlike", "unlike, tall"],
)
def drawn(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Bays, Served]]:
    """Sections of many shapes, each with a scan of two minutes ago; nothing writes."""
    bays: Bays = request.param
    now = now_ms()
    folder = tmp_path_factory.mktemp("drawn")
    kept = keep(folder, text=rig_text(bays), times=[now - 125_000], now_ms=now)
    with serve(kept.rig_file) as served:
        yield bays, served
    kept.close()


@pytest.mark.long
@pytest.mark.parametrize("size", ["phone", "desk"])
def test_no_value_is_covered_by_that_of_another_probe(
    drawn: tuple[Bays, Served], browser: Browser, size: str
) -> None:
    bays, served = drawn
    with page_of(browser, served, size=size) as page:
        page.goto("/")
        figures: list[list[Label]] = page.evaluate(VALUE_BOXES)
        assert len(figures) == len(bays.names)
        # One scale on all of them: a section's viewBox is as wide as the others'.
        widths = page.eval_on_selector_all(
            ".s svg", "all => all.map(svg => svg.viewBox.baseVal.width)"
        )
        assert len(set(widths)) == 1
        for labels in figures:
            assert labels
            for one, other in combinations(labels, 2):
                for a in one["boxes"]:
                    for b in other["boxes"]:
                        wide = min(a[2], b[2]) - max(a[0], b[0])
                        high = min(a[3], b[3]) - max(a[1], b[1])
                        # 1.5 px: a line of lettering is taller than its figures.
                        assert min(wide, high) <= 1.5, (one, other)
        assert page.evaluate(SMALLEST_LETTERING)[0] >= LEAST_LETTERING - 0.01
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
        shot(
            page,
            f"geometry-{len(bays.names)}-{len(bays.depths)}-{bays.height:g}-{len(bays.own)}-{size}",
        )


@pytest.mark.long
@pytest.mark.parametrize("size", ["phone", "desk"])
def test_a_reader_sees_at_each_value_what_it_is_of_and_beside_them_what_it_is_not(
    tmp_path: Path, browser: Browser, size: str
) -> None:
    now = now_ms()
    kept = keep(tmp_path / "rig", text=text_of(), times=[now - 1000], now_ms=now, wrong={})
    try:
        with serve(kept.rig_file) as served, page_of(browser, served, size=size) as page:
            page.goto("/")
            for name, words in WORDS.items():
                label = page.locator(f'a.p[data-probe="{name}"] text')
                expect(label.nth(0)).to_have_text(re.compile(r"^\d+\.\d%$"))
                expect(label.nth(1)).to_have_text(words.split(" ")[-1])
                expect(label.nth(1)).to_be_visible()
            for sheet in ("/", "/traces"):
                page.goto(sheet)
                expect(page.locator(".caution")).to_have_text(list(cautions(kept.rig)))
                shot(page, f"kinds-{sheet.strip('/') or 'section'}-{size}")
            page.goto("/traces?what=air")
            expect(page.locator(".caution")).to_have_count(0)
    finally:
        kept.close()


@pytest.mark.long
@pytest.mark.parametrize("size", ["phone", "desk"])
def test_flow_and_pump_current_are_shown_elsewhere_and_traced_with_the_water(
    tmp_path: Path, browser: Browser, size: str
) -> None:
    now = now_ms()
    times = [*range(now - DAY_MS // 4, now - 1000, 60_000), now - 1000]
    stopped = {"pump": Wrong(Flag.PASS, value=0.02), "drip rail flow": Wrong(Flag.PASS, value=0.0)}
    kept = keep(
        tmp_path / "rig",
        text=rig_text(Bays(pump=True)),
        times=times,
        now_ms=now,
        wrong=stopped,
        wrong_since_ms=now - 3_600_000,
    )
    try:
        with serve(kept.rig_file) as served, page_of(browser, served, size=size) as page:
            page.goto("/")
            shot(page, f"pump-section-{size}")
            for name, value, place in (
                ("drip rail flow", "0.00 L/min", "drip rail"),
                ("pump", "0.02 A", "bus wire"),
            ):
                row = page.locator(".elsewhere li").filter(has_text=place)
                expect(row.filter(has_text=name).first).to_contain_text(value)
            page.goto("/traces?what=water")
            page.emulate_media(media="print")  # on a screen they are drawn on a canvas
            for words in ("runs from 0.4", "runs from 0.3"):
                expect(page.locator("svg").get_by_text(words)).to_be_visible()
            page.emulate_media(media="screen")
            assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
            assert page.evaluate(SMALLEST_LETTERING)[0] >= LEAST_LETTERING - 0.01
            shot(page, f"pump-traces-{size}")
    finally:
        kept.close()


def test_a_probe_can_be_hit_with_a_thumb(served: Served, browser: Browser) -> None:
    with page_of(browser, served, size="phone") as page:
        page.goto("/")
        link = page.locator('a.p[data-probe="cork-lime 30/360"]')
        shape = link.locator("use").bounding_box()
        assert shape is not None
        x, y = shape["x"] + shape["width"] / 2, shape["y"] + shape["height"] / 2
        for dx, dy in ((-20, 0), (0, -20), (20, -15), (0, 20)):
            hit = page.evaluate(
                "([x, y]) => document.elementFromPoint(x, y).closest('a')?.getAttribute('href')",
                [x + dx, y + dy],
            )
            assert hit == link.get_attribute("href"), (dx, dy)
        page.mouse.click(x - 20, y)
        expect(page).to_have_url(re.compile(r"/probe/cork-lime%2030%2F360$"))


def test_a_new_scan_appears_without_losing_what_the_reader_has_open(
    kept: Kept, served: Served, browser: Browser
) -> None:
    with page_of(browser, served) as page:
        page.goto("/")
        expect(page.locator("[data-live]")).to_have_text("live")
        page.locator("#all > summary").click()
        page.locator("#all > summary").focus()
        page.evaluate("scrollTo(0, 300)")
        scrolled = page.evaluate("scrollY")
        kept.scan(now_ms(), otherwise={"cork-lime 30/360": Wrong(Flag.PASS, value=21.7)})
        value = page.locator('a.p[data-probe="cork-lime 30/360"] .v')
        expect(value).to_have_text("21.7%", timeout=8000)
        assert page.locator("#all").get_attribute("open") is not None
        assert page.evaluate("document.activeElement.localName") == "summary"
        assert page.evaluate("scrollY") == scrolled


def test_a_page_says_when_it_is_not_connected_and_when_it_is_again(
    kept: Kept, browser: Browser
) -> None:
    with serve(kept.rig_file) as served:
        context = browser.new_context(base_url=served.address)
        page = context.new_page()
        page.goto("/")
        expect(page.locator("[data-live]")).to_have_text("live")
        served.process.terminate()
        expect(page.locator("[data-live]")).to_have_text(
            re.compile(r"^not connected since \d\d:\d\d$"), timeout=8000
        )
        context.close()


def test_a_sheet_without_scripts_says_what_it_shows(served: Served, browser: Browser) -> None:
    context = browser.new_context(base_url=served.address, java_script_enabled=False)
    page = context.new_page()
    page.goto("/traces")
    expect(page.locator("[data-live]")).to_have_text("as it was when opened")
    page.get_by_role("link", name="160 mm").click()
    expect(page.locator(".lead")).to_contain_text("Pins 160 mm above the underside")
    context.close()


def test_acknowledging_from_the_sheet_reaches_the_inbox_and_its_outcome_comes_back(
    kept: Kept, served: Served, browser: Browser
) -> None:
    raised = change(
        OVERFILL, now_ms() - 60_000, AlarmState.NORMAL, AlarmState.NEW, value=101.3, says="101 mm"
    )
    kept.writer.commit(Batch(changes=[raised]))
    with page_of(browser, served, size="phone") as page:
        page.goto("/alarms")
        page.get_by_label("Your initials").fill("mk")
        kept.scan(now_ms())  # what is being written must outlast a new scan
        expect(page.locator("#title-block")).to_have_count(1)
        page.get_by_role("button", name="Acknowledge").click()
        expect(page.locator("#told")).to_contain_text("asked by mk")
        db = sqlite3.connect(kept.folder / "inbox.db")
        asked = db.execute("SELECT kind, subject, by FROM request").fetchall()
        db.close()
        assert asked == [("acknowledge", OVERFILL, "mk")]

        (request,) = kept.inbox.waiting()
        taken = change(OVERFILL, now_ms(), AlarmState.NEW, AlarmState.ACKNOWLEDGED, by="mk")
        kept.writer.commit(
            Batch(changes=[taken], requests=[(request, now_ms(), "acknowledged, still standing")])
        )
        expect(page.locator("#told")).to_contain_text("acknowledged, still standing", timeout=8000)
        expect(page.locator(".e .st")).to_contain_text("acknowledged by mk")


def test_an_alarm_is_shelved_from_the_sheet_with_a_reason_and_put_back(
    kept: Kept, served: Served, browser: Browser
) -> None:
    now = now_ms()
    normal, new = AlarmState.NORMAL, AlarmState.NEW
    kept.writer.commit(Batch(changes=[change(OVERFILL, now - 60_000, normal, new, says="101 mm")]))
    with page_of(browser, served, size="phone", refused=1) as page:
        page.goto("/alarms")
        page.get_by_label("Your initials").fill("mk")
        page.get_by_text("Shelve", exact=True).click()
        # An overfill is urgent: it is back before the day is over.
        assert page.get_by_label("For how long").locator("option").all_text_contents() == [
            "2 h",
            "12 h",
            "until somebody puts it back (out of service)",
        ]
        page.get_by_role("button", name="Shelve it").click()
        expect(page.locator("#told")).to_contain_text("Say why: whoever comes next has to know")
        page.get_by_label("Why").fill("Tray is being cleaned")
        page.get_by_label("For how long").select_option("12 h")
        page.get_by_role("button", name="Shelve it").click()
        expect(page.locator("#told")).to_contain_text("asked by mk")
        (request,) = kept.inbox.waiting()
        assert (request.kind, request.subject, request.by) == ("shelve", OVERFILL, "mk")
        assert json.loads(request.body) == {"seconds": 43_200.0, "why": "Tray is being cleaned"}

        shelved = replace(
            change(OVERFILL, now_ms(), new, new, by="mk"),
            says="shelved by mk: Tray is being cleaned",
            hiding=Hiding.SHELVED,
            until_utc_ms=now_ms() + 43_200_000,
            seconds=43_200.0,
            news=False,
        )
        kept.writer.commit(Batch(changes=[shelved], requests=[(request, now_ms(), "shelved")]))
        expect(page.locator("#h-hidden")).to_have_text("Kept quiet, 1", timeout=8000)
        expect(page.locator("#h-standing")).to_have_text("Standing, none")
        page.get_by_role("button", name="Put back").click()
        expect(page.locator("#told")).to_contain_text("asked by mk")
        back = kept.inbox.waiting()[-1]
        assert (back.kind, back.subject) == ("put back", OVERFILL)


def test_every_sheet_can_be_reached_by_keyboard_with_the_focus_in_sight(
    served: Served, browser: Browser
) -> None:
    with page_of(browser, served) as page:
        page.goto("/")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "To the list of sheets"
        expect(page.locator(".skip")).to_be_visible()
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.closest('nav').ariaLabel") == "Sheets"
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page).to_have_url(re.compile("/water$"))


def test_the_section_prints_on_one_sheet_of_a4(busy: Kept, browser: Browser) -> None:
    with serve(busy.rig_file) as served, page_of(browser, served) as page:
        for sheet, name in (("/", "section"), ("/traces", "traces")):
            page.goto(sheet)
            SHOTS.mkdir(exist_ok=True)
            printed = page.pdf(path=SHOTS / f"{name}.pdf", prefer_css_page_size=True)
            assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1, sheet
            assert re.search(rb"/MediaBox\s*\[0 0 59[45]\.?\d* 84[12]\.?\d*\]", printed)


@pytest.mark.long
@pytest.mark.parametrize(
    "bays",
    [
        Bays(names=("a", "b", "c"), layers=(("oak", "timber", 240),)),
        Bays(names=tuple("abcdef"), layers=(("oak", "timber", 240),)),
        UNLIKE,
    ],
    ids=["three", "six", "unlike"],
)
def test_all_bays_print_on_one_page_at_the_scale_it_names(
    tmp_path: Path, browser: Browser, bays: Bays
) -> None:
    now = now_ms()
    kept = keep(tmp_path / "rig", text=rig_text(bays), times=[now - DAY_MS, now - 1000], now_ms=now)
    try:
        with serve(kept.rig_file) as served, page_of(browser, served) as page:
            page.goto("/")
            SHOTS.mkdir(exist_ok=True)
            printed = page.pdf(
                path=SHOTS / f"bays-{len(bays.names)}.pdf", prefer_css_page_size=True
            )
            assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1
            page.emulate_media(media="print")
            sizes = page.eval_on_selector_all(
                ".s svg",
                "all => all.map(s => [s.viewBox.baseVal.width, s.getBoundingClientRect().width])",
            )
            said = page.locator(".onpaper").first.inner_text()
            scale = float(said.replace("\xa0", " ").rpartition(": ")[2])
            for units, pixels in sizes:  # 96 px are an inch
                assert units / (pixels * 25.4 / 96) == pytest.approx(scale, rel=0.005)
    finally:
        kept.close()
