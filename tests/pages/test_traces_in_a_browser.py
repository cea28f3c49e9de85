"""Charts of the traces in a real browser: zoom, cursor, gaps, addresses, pictures; all invented.

One long file: all of it shares rigs that are served once for the module.
"""

import json
import re
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from functools import partial
from pathlib import Path
from urllib.parse import parse_qs, urlencode, urlsplit
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from longsoak.core.wording import rfc3339
from longsoak.store.writer import Batch
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak_dashboards.drawing.beside import spread
from longsoak_dashboards.view.scales import value_scale
from pages.inbrowser import looks_well, page_of, shot, views
from pages.pagerig import DAY_MS, Kept, Wrong, keep
from pages.serving import Served, ms_of, now_ms, serve
from waiting import wait_for

pytestmark = pytest.mark.long

HOUR = 3_600_000
INK = [29, 40, 59]  # --ink of day paper, static/tokens.css
RED = [170, 37, 35]  # --red
# How many pixels of a colour a canvas has in a part of its plot, from x1 to x2 of its width.
PIXELS = """([chart, colour, x1, x2]) => {
  const root = document.querySelector(`#chart-${chart}`);
  const canvas = root.querySelector("canvas");
  const ratio = canvas.width / canvas.clientWidth;
  const left = (root.getBoundingClientRect().left - canvas.getBoundingClientRect().left) * ratio;
  const width = root.clientWidth * ratio;
  const from = Math.round(left + x1 * width), to = Math.round(left + x2 * width);
  const high = canvas.height - Math.ceil(4 * ratio);
  const copy = Object.assign(document.createElement("canvas"), { width: to - from, height: high });
  const ctx = copy.getContext("2d", { willReadFrequently: true });
  ctx.drawImage(canvas, -from, 0);
  const { data } = ctx.getImageData(0, 0, to - from, high);
  let found = 0;
  for (let i = 0; i < data.length; i += 4) {
    if (data[i + 3] > 200 && colour.every((c, k) => Math.abs(data[i + k] - c) < 24)) found++;
  }
  return found;
}"""


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    """Eight days, every ten minutes, the fourth of them cut out, with two entries; read only."""
    now = now_ms()
    gap = (now - 5 * DAY_MS, now - 4 * DAY_MS)
    times = [t for t in range(now - 8 * DAY_MS, now, 600_000) if not gap[0] < t < gap[1]]
    kept = keep(
        tmp_path_factory.mktemp("days"),
        times=times,
        now_ms=now,
        wrong_since_ms=now - 30 * HOUR,
        stopped_after=gap[0],
    )
    told = [(1, 7 * DAY_MS, "Filter rinsed"), (2, 2 * DAY_MS, "Pump hums")]
    kept.writer.commit(Batch(logbook=[entry(n, now - ago, says) for n, ago, says in told]))
    yield kept
    kept.close()


@pytest.fixture(scope="module")
def pages(days: Kept) -> Iterator[Served]:
    with serve(days.rig_file) as served:
        yield served


def entry(number: int, at_ms: int, says: str) -> LogbookEntry:
    return LogbookEntry(
        asked_utc_ms=at_ms,
        at_utc_ms=at_ms,
        by="mk",
        says=says,
        number=number,
        request=f"entry {number}",
        kept_utc_ms=at_ms,
        synchronised=True,
    )


def opened(page: Page, address: str) -> None:
    """Go to a sheet of traces, and wait until its readings are drawn."""
    page.goto(address)
    drawn(page)


def drawn(page: Page, *, raw: bool | None = None) -> None:
    words = {None: "[data-raw]", True: '[data-raw="true"]', False: '[data-raw="false"]'}[raw]
    expect(page.locator(f"#stack.drawn{words}")).to_be_attached()


def drag(page: Page, *, chart: int, begin: float, end: float) -> None:
    box = page.locator(f"#chart-{chart}").bounding_box()
    assert box is not None
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + begin * box["width"], y)
    page.mouse.down()
    page.mouse.move(box["x"] + (begin + end) / 2 * box["width"], y, steps=4)
    page.mouse.move(box["x"] + end * box["width"], y, steps=4)
    page.mouse.up()


def times_in(address: str) -> tuple[int, int]:
    query = parse_qs(urlsplit(address).query)
    return ms_of(query["from"][0]), ms_of(query["to"][0])


