"""A rig of one probe, of bays called by a letter, and of very many thermometers; all invented."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from longsoak_dashboards.view import standing, traces
from longsoak_dashboards.view.marks import marks
from longsoak_dashboards.view.plans import MOST_LINES
from longsoak_dashboards.view.span import Span
from pages.pagerig import NOW_MS, Bays, keep, make_rig, rig_text
from pages.serving import now_ms, serve

pytestmark = pytest.mark.long

THERMOMETER = """
[[probes]]
name = "T{number} {bay}"
kind = "temperature"
bay = "{bay}"
depth = {depth}
height = {height}
bus = "wire"
address = {{ channel = {channel} }}
every = 60
"""
PLAIN = Bays(names=("A",), depths=(), reservoir=False, elsewhere=False, name="one thermometer")


def many(count: int) -> str:
    """The usual rig file with `count` thermometers more."""
    bays = Bays().names
    return rig_text() + "".join(
        THERMOMETER.format(
            number=n + 1,
            bay=bays[n * len(bays) // count],
            depth=(30, 90, 170)[n % 3],
            height=20 + 5 * n,
            channel=500 + n,
        )
        for n in range(count)
    )


def test_one_probe_is_told_of_in_the_singular() -> None:
    rig = make_rig(PLAIN)
    (mark,) = marks(rig, {}, last_good_ms={}, now_ms=NOW_MS)
    assert standing.probes_sentence([replace(mark, shape=1)]) == "The one probe is good."
    two = [replace(mark, shape=1)] * 2
    assert standing.probes_sentence(two) == "All two probes are good."


def test_one_hour_and_one_day_are_told_of_in_the_singular() -> None:
    said = [
        traces.lead(traces.Asked("air", None, None, hours), (), span=Span(0, NOW_MS), now_ms=NOW_MS)
        for hours in ("1", "6", "24", "168")
    ]
    assert said == [
        "Air and wood, last hour.",
        "Air and wood, last 6 h.",
        "Air and wood, last day.",
        "Air and wood, last 7 days.",
    ]


@pytest.mark.parametrize(
    ("bay", "caption"),
    [("A", "bay A"), ("north", "north bay"), ("Bay 2", "Bay 2"), ("end bay", "end bay")],
)
def test_a_section_of_one_probe_says_so_and_names_its_bay(
    tmp_path: Path, bay: str, caption: str
) -> None:
    now = now_ms()
    kept = keep(
        tmp_path / "rig", text=rig_text(replace(PLAIN, names=(bay,))), times=[now - 900], now_ms=now
    )
    try:
        with serve(kept.rig_file) as pages:
            text = pages.get("/").text
    finally:
        kept.close()
    assert "The one probe is good." in text
    assert "<summary>The one probe as a table</summary>" in text
    assert re.findall(r"<figcaption><b>Section A.A</b> <span>· (.*?)</span>", text) == [caption]


@pytest.mark.parametrize("count", [24, 64])
@pytest.mark.parametrize("width", [360, 1280])
def test_a_panel_of_many_lines_keeps_the_size_of_its_drawing(
    tmp_path: Path, browser: Browser, count: int, width: int
) -> None:
    now = now_ms()
    times = [now - n * 60_000 - 1000 for n in range(60)][::-1]
    kept = keep(tmp_path / "rig", text=many(count), times=times, now_ms=now)
    page = browser.new_page(viewport={"width": width, "height": 800})
    try:
        with serve(kept.rig_file) as pages:
            page.goto(f"{pages.address}/traces?what=air&hours=1")
            figures = page.locator("figure.m").evaluate_all(
                "all => all.map(f => ['.chart', 'dl'].map(what => {"
                " const box = f.querySelector(':scope > ' + what).getBoundingClientRect();"
                " return [box.left, box.top, box.width, box.height] }))"
            )
            assert page.evaluate("document.documentElement.scrollWidth") == width
    finally:
        page.close()
        kept.close()
    assert len(figures) >= count / MOST_LINES
    for (left, top, wide, high), (_, words_top, _, words_high) in figures:
        assert 138 <= high <= 6 * 2 * 14  # the words of six lines, in two rows each, have room
        assert wide > 0.55 * width
        assert words_high <= 160  # no higher than the drawing
        assert left >= 0
        beside = words_top < top + high
        assert not beside or words_high <= high
