"""A reading by hand: tapped on the drawing, read blind, told afterwards, found again."""

import json
import re
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlencode

import pytest
from playwright.sync_api import Browser, Page, expect

from longsoak.core.handplaces import hand_readings, old_hole
from longsoak.core.handreadings import Place, Setting, Shown, hand_content, said_words
from longsoak.store.files import folder_of
from longsoak.store.logbook import Logbook
from longsoak.store.logbookrequests import written_in
from longsoak.store.writer import Batch
from longsoak.vocabulary.logbook import HAND, METER_CHECK, About, LogbookEntry, Subject
from longsoak_dashboards.view.hand import tapped
from pages.inbrowser import looks_well, page_of
from pages.lyingrig import lying_text
from pages.pagerig import DAY_MS, NOW_MS, Kept, keep
from pages.serving import Answer, Served, now_ms, serve
from pages.test_without_a_signal import WAITS
from photofiles import picture
from processes import running
from whole.thermorig import lay_out

pytestmark = pytest.mark.long

BAY = "plain lime"


def old(kept: Kept, *places: Place, round_name: str = "1") -> None:
    """Keep readings by hand of twenty days ago."""
    at_ms = now_ms() - 20 * DAY_MS
    setting = Setting(round=round_name, meter="pin meter 2", scale="spruce")
    last = Logbook(kept.folder).last()
    entries = []
    for number, place in enumerate(places, last + 1):
        content = hand_content(place, Shown(16.5, "%"), setting)
        entries.append(
            LogbookEntry(
                asked_utc_ms=at_ms,
                at_utc_ms=at_ms,
                by="wm",
                says=said_words(BAY, content),
                kind=HAND,
                subject=Subject(About.BAY, BAY),
                content=content,
                number=number,
                request=f"h{number}",
                kept_utc_ms=at_ms,
                kept_boottime_ms=at_ms - NOW_MS + 400 * DAY_MS,
                synchronised=True,
            )
        )
    kept.writer.commit(Batch(logbook=entries))


def tap(page: Page, bay: str, depth: float, height: float) -> None:
    """Tap a bay's drawing at a place, found through the drawing's own geometry."""
    over = page.locator(f".map[data-bay='{bay}'] .over")
    over.scroll_into_view_if_needed()
    x, y = over.evaluate(
        """(svg, [deep, high]) => {
          const up = Number(svg.dataset.height) - high;
          const at = new DOMPoint(deep, up).matrixTransform(svg.getScreenCTM());
          return [at.x, at.y];
        }""",
        [depth, height],
    )
    page.mouse.click(x, y)


def marked(page: Page, bay: str) -> tuple[float, float] | None:
    """Where the marker of a bay's drawing stands, mm: depth and height; None if it is hidden."""
    found: list[float] | None = page.locator(f".map[data-bay='{bay}']").evaluate(
        """(map) => {
          const place = map.querySelector("g.place");
          if (getComputedStyle(place).display === "none") return null;
          const { e, f } = place.transform.baseVal.consolidate().matrix;
          return [e, Number(map.querySelector(".over").dataset.height) - f];
        }"""
    )
    return None if found is None else (found[0], found[1])


