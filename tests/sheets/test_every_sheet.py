"""Every sheet in every state keeps nobody out: WCAG 2.2 AA, at two widths, by day and by night.

axe-core's rules are run as they are, by its own package; what no such rule can tell is measured
here. By name only: `sh tests/run.sh sheets`; each sheet in its first state is in `tests/pages`.
Success criteria by number are those of WCAG 2.2 (numbers and titles from memory).
"""

import re
from collections.abc import Iterator
from contextlib import ExitStack
from functools import partial
from itertools import pairwise

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, Response

from pages.everysheet import LOOKS, Look
from pages.inbrowser import SIZES, SMALLEST_LETTERING, shot
from pages.serving import Served, now_ms
from pages.staterigs import STATES
from waiting import wait_for

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
BY_LOOK = pytest.mark.parametrize("look", LOOKS, ids=[look.name for look in LOOKS])

# What can be pressed or followed, with its size; a link in a sentence is as high as its line.
# A radio button or a file field is hit by its label too.
TARGETS = """() => {
  const all = document.querySelectorAll("a[href], button, input, select, textarea, summary");
  const shown = (e) => e.type !== "hidden" && e.checkVisibility() && !e.closest(".vh");
  return [...all].filter(shown).map((e) => {
    const hit = e.querySelector(":scope > .hit");
    const box = (e.closest("label") ?? hit ?? e).getBoundingClientRect();
    const inline = e.localName === "a" && getComputedStyle(e).display === "inline" && !hit;
    const strong = e.matches("nav#sheet-list a, button, input, select, textarea, summary");
    return { says: (e.textContent.trim() || e.name || e.id).slice(0, 40), inline, strong,
             wide: box.width, high: box.height };
  });
}"""
# 1.4.12: line height 1.5, letter spacing .12, word spacing .16, space after paragraphs 2 times.
SPACED = """* { line-height: 1.5 !important; letter-spacing: .12em !important;
  word-spacing: .16em !important; } p { margin-bottom: 2em !important; }"""
# Words that something cuts off.
CUT_OFF = """() => [...document.querySelectorAll("main *")].filter((e) => {
  if (!e.checkVisibility() || e.closest("svg, thead, .wide") || !e.textContent.trim()) return false;
  const style = getComputedStyle(e);
  if (style.clipPath !== "none" || style.overflow === "visible") return false;
  return e.scrollWidth > e.clientWidth + 1 || e.scrollHeight > e.clientHeight + 1;
}).map((e) => e.outerHTML.slice(0, 120))"""
WIDER = "document.documentElement.scrollWidth - innerWidth"


@pytest.fixture(scope="module")
def states(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Served]]:
    """Each state, served from when it is first asked for."""
    with ExitStack() as stack:

        class Asked(dict[str, Served]):
            def __missing__(self, name: str) -> Served:
                folder = tmp_path_factory.mktemp(name.replace(" ", "-"))
                self[name] = stack.enter_context(STATES[name](folder))
                return self[name]

        yield Asked()


def opened(browser: Browser, served: Served, look: Look, *, width: int = 360) -> Page:
    """The sheet, on a phone that knows who reads it."""
    context = browser.new_context(
        viewport={"width": width, "height": 780}, base_url=served.address, locale="de-DE",
        timezone_id="Europe/Berlin",
    )  # fmt: skip
    context.add_cookies([{"name": "initials", "value": "mk", "url": served.address}])
    page = context.new_page()
    if look.post is None:
        answer = page.goto(look.address.replace("NOW", str(now_ms())))
    else:
        page.goto("/nowhere")
        answer = sent(page, look)
    assert answer is not None
    assert answer.status == look.status, look
    wait_for(partial(page.evaluate, "document.readyState === 'complete'"), what="the sheet")
    return page


def sent(page: Page, look: Look) -> Response | None:
    """The answer to a form that is refused."""
    with page.expect_navigation() as there:
        page.evaluate(
            """async ([to, fields]) => {
              fields.token = (await (await fetch("/session.json")).json()).token;
              const form = document.createElement("form");
              Object.assign(form, { method: "post", action: to });
              for (const [name, value] of Object.entries(fields)) {
                form.append(Object.assign(document.createElement("input"), { name, value }));
              }
              document.body.append(form);
              form.submit();
            }""",
            [look.address, dict(look.post or {})],
        )
    return there.value


