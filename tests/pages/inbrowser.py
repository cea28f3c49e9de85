"""Pages in a headless browser that complains of whatever is wrong, and pictures of them."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Literal

from playwright.sync_api import Browser, Page

from pages.serving import Served
from waiting import wait_for

SHOTS = Path(__file__).parent.parent / "shots"
SIZES = {"phone": (360, 780), "desk": (1300, 900)}

# Every element with words of its own: its size on the screen, which for a drawing is scaled.
SMALLEST_LETTERING = """() => {
  const found = [];
  for (const e of document.querySelectorAll("body *")) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
    if (!own || e.closest(".vh, script, style, title") || !e.getClientRects().length) continue;
    const scale = e.getScreenCTM ? Math.abs(e.getScreenCTM().a) : 1;
    const size = parseFloat(getComputedStyle(e).fontSize) * scale;
    found.push([Math.round(size * 100) / 100, e.textContent.trim().slice(0, 40)]);
  }
  return found.sort((a, b) => a[0] - b[0])[0];
}"""

FITS = "width => innerWidth === width && document.documentElement.scrollWidth <= innerWidth"

Scheme = Literal["light", "dark"]


@contextmanager
def page_of(
    browser: Browser,
    served: Served,
    *,
    size: str = "desk",
    scheme: Scheme = "light",
    refused: int = 0,
) -> Iterator[Page]:
    """A page that fails the test if anything is complained of in its console.

    So many forms are to be `refused`: a browser complains of an answer with that status.
    """
    width, height = SIZES[size]
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme=scheme, base_url=served.address
    )
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda m: complaints.append(m.text) if m.type != "log" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "request",
        lambda r: None if r.url.startswith(served.address) else complaints.append(r.url),
    )
    try:
        yield page
        refusals = [words for words in complaints if re.search("status of 40[03]", words)]
        others = [words for words in complaints if words not in refusals]
        assert others == [], others
        assert len(refusals) == refused
    finally:
        context.close()


def shot(page: Page, name: str) -> None:
    """Keep a picture for people to look at; it is no test by itself."""
    SHOTS.mkdir(exist_ok=True)
    page.screenshot(path=SHOTS / f"{name}.png", full_page=True)


def looks_well(page: Page, name: str) -> None:
    """Nothing is wider than the screen and no letter smaller than 12 px; a picture is kept."""
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        # A browser that is busy takes the size a while later.
        wait_for(partial(page.evaluate, FITS, width), what=f"{name} to fit a {size}", limit=10.0)
        smallest, words = page.evaluate(SMALLEST_LETTERING)
        assert smallest >= 12, (size, name, words)
        shot(page, f"{name}-{size}")
    width, height = SIZES["phone"]
    page.set_viewport_size({"width": width, "height": height})


def views(page: Page, name: str, *, at: str = "body") -> None:
    """Keep what is seen of `at` on a phone and a desk of usual sizes; it is no test by itself."""
    SHOTS.mkdir(exist_ok=True)
    for size, width, height in (("390", 390, 844), ("1280", 1280, 800)):
        page.set_viewport_size({"width": width, "height": height})
        page.locator(at).first.evaluate("(e) => e.scrollIntoView({ block: 'start' })")
        page.screenshot(path=SHOTS / f"{name}-{size}.png")