def test_a_place_is_tapped_moved_by_arrow_keys_and_written(
    kept: Kept, served: Served, browser: Browser
) -> None:
    old(kept, Place(110, 150))
    with page_of(browser, served, size="phone") as page:
        page.goto("/hand?bay=plain+lime")
        depth, height = page.get_by_label("Deep, mm"), page.get_by_label("High, mm")
        assert marked(page, BAY) is None
        tap(page, BAY, 42.2, 118.9)
        expect(depth).to_have_value("40")
        expect(height).to_have_value("120")
        assert marked(page, BAY) == (40, 120)
        drawing = page.get_by_role("application", name=re.compile("Section of plain lime"))
        drawing.focus()
        for key in ("ArrowUp", "ArrowRight", "Shift+ArrowDown", "Shift+ArrowLeft"):
            page.keyboard.press(key)
        expect(depth).to_have_value("44")
        expect(height).to_have_value("124")
        expect(page.locator(".map.chosen [role=status]")).to_have_text("44 mm deep, 124 mm high")
        depth.fill("12,5")
        assert marked(page, BAY) == (12.5, 124)
        for _ in range(4):
            drawing.press("ArrowLeft")
        expect(depth).to_have_value("0")  # it stops at the face
        tap(page, BAY, 105, 160)
        near = page.locator("#near")
        expect(near).to_have_text(
            "This place is 11 mm from the hole of round 1. A hole changes the wood around it: keep "
            "20 mm off old ones."
        )
        height.fill("500")
        expect(near).to_have_text("That is outside: plain lime is 240 mm thick and 420 mm high.")
        assert marked(page, BAY) is None
        page.get_by_role("link", name="cork-lime").click()
        expect(page.get_by_label("Bay", exact=True)).to_have_value("cork-lime")
        expect(page.locator(".map:visible")).to_have_count(1)
        tap(page, "cork-lime", 30, 60)
        assert marked(page, "cork-lime") == (30, 60)
        looks_well(page, "hand")
        page.set_viewport_size({"width": 1300, "height": 900})
        expect(page.locator(".map:visible")).to_have_count(2)
        tap(page, BAY, 200, 300)  # the other bay's drawing chooses that bay
        expect(page.get_by_label("Bay", exact=True)).to_have_value(BAY)
        assert (marked(page, "cork-lime"), marked(page, BAY)) == (None, (200, 300))


def test_the_script_and_the_terminal_warn_of_the_same_holes(
    kept: Kept, served: Served, browser: Browser
) -> None:
    """The rule stands twice, in core and in the browser: both judge the same places alike."""
    old(kept, Place(80, 170), Place(100, 70, 700))
    old(kept, Place(160, 250), round_name="7")
    holes = hand_readings(Logbook(kept.folder).entries())
    places = [
        (depth, height, across, name)
        for depth in (70, 80, 95, 160)
        for height in (70, 160, 170, 250)
        for across in ("", "700", "900")
        for name in ("1", "7")
    ]
    with page_of(browser, served, size="desk") as page:
        page.goto("/hand?bay=plain+lime")
        said = page.evaluate(
            """(places) => places.map(([depth, height, across, round]) => {
              const field = (name) => document.querySelector(`#h-${name}`);
              const fields = Object.entries({ depth, height, across, round });
              for (const [name, value] of fields) field(name).value = value;
              field("depth").dispatchEvent(new Event("input", { bubbles: true }));
              return document.querySelector("#near").textContent;
            })""",
            places,
        )
    for (depth, height, across, name), words in zip(places, said, strict=True):
        place = Place(depth, height, float(across) if across else None)
        expected = old_hole(place, BAY, name, holes)
        start = "" if expected is None else f"This place is {expected.partition(' at ')[0]}"
        assert words.startswith(start), (place, name)
        assert bool(words) == (expected is not None), (place, name)


