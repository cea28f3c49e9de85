"""The sheets on A4, printed by the browser and read back by poppler."""

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from pages.inbrowser import SHOTS
from pages.serving import Served
from pages.staterigs import busy

pytestmark = pytest.mark.long

# Sheet, the most pages it may take, and words that have to be on paper.
PRINTED = {
    "/alarms": (4, ("Low water, catch tray", "acknowledged, still standing", "101.3")),
    "/water": (2, ("The tray, to scale", "Top-ups, newest first")),
    "/health": (4, ("Good hours", "plain lime 90/160")),
    "/proof": (4, ("33 channels",)),
    "/probe/plain%20lime%2090%2F160": (2, ("Declared", "Installation card")),
}
A4 = (595, 842)  # points


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Nine days with alarms, findings and a proof."""
    with busy(tmp_path_factory.mktemp("paper")) as pages:
        yield pages


@pytest.mark.parametrize("sheet", PRINTED)
def test_a_sheet_prints_whole_on_a4_with_its_title_block_at_the_end(
    browser: Browser, served: Served, tmp_path: Path, sheet: str
) -> None:
    context = browser.new_context(base_url=served.address)
    context.add_cookies([{"name": "initials", "value": "mk", "url": served.address}])
    page = context.new_page()
    page.goto(sheet)
    pdf = tmp_path / "sheet.pdf"
    page.pdf(path=pdf, prefer_css_page_size=True, print_background=False)
    context.close()
    most, words = PRINTED[sheet]
    info = subprocess.run(["pdfinfo", pdf], capture_output=True, text=True, check=True).stdout
    pages = int(re.findall(r"Pages: +(\d+)", info)[0])
    assert 1 <= pages <= most
    boxed = subprocess.run(
        ["pdftotext", "-bbox", pdf, "-"], capture_output=True, text=True, check=True
    ).stdout
    found = re.findall(
        r'<word xMin="([\d.-]+)" yMin="[\d.-]+" xMax="([\d.]+)" yMax="[\d.]+">(.*?)</word>', boxed
    )
    assert found
    assert all(float(left) >= 0 and float(right) <= A4[0] for left, right, _ in found)
    plain = subprocess.run(["pdftotext", pdf, "-"], capture_output=True, text=True, check=True)
    text = " ".join(plain.stdout.split())
    for each in words:
        assert each in text, each
    # Nothing that is pressed, and none of the other sheets.
    assert "Acknowledge " not in text.replace("Acknowledged", "")
    assert "sheet 1" not in text
    assert "rig read rig file times" in " ".join(text.split()[-40:])
    SHOTS.mkdir(exist_ok=True)
    name = re.sub(r"\W+", "-", sheet).strip("-")
    subprocess.run(
        ["pdftoppm", "-png", "-gray", "-r", "60", pdf, SHOTS / f"paper-{name}"], check=True
    )