def no_rule_is_broken(browser: Browser, served: Served, look: Look) -> None:
    """Run axe-core's rules over a sheet, at two widths, by day and by night."""
    page = opened(browser, served, look)
    try:
        for size, (width, height) in SIZES.items():
            page.set_viewport_size({"width": width, "height": height})
            # As high as all of it: what lies under the title block just now is small by that only.
            high = page.evaluate("document.documentElement.scrollHeight")
            page.set_viewport_size({"width": width, "height": high})
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)
                # By night only the colours are others.
                rules = RULES if scheme == "light" else ["color-contrast"]
                found = Axe().run(page, options={"runOnly": rules, "resultTypes": ["violations"]})
                told = [
                    (v["id"], [n["html"][:160] for n in v["nodes"][:3]])
                    for v in found.response["violations"]
                ]
                assert told == [], (look, size, scheme)
                shot(page, f"every-{look.name}-{size}-{scheme}")
    finally:
        page.context.close()


@BY_LOOK
def test_no_rule_of_axe_is_broken(browser: Browser, states: dict[str, Served], look: Look) -> None:
    no_rule_is_broken(browser, states[look.state], look)


@BY_LOOK
def test_it_can_be_read_and_hit_however_large_it_is_set(
    browser: Browser, states: dict[str, Served], look: Look
) -> None:
    page = opened(browser, states[look.state], look)
    try:
        for target in page.evaluate(TARGETS):  # 2.5.8, and 44 px for what matters
            if not target["inline"]:
                assert min(target["wide"], target["high"]) >= 24, target
            if target["strong"]:
                assert target["high"] >= 43.5, target
        assert page.evaluate(SMALLEST_LETTERING)[0] >= 11.99
        levels = page.eval_on_selector_all(
            "h1, h2, h3, h4",
            "all => all.filter(h => h.checkVisibility()).map(h => +h.localName[1])",
        )
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(b <= a + 1 for a, b in pairwise(levels)), levels
        page.set_viewport_size({"width": 320, "height": 256})  # 1.4.10: 1280 x 1024 at 400 %
        assert page.evaluate(WIDER) <= 0
        # A title block that stood at the foot of so low a window would leave nothing to read.
        assert page.locator("#sheet-list").evaluate("e => getComputedStyle(e).position") == "static"
        page.set_viewport_size({"width": 640, "height": 512})  # 200 %
        assert page.evaluate(WIDER) <= 0
        page.set_viewport_size({"width": 360, "height": 780})
        page.evaluate(
            """(css) => { const sheet = new CSSStyleSheet(); sheet.replaceSync(css);
              document.adoptedStyleSheets.push(sheet); }""",
            SPACED,
        )
        assert page.evaluate(WIDER) <= 0
        assert page.evaluate(CUT_OFF) == []
    finally:
        page.context.close()


FOCUSED = """() => {
  const e = document.activeElement;
  if (e === document.body) return null;
  const top = document.getElementById("sheet-list").getBoundingClientRect().top;
  const foot = e.closest("footer") ? innerHeight : Math.min(innerHeight, top);
  const box = e.getBoundingClientRect();
  const style = getComputedStyle(e);
  const ring = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) > 0;
  const hit = e.querySelector(":scope > .hit");
  const drawn = hit && getComputedStyle(hit).stroke !== "none";
  return { says: e.outerHTML.slice(0, 100), ring: Boolean(ring || drawn),
           seen: box.top < foot && box.bottom > 0 };
}"""
# The room round a probe leads where its own link does. One of a set of radio buttons is reached by
# Tab, and each part of a time.
STOPS = """() => {
  const seen = new Set();
  const stops = "a[href]:not([tabindex='-1']), button:not(:disabled), input:not([type=hidden]), "
    + "select, textarea, summary, [tabindex='0']";
  const once = (e) => e.type !== "radio" || (!seen.has(e.name) && seen.add(e.name));
  const found = [...document.querySelectorAll(stops)];
  return found.filter((e) => e.checkVisibility({ visibilityProperty: true })).filter(once).length;
}"""
PARTS_OF_TIMES = "8 * document.querySelectorAll('[type=datetime-local]').length"


@BY_LOOK
def test_a_keyboard_reaches_all_of_it_and_sees_where_it_is(
    browser: Browser, states: dict[str, Served], look: Look
) -> None:
    page = opened(browser, states[look.state], look)
    try:
        count = page.evaluate(STOPS)
        page.locator(".skip").focus()
        reached = 1
        # 2.1.1 and 2.1.2: all of it, and out again at the end
        for _ in range(count + page.evaluate(PARTS_OF_TIMES) + 5):
            page.keyboard.press("Tab")
            at = page.evaluate(FOCUSED)
            if at is None:
                break
            reached += 1
            assert at["ring"], at  # 2.4.7
            assert at["seen"], at  # 2.4.11
        else:
            pytest.fail("the keyboard does not come out of it again")
        assert reached >= count
    finally:
        page.context.close()


def test_a_state_is_looked_at_by_somebody() -> None:
    assert {look.state for look in LOOKS} == set(STATES)
    assert len({look.name for look in LOOKS}) == len(LOOKS)
    assert all(re.fullmatch(r"[\w-]+", look.name) for look in LOOKS)