@contextmanager
def zoned(browser: Browser, served: Served, zone: str, **more: object) -> Iterator[Page]:
    context: BrowserContext = browser.new_context(
        base_url=served.address,
        timezone_id=zone,
        **more,  # type: ignore[arg-type]  # its own names
    )
    try:
        yield context.new_page()
    finally:
        context.close()


def test_closer_there_are_single_readings_and_the_address_is_the_exact_view(
    pages: Served, browser: Browser
) -> None:
    with page_of(browser, pages) as page:
        opened(page, "/traces?what=air&hours=all")
        drawn(page, raw=False)
        drag(page, chart=0, begin=0.1, end=0.2)
        drawn(page, raw=True)
        expect(page).to_have_url(re.compile("from=.*to="))
        since, until = times_in(page.url)
        assert until - since == pytest.approx(0.8 * DAY_MS, rel=0.02)
        # The server draws the same time for whoever follows the address, without scripts too.
        text = pages.get(page.url.removeprefix(pages.address)).text
        plan = json.loads(re.findall(r'id="plan">(.*?)</script>', text)[0])
        assert (plan["since"], plan["until"]) == (since, until)
        again = page.url
        page.reload()
        drawn(page, raw=True)
        assert page.url == again
        page.get_by_role("button", name="all", exact=True).click()
        drawn(page, raw=False)
        expect(page).to_have_url(re.compile(r"what=air&hours=all$"))
        page.get_by_role("button", name="back").click()
        expect(page).to_have_url(again)


def test_no_line_is_drawn_across_a_gap(pages: Served, browser: Browser) -> None:
    with page_of(browser, pages) as page:
        opened(page, "/traces?what=air&hours=all")
        for chart in (0, 1):
            ink = partial(page.evaluate, PIXELS)
            assert ink([chart, INK, 0.05, 0.3]) > 200
            # The gap is from 3/8 to 4/8 of the time; its dots and words are of another colour.
            assert ink([chart, INK, 0.385, 0.49]) == 0
            assert ink([chart, INK, 0.55, 0.9]) > 200
        shot(page, "traces-gap")


def test_a_suspect_stretch_is_red_a_fail_has_no_line_and_its_crosses(
    pages: Served, browser: Browser
) -> None:
    with page_of(browser, pages) as page:
        opened(page, f"/traces?{urlencode({'probe': 'plain lime 90/60', 'hours': '24'})}")
        assert page.evaluate(PIXELS, [0, INK, 0.1, 0.9]) == 0
        assert page.evaluate(PIXELS, [0, RED, 0.1, 0.9]) > 100
        opened(page, f"/traces?{urlencode({'probe': 'cork-lime 170/360', 'hours': '24'})}")
        assert page.evaluate(PIXELS, [0, INK, 0.1, 0.9]) == 0
        assert 0 < page.evaluate(PIXELS, [0, RED, 0.1, 0.9]) < 3000


def test_scale_words_and_stretches_are_worked_out_alike_in_browser_and_server(
    pages: Served, browser: Browser
) -> None:
    cases = [
        ([], 10.0),
        ([11.3, 24.8], 10.0),
        ([0.2], 4.0),
        ([-3.0, 2.0], 1.0),
        ([99.5, 100.2], 20.0),
        ([1e-3, 2e-3], 0.5),
        ([412.0, 5120.0], 100.0),
    ]
    blocks = [
        ([10.0, 11.0, 12.0, 100.0], [14.0, 28.0, 14.0, 14.0]),
        ([0.0, 0.0, 139.0, 139.0], [14.0, 14.0, 28.0, 14.0]),
        ([50.0], [14.0]),
    ]
    with page_of(browser, pages) as page:
        opened(page, "/traces?what=air")
        scales = page.evaluate(
            "async (cases) => { const m = await import('/static/tracedata.js');"
            " return cases.map(([v, l]) => m.roundScale(v, l)); }",
            cases,
        )
        for (values, least), found in zip(cases, scales, strict=True):
            kept = value_scale(values, least=least)
            assert (found["low"], found["high"]) == pytest.approx((kept.low, kept.high))
            assert found["ticks"] == pytest.approx(list(kept.ticks))
        placed = page.evaluate(
            "async (blocks) => { const m = await import('/static/tracedata.js');"
            " return blocks.map(([w, s]) => m.spread(w, s, 0, 140)); }",
            blocks,
        )
        for (wanted, sizes), got in zip(blocks, placed, strict=True):
            assert got == pytest.approx(spread(wanted, sizes, low=0.0, high=140.0))
        runs = page.evaluate(
            """async () => {
              const m = await import('/static/tracedata.js');
              const point = (t, level = 1) => ({ t, from: t, level });
              const lengths = (points, gaps = []) =>
                m.runsOf(points, 3000, 0, gaps).map((run) => run.length);
              const even = [0, 1, 2, 3, 4, 5, 6, 7].map((n) => point(1000 * n));
              const holed = even.map((p) => (p.t === 3000 ? point(3000, null) : p));
              return [lengths(even), lengths(holed), lengths([...even, point(10001)]),
                lengths([point(0), point(4000)], []),
                lengths([point(0), point(2900)], [{ from: 100, to: 2800 }]),
                m.runsOf([point(0), point(9000)], 3000, 6000, [{ from: 100, to: 8000 }]).length];
            }"""
        )
        assert runs == [[8], [3, 4], [8, 1], [1, 1], [2], 2]


