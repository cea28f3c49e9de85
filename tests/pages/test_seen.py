"""What is seen: written on a phone, set right, looked at again, and held beside what was."""

import json
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, expect

from longsoak.core.gradescales import G21
from longsoak.store.files import folder_of
from longsoak.store.logbook import Logbook
from longsoak.vocabulary.logbook import OBSERVATION
from pages.inbrowser import looks_well, page_of
from pages.lookedat import looks
from pages.pagerig import Kept
from pages.serving import Answer, Served, serve
from pages.test_logbook import asked
from photofiles import picture
from processes import running
from whole.thermorig import lay_out

pytestmark = pytest.mark.long

GROWTH = "1 growth | ASTM G21"


def test_what_is_seen_is_written_on_a_phone_and_a_place_looked_at_again(
    tmp_path: Path, browser: Browser
) -> None:
    rig_file = lay_out(tmp_path / "rig")
    photo = tmp_path / "foot.jpg"
    photo.write_bytes(picture(900, 600))
    with running(rig_file) as run:
        run.says("recording")
        with serve(rig_file) as served, page_of(browser, served, size="phone") as page:
            page.goto("/logbook")
            page.get_by_text("What you see", exact=True).click()
            form = page.locator("#see")
            expect(form).to_contain_text("Wet specimens may grow mould")
            form.get_by_label("What you see, and how much").select_option(GROWTH)
            form.get_by_label("From, mm").fill("0")
            form.get_by_label("Up to, mm").fill("60")
            form.get_by_label("In your words").fill("Grey tufts")
            form.get_by_label("Pictures of it").set_input_files(photo)
            form.get_by_label("Initials").fill("mk")
            button = form.get_by_role("button", name="Keep what you see")
            box = button.bounding_box()
            assert box is not None
            assert (box["height"] >= 44, box["width"] >= 200) == (True, True)
            looks_well(page, "logbook-see")
            button.click()
            expect(page.locator("#told")).to_contain_text("Kept as number 1")
            expect(page.locator("#entry-1")).to_contain_text(
                "Growth, panel, dry face, 0 to 60 mm high: grade 1 of 4 by ASTM G21"
            )
            page.get_by_role("link", name="Correct entry 1").click()
            expect(page.get_by_role("heading", name="Take entry 1 away")).to_be_attached()
            form = page.locator("#see")
            expect(form).to_contain_text("Set observation 1 right")
            expect(form.get_by_label("What you see, and how much")).to_have_value(GROWTH)
            form.get_by_label("What you see, and how much").select_option("2 growth | ASTM G21")
            form.get_by_role("button", name="Keep what you see").click()
            expect(page.locator("#entry-2")).to_contain_text("Corrects entry 1")
            page.locator("#entry-2").get_by_role("link", name="This place over time").click()
            expect(page.get_by_text("One look at one place")).to_be_visible()
            page.get_by_role("link", name="Look here again: Growth: panel").click()
            form = page.locator("#see")
            expect(form.get_by_label("Up to, mm")).to_have_value("60")
            expect(form.get_by_label("What you see, and how much")).to_have_value("")
            assert "staining" not in form.inner_text()
        assert run.stop() == 0
    newest = Logbook(folder_of(rig_file)).entries()[0]
    assert (newest.kind, newest.corrects, newest.content["grade"]) == (OBSERVATION, 1, 2)


def test_looks_at_one_place_stand_side_by_side_in_the_order_of_time(
    kept: Kept, served: Served, browser: Browser
) -> None:
    looks(kept)
    with page_of(browser, served, size="phone") as page:
        page.goto("/logbook/seen")
        first = page.get_by_role("group", name="Growth: plain lime, dry face, 0 to 120 mm high")
        words = first.get_by_role("listitem").all_inner_texts()
        assert ["Clean" in text for text in words] == [True, True, False, False]
        lefts = [box["x"] for e in first.get_by_role("listitem").all() if (box := e.bounding_box())]
        assert lefts == sorted(lefts)
        assert len(set(lefts)) == 4
        tops = {box["y"] for e in first.get_by_role("listitem").all() if (box := e.bounding_box())}
        assert len(tops) == 1
        expect(page.get_by_text("It came between")).to_be_visible()
        expect(page.get_by_text("From grade 1 to 3 since.")).to_be_visible()
        expect(page.get_by_text("The photo is no longer beside the record")).to_be_visible()
        first.focus()
        page.keyboard.press("End")
        assert Axe().run(page).response["violations"] == []
        looks_well(page, "seen")
        page.get_by_role("link", name="Write down what you see").click()
        expect(page.locator("#see")).to_have_attribute("open", "")
        page.go_back()
        page.get_by_label("What was looked for").select_option("salt bloom")
        page.get_by_role("button", name="Show these").click()
        expect(page.get_by_role("group")).to_have_count(1)
        expect(page.get_by_text("One look at one place")).to_be_visible()


def sent(served: Served, fields: dict[str, str]) -> Answer:
    """The answer to the form as a browser sends it."""
    parts = (
        f'--edge\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
        for name, value in fields.items()
    )
    body = f"{''.join(parts)}--edge--\r\n".encode()
    return served.send("/logbook/seen", body, Content_Type="multipart/form-data; boundary=edge")


def test_what_can_not_be_kept_is_shown_again_in_its_form(kept: Kept, served: Served) -> None:
    said = {
        "seen": GROWTH, "bay": "plain lime", "face": "dry", "text": "Tufts", "by": "mk",
        "what": "see", "of": "observation", "once": "a",
    }  # fmt: skip
    for changes, says in (
        ({"seen": ""}, "Choose what you see and how much of it."),
        ({"seen": "9 growth | ASTM G21"}, "Choose what you see and how much of it."),
        ({"depth": "20"}, "A face has no depth: say that it was laid open"),
        ({"face": "open"}, "on a face, or at a depth that was laid open: tell one of them"),
        ({"face": "north"}, "The face of an observation is one of dry, wet"),
        ({"low": "30"}, "tell both, or neither for all of it"),
        ({"high": "wide"}, "is no upper end, in mm"),
        ({"low": "0", "high": "421"}, "the specimen is 420 mm high"),
        ({"extent": "200"}, "0 to 100 %, or left out, not 200"),
        ({"text": ""}, "Write what there is to say"),
        ({"by": ""}, "Say who you are"),
    ):
        answer = sent(served, said | changes)
        assert (answer.status, says in answer.text) == (400, True), (changes, says)
        assert '<details id="see" open' in answer.text
    assert asked(kept) == 0
    assert sent(served, said).status == 303
    (request,) = kept.inbox.waiting()
    body = json.loads(request.body)
    assert (body["kind"], body["content"]["word"]) == (OBSERVATION, G21.words[1])