def test_a_round_is_read_on_a_phone_place_by_place_and_told_afterwards(
    tmp_path: Path, browser: Browser
) -> None:
    rig_file = lay_out(tmp_path / "rig")
    photo = tmp_path / "place.jpg"
    photo.write_bytes(picture(600, 400))
    with running(rig_file) as run:
        run.says("recording")
        with serve(rig_file) as served, page_of(browser, served, size="phone", refused=1) as page:
            page.goto("/hand")
            tap(page, "panel", 45, 120)
            page.get_by_label("The meter shows").fill("17,5")
            page.get_by_label("Which meter").fill("pin meter 2")
            page.get_by_label("Your initials").fill("mk")
            page.get_by_role("button", name="Keep the reading").click()
            expect(page.locator("#told")).to_contain_text("A value in % is one of a scale")
            expect(page.get_by_label("Deep, mm")).to_have_value("45")
            page.get_by_label("The species, group or material").fill("spruce")
            page.get_by_label("The two pins stand").select_option("across the grain")
            page.get_by_role("button", name="Keep the reading").click()
            expect(page.locator("#told")).to_contain_text("Kept as number 1, of ")
            # The next place of the round: the meter stays, place and value are empty.
            expect(page.get_by_label("The meter shows")).to_have_value("")
            expect(page.get_by_label("Deep, mm")).to_have_value("")
            expect(page.get_by_text("Round 1, pin meter 2, set to spruce")).to_be_visible()
            tap(page, "panel", 50, 135)
            expect(page.locator("#near")).to_contain_text("16 mm from the hole of round 1")
            page.get_by_label("The meter shows").fill(">60")
            page.get_by_text("Photos, a note").click()
            page.get_by_label("Photos").set_input_files(photo)
            page.get_by_label("Note").fill("Water in the hole")
            page.get_by_role("button", name="Keep the reading").click()
            expect(page.locator("#told")).to_contain_text("Kept as number 2, of ")
            expect(page.locator("#told")).to_contain_text("It is 16 mm from the hole of round 1")
            expect(page.locator(".over .hole")).to_have_count(2)
            page.get_by_role("link", name="All readings by hand").click()
            entry = page.locator("#entry-2")
            expect(entry).to_contain_text("reading by hand")
            expect(entry).to_contain_text(
                "50 mm deep, 135 mm high: at least 60 % on the scale for spruce, pin meter 2, "
                "round 1."
            )
            entry.get_by_role("img").scroll_into_view_if_needed()  # it is fetched no sooner
            expect(entry.get_by_role("img")).to_have_js_property("naturalWidth", 320)
            page.get_by_role("link", name="Correct entry 2").click()
            expect(page.get_by_label("The meter shows")).to_have_value(">60")
            page.get_by_label("High, mm").fill("140")
            page.get_by_role("button", name="Keep the reading").click()
            expect(page.locator("#told")).to_contain_text("Kept as number 3, of ")
        assert run.stop() == 0
    second, third = (Logbook(folder_of(rig_file)).entry(number) for number in (2, 3))
    assert second is not None
    assert third is not None
    assert (third.corrects, third.at_utc_ms) == (2, second.at_utc_ms)
    assert second.content["grain"] == "across"
    found = hand_readings(Logbook(folder_of(rig_file)).entries())
    assert [(r.number, r.place.height) for r in found] == [(1, 120), (3, 140)]


def test_without_scripts_a_click_on_the_drawing_fills_in_the_place(
    kept: Kept, served: Served, browser: Browser
) -> None:
    old(kept, Place(80, 170))
    context = browser.new_context(
        java_script_enabled=False, base_url=served.address, viewport={"width": 360, "height": 780}
    )
    page = context.new_page()
    page.goto("/hand?bay=plain+lime")
    picked = page.get_by_role("button", name="Choose a place in plain lime")
    over, image = page.locator(".chosen .over").bounding_box(), picked.bounding_box()
    assert over is not None
    assert image is not None
    assert all(abs(over[side] - image[side]) < 1 for side in ("x", "y", "width", "height"))
    # By the drawing's own extent, 328 pixels wide: where 90 mm deep and 170 mm high lie on it.
    left, top, wide, _ = map(
        float, (page.locator(".chosen .over").get_attribute("viewBox") or "").split()
    )
    scale = 328 / wide
    picked.click(position={"x": (90 - left) * scale, "y": (420 - 170 - top) * scale})
    expect(page.get_by_label("Deep, mm")).to_have_value("90")
    expect(page.get_by_label("High, mm")).to_have_value("170")
    expect(page.get_by_text("This place is 10 mm from the hole of round 1")).to_be_visible()
    page.get_by_label("The meter shows").fill("18")
    page.get_by_label("Which meter").fill("m")
    page.get_by_label("The species, group or material").fill("spruce")
    page.get_by_label("Your initials").fill("mk")
    page.get_by_role("button", name="Keep the reading").click()
    expect(page.get_by_text("Asked; it is kept within a second.")).to_be_visible()
    (request,) = kept.inbox.waiting()
    body = json.loads(request.body)
    assert (body["content"]["depth_mm"], body["content"]["height_mm"]) == (90, 170)
    assert (request.subject, body["kind"]) == (BAY, HAND)
    context.close()