def test_keys_step_from_reading_to_reading_and_say_it(pages: Served, browser: Browser) -> None:
    said = r"^air wet T: 2\d\.\d °C ± 0\.5, \d+ \w+ \d{4}, \d\d:\d\d:\d\d \(\d\d:\d\d UTC\)"
    with page_of(browser, pages) as page:
        names = [("probe", "air wet T"), ("probe", "air dry T"), ("hours", "6")]
        opened(page, f"/traces?{urlencode(names)}")
        drawn(page, raw=True)
        chart, line = page.locator("#chart-0"), page.locator("#said")
        expect(line).to_have_attribute("role", "status")
        chart.focus()
        page.keyboard.press("ArrowLeft")
        expect(line).to_have_text(re.compile(f"{said}, the last here$"))
        last = line.text_content()
        page.keyboard.press("ArrowLeft")
        expect(line).to_have_text(re.compile(f"{said}$"))
        one = line.text_content()
        assert one != last
        page.keyboard.press("ArrowLeft")
        page.keyboard.press("ArrowRight")
        expect(line).to_have_text(one or "")
        page.keyboard.press("ArrowDown")
        expect(line).to_have_text(re.compile(r"^air dry T: "))
        page.keyboard.press("Home")
        expect(line).to_have_text(re.compile("the first here$"))
        before = page.url
        page.keyboard.press("+")
        expect(page).not_to_have_url(before)
        page.keyboard.press("Backspace")
        expect(page).to_have_url(before)
        page.keyboard.press("Escape")
        expect(line).to_have_text("")


def test_the_cursor_reads_in_every_drawing_at_once(pages: Served, browser: Browser) -> None:
    with page_of(browser, pages) as page:
        opened(page, "/traces?what=air&hours=24")
        first = page.locator('[data-panel="0"] dd').first.text_content()
        box = page.locator("#chart-0").bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + box["width"] * 0.3, box["y"] + 70)
        expect(page.locator("#said")).to_have_text(re.compile(r"\d\d:\d\d:\d\d \(\d\d:\d\d UTC\)"))
        lines = page.locator(".u-cursor-x")
        placed = lines.evaluate_all("all => all.map(e => e.style.transform)")
        assert len(placed) > 1
        assert len(set(placed)) == 1
        assert page.locator('[data-panel="1"] dd').first.text_content() != "none"
        page.mouse.move(5, 5)
        expect(page.locator("#said")).to_have_text("")
        assert page.locator('[data-panel="0"] dd').first.text_content() == first


def test_two_fingers_draw_the_time_apart_and_one_reads(pages: Served, browser: Browser) -> None:
    with zoned(
        browser, pages, "UTC", viewport={"width": 360, "height": 780}, has_touch=True
    ) as page:
        opened(page, "/traces?what=air&hours=all")
        page.locator("#chart-0").scroll_into_view_if_needed()
        box = page.locator("#chart-0").bounding_box()
        assert box is not None
        hand = page.context.new_cdp_session(page)
        y = box["y"] + 70

        def touch(kind: str, *xs: float) -> None:
            points = [{"x": box["x"] + x * box["width"], "y": y, "id": i} for i, x in enumerate(xs)]
            hand.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        touch("touchStart", 0.4)
        expect(page.locator("#said")).not_to_have_text("")
        touch("touchEnd")
        touch("touchStart", 0.4)
        touch("touchStart", 0.4, 0.6)
        for n in range(1, 5):
            touch("touchMove", 0.4 - 0.05 * n, 0.6 + 0.05 * n)
        touch("touchEnd")
        expect(page).to_have_url(re.compile("from=.*to="))
        since, until = times_in(page.url)
        assert until - since == pytest.approx(8 * DAY_MS / 3, rel=0.1)


