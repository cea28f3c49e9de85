"""Sheets under colours of the reader's own: drawings stay drawings."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from pages.inbrowser import Scheme, page_of, shot
from pages.serving import Served
from pages.staterigs import STATES

pytestmark = pytest.mark.long

# Strokes and fills that a drawing can't do without, by what they are of.
SEEN = """([paper]) => {
  const shown = (e) => {
    const style = getComputedStyle(e);
    const inks = [style.stroke, style.fill].filter((ink) => ink !== "none");
    return inks.some((ink) => ink !== paper && !/^rgba.*, 0\\)$/.test(ink));
  };
  const found = {};
  const parts = ["a.p use", "a.p text", ".outline:not(.leaf)", ".waterline", ".dim", ".rail .thin"];
  for (const of of parts) {
    const all = [...document.querySelectorAll(`main ${of}`)];
    const drawn = (e) => e.localName === "use"
      ? [...document.querySelectorAll(`${e.getAttribute("href")} *`)] : [e];
    found[of] = [all.length, all.filter((e) => !drawn(e).some(shown)).length];
  }
  return found;
}"""


@pytest.fixture(scope="module")
def busy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A rig in use, with all flags and shapes there are."""
    with STATES["busy"](tmp_path_factory.mktemp("busy")) as served:
        yield served


@pytest.mark.parametrize("paper", ["light", "dark"])
def test_under_forced_colours_all_that_is_drawn_is_still_seen(
    browser: Browser, busy: Served, paper: Scheme
) -> None:
    with page_of(browser, busy, size="phone", scheme=paper) as page:
        page.emulate_media(forced_colors="active", color_scheme=paper)
        page.goto("/")
        ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
        for of, (there, unseen) in page.evaluate(SEEN, [ground]).items():
            assert there > 0, of
            assert unseen == 0, of
        shot(page, f"forced-{paper}")