def test_the_sheet_shows_no_value_that_the_rig_or_anybody_read(kept: Kept, served: Served) -> None:
    old(kept, Place(80, 170))
    html = served.get("/hand?bay=plain+lime").text
    work = html.partition("<main")[2].partition("</main>")[0]
    words = re.sub(r"<[^>]*>", " ", re.sub(r"<(svg|script)\b.*?</\1>", " ", work, flags=re.DOTALL))
    assert "16.5" not in work
    section = served.get("/").text
    shown = set(re.findall(r"\b\d\d\.\d\b", re.sub(r"<[^>]*>", " ", section)))
    assert len(shown) > 10, "the section sheet shows what is read"
    drawn = re.sub(r"<[^>]*>", " ", "".join(re.findall(r"<text.*?</text>", work, re.DOTALL)))
    assert not shown & set(re.findall(r"\b\d\d\.\d\b", f"{words} {drawn}"))


def told_values(html: str) -> set[str]:
    """Figures with one decimal, as moisture contents are told, among a sheet's words."""
    work = html.partition("<main")[2].partition("</main>")[0]
    plain = re.sub(r"<[^>]*>", " ", re.sub(r"<script\b.*?</script>", " ", work, flags=re.DOTALL))
    return set(re.findall(r"\b\d\d\.\d\b", plain))


def test_no_value_that_the_rig_reads_is_told_with_a_refusal_or_once_a_reading_is_kept(
    kept: Kept, served: Served
) -> None:
    """The next place of the round is read blind as well."""
    read = told_values(served.get("/").text)
    assert len(read) > 10, "the section sheet shows what is read"
    said = {
        "bay": BAY, "depth": "90", "height": "185", "value": "99.9", "unit": "%", "round": "1",
        "meter": "m", "scale": "spruce", "by": "mk",
    }  # fmt: skip
    refused = send(served, said | {"depth": "300"})
    assert refused.status == 400
    assert not told_values(refused.text) & read
    asked = send(served, said)
    assert asked.status == 303
    (request,) = kept.inbox.waiting()
    now = now_ms()
    entry = replace(
        written_in(request), number=1, request=request.uuid, kept_utc_ms=now,
        kept_boottime_ms=now - NOW_MS + 400 * DAY_MS, synchronised=True,
    )  # fmt: skip
    kept.writer.commit(Batch(requests=[(request, now, "kept as number 1")], logbook=[entry]))
    told = served.get(f"/hand?asked={request.uuid}&since={now}").text
    assert "The nearest pins are plain lime 90/160, 25 mm away." in told
    assert not told_values(told) & read


def test_a_hole_is_used_once_unless_it_is_on_purpose(kept: Kept, served: Served) -> None:
    old(kept, Place(90, 250))
    said = {
        "bay": BAY, "depth": "92", "height": "253", "value": "17", "unit": "%", "round": "2",
        "meter": "m", "scale": "spruce", "by": "mk", "pins": "bare",
    }  # fmt: skip
    refused = send(served, said)
    assert refused.status == 400
    assert "is 4 mm from the hole of round 1" in refused.text
    assert "an old one again, on purpose" in refused.text
    assert kept.inbox.waiting() == []
    assert send(served, said | {"same_hole": "yes"}).status == 303
    (request,) = kept.inbox.waiting()
    assert json.loads(request.body)["content"]["same_hole"] is True