def test_the_wheel_draws_near_only_with_ctrl(pages: Served, browser: Browser) -> None:
    with page_of(browser, pages) as page:
        opened(page, "/traces?what=air&hours=all")
        before = page.url
        page.locator("#chart-0").hover()
        page.mouse.wheel(0, 40)
        wait_for(partial(page.evaluate, "scrollY > 0"), what="the sheet to scroll")
        assert page.url == before
        page.locator("#chart-0").hover()
        page.keyboard.down("Control")
        page.mouse.wheel(0, -40)
        page.keyboard.up("Control")
        expect(page).to_have_url(re.compile("from="))


def test_a_new_reading_appears_at_once_where_the_drawing_ends_now(
    tmp_path: Path, browser: Browser
) -> None:
    now = now_ms()
    times = [now - n * 60_000 - 1000 for n in range(50)][::-1]
    kept = keep(tmp_path / "rig", times=times, now_ms=now, wrong={})
    try:
        with serve(kept.rig_file) as served, page_of(browser, served) as page:
            for hours in ("1", "168"):
                opened(page, f"/traces?what=air&hours={hours}")
                expect(page.locator("[data-live]")).to_have_text("live")
                value = 24.4 if hours == "1" else 25.5
                kept.scan(now_ms(), otherwise={"air wet T": Wrong(Flag.PASS, value=value)})
                dd = page.locator("[data-line]").filter(has_text="air wet T").locator("dd")
                # Within 2 s of a change; a look a second is what the stream takes of it.
                expect(dd.first).to_contain_text(f"{value}", timeout=2000)
    finally:
        kept.close()