def test_a_meter_is_checked_on_its_block_by_the_sheet(
    kept: Kept, served: Served, browser: Browser
) -> None:
    with page_of(browser, served, size="phone", refused=1) as page:
        page.goto("/hand")
        page.get_by_text("Check the meter on a test block").click()
        page.get_by_label("The block should show").fill("18")
        page.get_by_label("Shown on the block").fill("damp")
        page.get_by_label("The meter that was checked").fill("pin meter 2")
        page.get_by_label("Who checked it").fill("mk")
        page.get_by_role("button", name="Keep the check").click()
        expect(page.locator("#told")).to_contain_text("is nothing a meter shows")
        expect(page.get_by_label("The block should show")).to_have_value("18")
        page.get_by_label("Shown on the block").fill("18,4")
        page.get_by_role("button", name="Keep the check").click()
        expect(page.locator("#told")).to_contain_text("Asked; it is kept within a second.")
    (request,) = kept.inbox.waiting()
    entry = written_in(request)
    assert entry.kind == METER_CHECK
    assert entry.says == "Test block of 18 %: pin meter 2 shows 18.4 %, before round 1."
    now = now_ms()
    whole = replace(
        entry, number=1, kept_utc_ms=now, kept_boottime_ms=0, synchronised=True,
    )  # fmt: skip
    kept.writer.commit(Batch(requests=[(request, now, "kept as number 1")], logbook=[whole]))
    told = re.sub(r"\s+", " ", served.get("/hand").text)
    assert "pin meter 2: 0.4 % over the 18 % of the block before the round." in told
    listed = served.get("/logbook?kind=meter+check").text
    assert "Test block of 18 %" in listed


def send(served: Served, said: dict[str, str]) -> Answer:
    """Send the form as a browser does."""
    parts = [
        f'--edge\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
        for name, value in said.items()
    ]
    body = "".join([*parts, "--edge--\r\n"]).encode()
    return served.send("/hand", body, Content_Type="multipart/form-data; boundary=edge")


def test_it_stands_on_the_sheet_of_the_probe_beside_it(kept: Kept, served: Served) -> None:
    old(kept, Place(85, 170), Place(90, 250))
    text = re.sub(
        r"\s+", " ", re.sub(r"<[^>]*>", " ", served.get("/probe/plain%20lime%2090%2F160").text)
    )
    assert "Read by hand" in text
    assert "by hand, 11 mm away pin meter 2 set to spruce, round 1" in text
    assert text.count("mm away") == 1
    assert "Read by hand" not in served.get("/probe/plain%20lime%2030%2F60").text


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"depth": ""}, "Say where: tap the drawing"),
        ({"value": ""}, "Write what the meter shows."),
        ({"value": "wet"}, "is nothing a meter shows, expected for example 17.5"),
        ({"depth": "300"}, "300 mm from the wet face is outside: plain lime is 240 mm thick."),
        ({"depth": "deep"}, "is no number of mm for the depth, expected for example 7.5"),
        ({"bay": "stone"}, "There is no bay"),
        ({"meter": ""}, "Say which meter"),
        ({"round": ""}, "belongs to a round"),
        ({"by": ""}, "Say who you are"),
        ({"at": "2099-01-01T10:00"}, "is yet to come"),
        ({"wood_temperature": "99"}, "The wood temperature is -40 to 80"),
        ({"corrects": "77"}, "There is no entry 77 to correct"),
    ],
)
def test_what_can_not_be_is_shown_again_with_why(
    kept: Kept, served: Served, changes: dict[str, str], says: str
) -> None:
    said = {
        "bay": BAY,
        "depth": "30",
        "height": "60",
        "value": "17.5",
        "unit": "%",
        "round": "1",
        "meter": "m",
        "scale": "spruce <b>",
        "by": "mk",
    }
    answer = send(served, said | changes)
    assert (answer.status, says in answer.text) == (400, True), answer.text[:3000]
    assert 'value="spruce &lt;b&gt;"' in answer.text
    assert kept.inbox.waiting() == []