def test_a_time_that_is_past_stays_where_it_is(tmp_path: Path, browser: Browser) -> None:
    now = now_ms()
    times = [now - n * 60_000 - 1000 for n in range(50)][::-1]
    kept = keep(tmp_path / "rig", times=times, now_ms=now, wrong={})
    query = {"what": "air", "from": rfc3339(now - 40 * 60_000), "to": rfc3339(now - 20 * 60_000)}
    try:
        with serve(kept.rig_file) as served, page_of(browser, served) as page:
            opened(page, f"/traces?{urlencode(query)}")
            expect(page.locator("[data-live]")).to_have_text("live")
            place, axis = page.url, page.locator("svg.axis").first.inner_html()
            read = page.locator("#title-block dd").nth(1).text_content()
            page.locator("#chart-0").focus()
            page.keyboard.press("ArrowLeft")
            said = page.locator("#said").text_content()
            wait_for(lambda: now_ms() // 1000 > (now + 1000) // 1000, what="another second")
            kept.scan(now_ms())
            expect(page.locator("#title-block dd").nth(1)).not_to_have_text(
                read or "", timeout=20_000
            )
            assert page.url == place
            assert page.locator("svg.axis").first.inner_html() == axis
            # The sheet was fetched anew round it, and nothing was taken from the reader.
            assert page.evaluate("document.activeElement.id") == "chart-0"
            assert page.locator("#said").text_content() == said
    finally:
        kept.close()


def test_without_a_connection_what_is_drawn_stays_and_that_is_said(
    days: Kept, browser: Browser
) -> None:
    with serve(days.rig_file) as served, zoned(browser, served, "UTC") as page:
        opened(page, "/traces?what=air&hours=all")
        expect(page.locator("[data-live]")).to_have_text("live")
        served.process.terminate()
        expect(page.locator("[data-live]")).to_have_text(
            re.compile("^not connected since"), timeout=8000
        )
        page.get_by_role("button", name="Nearer").click()
        assert page.evaluate(PIXELS, [0, INK, 0.05, 0.2]) > 50


def test_the_picture_comes_as_svg_and_as_png_of_twice_the_size(
    pages: Served, browser: Browser, tmp_path: Path
) -> None:
    with page_of(browser, pages) as page:
        opened(page, "/traces?what=water&hours=24")
        with page.expect_download() as download:
            page.get_by_role("button", name="picture as PNG").click()
        png = Path(download.value.path()).read_bytes()
        assert png.startswith(b"\x89PNG\r\n\x1a\n")
        width, height = struct.unpack(">II", png[16:24])
        with page.expect_download() as download:
            page.get_by_role("link", name="picture as SVG").click()
        svg = Path(download.value.path()).read_text()
        (size,) = re.findall(r'<svg xmlns="[^"]*" width="(\d+)" height="(\d+)"', svg)
        assert (width, height) == tuple(2 * int(s) for s in size)
        # Of one colour it would be a file of some kilobytes: something is drawn on it.
        assert len(png) > 30_000
        with page.expect_download() as download:
            page.get_by_role("link", name="numbers as CSV").click()
        assert Path(download.value.path()).read_text().startswith("time,probe,raw,")


def test_paper_and_night_and_density_are_followed_while_open(
    pages: Served, browser: Browser
) -> None:
    with page_of(browser, pages) as page:
        opened(page, "/traces?what=air&hours=all")
        assert page.evaluate(PIXELS, [0, INK, 0.05, 0.3]) > 200
        page.emulate_media(color_scheme="dark")
        night = [229, 239, 242]
        wait_for(partial(page.evaluate, PIXELS, [0, night, 0.05, 0.3]), what="light ink")
        page.emulate_media(color_scheme="light")
        wait_for(partial(page.evaluate, PIXELS, [0, INK, 0.05, 0.3]), what="dark ink")
        hand = page.context.new_cdp_session(page)
        hand.send(
            "Emulation.setDeviceMetricsOverride",
            {"width": 1200, "height": 880, "deviceScaleFactor": 2, "mobile": False},
        )
        twice = "(c => c.width === 2 * c.clientWidth)(document.querySelector('#chart-0 canvas'))"
        wait_for(partial(page.evaluate, twice), what="a canvas of twice as many pixels")
        assert page.evaluate(PIXELS, [0, INK, 0.385, 0.49]) == 0
        page.emulate_media(media="print")
        expect(page.locator("#chart-0")).to_be_hidden()
        expect(page.locator('[data-panel="0"] > svg')).to_be_visible()


@pytest.mark.parametrize(
    ("zone", "since", "until"),
    [
        ("Europe/Berlin", "2026-10-23T22:00:00Z", "2026-10-26T23:00:00Z"),  # 25 h on 25 October
        ("Europe/Berlin", "2026-03-28T12:00:00Z", "2026-03-29T12:00:00Z"),  # 23 h on 29 March
        ("Australia/Adelaide", "2026-09-20T00:00:00Z", "2026-09-20T06:00:00Z"),  # half an hour off
        ("America/New_York", "2026-09-01T00:00:00Z", "2026-12-20T00:00:00Z"),
        ("Pacific/Auckland", "2025-01-15T00:00:00Z", "2026-12-20T00:00:00Z"),
        ("UTC", "2026-09-23T12:00:00Z", "2026-09-23T12:01:00Z"),
    ],
)
def test_times_are_the_reader_s_and_days_begin_at_their_midnight(
    pages: Served, browser: Browser, zone: str, since: str, until: str
) -> None:
    with zoned(browser, pages, zone) as page:
        page.goto("/traces?what=air")
        begin, end = ms_of(since), ms_of(until)
        ticks = page.evaluate(
            "async ([a, b]) => (await import('/static/tracetime.js')).ticksOf(a, b, 8)",
            [begin, end],
        )
        words = page.evaluate(
            "async ([a, b]) => (await import('/static/tracetime.js')).zoneWords(a, b)",
            [begin, end],
        )
    assert 2 <= len(ticks) <= 9
    assert [tick["t"] for tick in ticks] == sorted({tick["t"] for tick in ticks})
    for tick in ticks:
        assert begin <= tick["t"] <= end
        there = datetime.fromtimestamp(tick["t"] / 1000, ZoneInfo(zone))
        assert there.second in (0, 10, 20, 30, 40, 50)
        wanted = {
            f"{there:%H:%M}",
            f"{there:%H:%M:%S}",
            f"{there.day} {there:%b}" if there.hour == there.minute == 0 else "",
            f"{there:%b}" if there.day == 1 else "",
            f"{there:%b %Y}" if there.day == there.month == 1 else "",
        }
        assert tick["words"] in wanted
    offsets = [datetime.fromtimestamp(t / 1000, ZoneInfo(zone)).utcoffset() for t in (begin, end)]
    assert ("later" in words) == (offsets[0] != offsets[1])
    assert words == "UTC" or words.startswith(f"{zone.replace('_', ' ')}, UTC")


def test_what_the_logbook_says_stands_on_the_axis_and_opens(
    pages: Served, browser: Browser
) -> None:
    with page_of(browser, pages, size="phone") as page:
        opened(page, "/traces?what=air&hours=all")
        marks = page.locator(".note-mark")
        expect(marks).to_have_count(2)
        box = marks.first.bounding_box()
        assert box is not None
        assert box["height"] >= 43.5
        expect(page.locator("#notes li")).to_have_count(2)
        marks.nth(1).click()
        expect(page).to_have_url(re.compile(r"/logbook\?upto=2#entry-2$"))
        expect(page.locator("#entry-2")).to_contain_text("Pump hums")


def test_what_is_drawn_can_be_read_as_tables(pages: Served, browser: Browser) -> None:
    with page_of(browser, pages) as page:
        opened(page, "/traces?what=air&hours=6")
        page.locator("#values > summary").click()
        rows = page.locator("#table-1 tbody tr")
        expect(rows.first).to_be_visible()
        assert 34 <= rows.count() <= 37  # six hours, every ten minutes
        expect(page.locator("#summary-0")).to_contain_text("lowest")
    with zoned(browser, pages, "UTC", java_script_enabled=False) as page:
        page.goto("/traces?what=air&hours=6")
        page.locator("#values > summary").click()
        page.get_by_role("link", name="Show the tables").click()
        assert page.locator("#table-1 tbody tr").count() >= 34


def test_probes_are_chosen_without_a_script_on_a_phone(pages: Served, browser: Browser) -> None:
    with zoned(
        browser, pages, "UTC", java_script_enabled=False, viewport={"width": 360, "height": 780}
    ) as page:
        page.goto("/traces?what=water")
        page.locator("#choose > summary").click()
        assert page.evaluate("document.documentElement.scrollWidth") == 360
        for box in page.locator(".tick").all():
            found = box.bounding_box()
            assert found is not None
            assert min(found["width"], found["height"]) >= 43.5
        for name in ("water level", "high float"):
            page.get_by_role("checkbox", name=name).uncheck()
        for name in ("plain lime 90/260", "air wet T"):
            page.get_by_role("checkbox", name=name, exact=True).check()
        page.get_by_label("From, in UTC").fill("2026-01-01T10:00")
        page.get_by_role("button", name="Draw").click()
        query = parse_qs(urlsplit(page.url).query)
        assert query["probe"] == ["plain lime 90/260", "air wet T"]
        expect(page.locator(".lead")).to_contain_text("Two probes, since 1 Jan 10:00 UTC")
        expect(page.locator("figure.m > svg")).to_have_count(2)
        page.locator("#choose > summary").click()
        page.get_by_role("link", name="160 mm high").last.click()
        assert parse_qs(urlsplit(page.url).query)["probe"] == [
            "plain lime 30/160",
            "plain lime 90/160",
            "plain lime 170/160",
        ]


def test_what_is_ticked_outlasts_a_new_scan(tmp_path: Path, browser: Browser) -> None:
    now = now_ms()
    kept = keep(tmp_path / "rig", times=[now - 60_000, now - 1000], now_ms=now)
    try:
        with serve(kept.rig_file) as served, page_of(browser, served, size="phone") as page:
            opened(page, "/traces?what=air&hours=1")
            expect(page.locator("[data-live]")).to_have_text("live")
            page.locator("#choose > summary").click()
            tick = page.get_by_role("checkbox", name="meter reference")
            tick.check()
            kept.scan(now_ms(), otherwise={"air wet T": Wrong(Flag.PASS, value=27.7)})
            dd = page.locator("[data-line]").filter(has_text="air wet T").locator("dd")
            expect(dd.first).to_contain_text("27.7", timeout=8000)
            expect(tick).to_be_checked()
    finally:
        kept.close()


def test_the_sheet_looks_well(pages: Served, browser: Browser) -> None:
    with page_of(browser, pages, scheme="dark") as page:
        opened(page, "/traces?hours=all")
        looks_well(page, "traces-pins")
        opened(page, "/traces?what=water&hours=all")
        looks_well(page, "traces-water")
        views(page, "traces-water")
        page.locator("#choose > summary").click()
        looks_well(page, "traces-choose")


def test_scripts_and_styles_of_the_sheet_are_light(pages: Served, browser: Browser) -> None:
    """Under 150 kB compressed is what the first view may take; they come as they are here."""
    import gzip

    taken: dict[str, int] = {}
    with page_of(browser, pages) as page:
        page.on(
            "response",
            lambda r: (
                taken.__setitem__(r.url, len(gzip.compress(r.body())))
                if "/static/" in r.url
                else None
            ),
        )
        opened(page, "/traces")
    assert any("uPlot" in url for url in taken)
    assert sum(taken.values()) < 150_000
    assert "uPlot" not in pages.get("/").text