def test_an_address_somebody_made_up_shows_the_sheet(served: Served) -> None:
    for query in (
        {"bay": "x", "at.x": "9", "at.y": "9"},
        {"bay": BAY, "at.x": "-1", "at.y": "a"},
        {"bay": BAY, "at.x": "99999", "at.y": "99999"},
        {"depth": "x", "height": "<b>"},
        {"corrects": "9"},
        {"asked": "u", "since": "3"},
    ):
        assert served.get(f"/hand?{urlencode(query)}").status == 200
    assert served.get("/hand", Cookie="meter=%7Bno").status == 200
    assert served.get("/hand", Cookie="meter=%5B1%5D").status == 200


def test_a_round_without_a_signal_waits_and_keeps_its_meter_and_the_times_it_was_read(
    kept: Kept, served: Served, browser: Browser
) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, base_url=served.address)
    page = context.new_page()
    page.goto("/hand?bay=plain+lime")
    page.get_by_label("Which meter").fill("pin meter 2")
    page.get_by_label("The species, group or material").fill("spruce")
    page.get_by_label("Your initials").fill("mk")
    context.set_offline(True)
    before = now_ms()
    for depth, value in ((30, "17,5"), (90, "12")):
        tap(page, BAY, depth, 120)
        page.get_by_label("The meter shows").fill(value)
        page.get_by_role("button", name="Keep the reading").click()
        expect(page.get_by_label("The meter shows")).to_have_value("")
        expect(page.get_by_label("Which meter")).to_have_value("pin meter 2")
        expect(page.get_by_label("Bay", exact=True)).to_have_value(BAY)
        assert marked(page, BAY) is None
    expect(page.locator(WAITS)).to_contain_text("2 entries wait here")
    written = now_ms()
    page.wait_for_timeout(1200)  # the time that it waits has to be taken off again
    context.set_offline(False)
    expect(page.locator(WAITS)).to_be_hidden(timeout=15_000)
    bodies = [json.loads(request.body) for request in kept.inbox.waiting()]
    assert [body["content"]["value"] for body in bodies] == [17.5, 12]
    assert [body["content"]["depth_mm"] for body in bodies] == [30, 90]
    assert {body["content"]["meter"] for body in bodies} == {"pin meter 2"}
    assert before - 200 <= bodies[0]["at"] <= bodies[1]["at"] <= written + 200
    context.close()


@pytest.mark.parametrize(("face", "depth"), [("underside", 140), ("top", 60)])
def test_of_one_that_lies_a_tap_says_across_and_the_depth_that_goes_with_its_height(
    tmp_path: Path, browser: Browser, face: str, depth: float
) -> None:
    now = now_ms()
    kept = keep(tmp_path / "rig", text=lying_text(face), times=[now - 1000], now_ms=now)
    with serve(kept.rig_file) as served, page_of(browser, served, size="phone") as page:
        page.goto("/hand?bay=right")
        tap(page, "right", 151, 141)
        expect(page.get_by_label("Deep, mm")).to_have_value(f"{depth}")
        expect(page.get_by_label("High, mm")).to_have_value("140")
        expect(page.locator("[name=across]")).to_have_value("750")  # the bay begins at 600
        assert marked(page, "right") == (150, 140)
        page.get_by_role("application", name=re.compile("Section of right")).press("ArrowRight")
        expect(page.locator("[name=across]")).to_have_value("755")
        expect(page.get_by_label("Deep, mm")).to_have_value(f"{depth}")
        left, top, wide, _ = map(
            float, (page.locator(".chosen .over").get_attribute("viewBox") or "").split()
        )
    kept.close()
    clicked = {  # in pixels of the drawing, 328 of them wide, as a browser without scripts sends it
        "bay": "right",
        "at.x": str(round((150 - left) * 328 / wide)),
        "at.y": str(round((60 - top) * 328 / wide)),
    }
    place = {"depth": f"{depth}", "height": "140", "across": "750"}
    assert tapped(clicked, kept.rig) == place
