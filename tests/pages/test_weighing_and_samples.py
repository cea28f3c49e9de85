"""Weighings and samples: written on a phone, completed, set right, and refused as by commands."""

import json
from html import unescape
from pathlib import Path
from urllib.parse import urlencode

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Locator, Page, expect

from longsoak.core.samples import samples
from longsoak.core.weighings import CAUTION, weighings
from longsoak.store.files import folder_of
from longsoak.store.logbook import Logbook
from longsoak.vocabulary.logbook import SAMPLE, WEIGHING
from pages.inbrowser import looks_well, page_of
from pages.pagerig import Kept
from pages.serving import Answer, Served, now_ms, serve
from pages.test_logbook import asked
from pages.weighedrig import DRY, WEIGHED, WET, weighed
from processes import longsoak, running
from sheets.test_every_sheet import TARGETS
from whole.thermorig import lay_out

pytestmark = pytest.mark.long

ROUND = {
    "what": "weighed", "text": "By the hoist", "by": "mk", "scale": "hoist", "reading1": "812,4",
    "reading2": "812.6", "reading3": "812.5", "drained_min": "20", "once": "a",
}  # fmt: skip
CUT = {
    "what": "cut", "identity": "K2", "bay": "plain lime", "depth_from_mm": "60",
    "depth_to_mm": "80", "height_mm": "120", "material": "wood", "dry_cut": "dry",
    "sealed": "yes", "minutes": "4", "wet_g": "152,30", "by": "mk", "once": "a",
}  # fmt: skip


def filled(form: Locator, **fields: str) -> None:
    """Fill fields in by their label."""
    for label, words in fields.items():
        form.get_by_label(label.replace("_", " "), exact=True).fill(words)


def test_the_specimen_is_weighed_on_a_phone_and_the_weighing_set_right(
    tmp_path: Path, browser: Browser
) -> None:
    rig_file = lay_out(tmp_path / "rig")
    with running(rig_file) as run:
        run.says("recording")
        with serve(rig_file) as served, page_of(browser, served, size="phone", refused=1) as page:
            page.goto("/logbook")
            page.get_by_text("The specimen on a scale", exact=True).click()
            form = page.locator("#weighed")
            expect(form).to_contain_text(CAUTION)
            expect(form).to_contain_text('open one under "Work at the rig" before it is lifted')
            filled(form, Which_scale="hoist", First="812,4", Second="812.6", Third="812.5")
            filled(form, Minutes_it_drained="20", How_it_was_lifted_and_weighed="By the hoist")
            form.get_by_label("Gear that hangs with it").fill("900")
            filled(form, Initials="mk")
            looks_well(page, "logbook-weighed")
            form.get_by_role("button", name="Keep the weighing").click()
            expect(page.locator("#told")).to_contain_text(
                "Tare and gear weigh more than what hung on the scale: look at the numbers."
            )
            expect(form.get_by_label("First")).to_have_value("812,4")
            form.get_by_label("Gear that hangs with it").fill("14,2")
            form.get_by_role("button", name="Keep the weighing").click()
            expect(page.locator("#told")).to_contain_text("Kept as number 1, of ")
            expect(page.locator("#told")).to_contain_text("No service window is open")
            expect(page.locator("#entry-1")).to_contain_text("weighing of the specimen")
            expect(page.locator("#entry-1")).to_contain_text(
                "798.30 ± 0.25 kg, pump off, drained 20 min."
            )
            expect(form).to_contain_text("The last time it was weighed on hoist, with 14.2 kg of")
            assert "798" not in str(form.text_content())  # so that nobody leans towards it
            page.get_by_role("link", name="Correct entry 1").click()
            expect(page.get_by_role("heading", name="Take entry 1 away")).to_be_attached()
            expect(form).to_contain_text("Set weighing 1 right")
            form.get_by_text("More readings, moved gear").click()
            form.get_by_label("Further readings").fill("812,7; 812,3")
            form.get_by_label("The pump meanwhile").select_option("ran")
            form.get_by_role("button", name="It weighed this").click()
            expect(page.locator("#entry-2")).to_contain_text("Corrects entry 1")
            expect(page.locator("#entry-2")).to_contain_text("pump on")
        assert run.stop() == 0
    second, first = Logbook(folder_of(rig_file)).entries()
    assert (second.at_utc_ms, second.corrects) == (first.at_utc_ms, 1)
    (found,) = weighings([first, second])
    assert found.readings == (812.4, 812.6, 812.5, 812.7, 812.3)
    assert (found.gear, found.pump_off, found.says) == (14.2, False, "By the hoist")


def test_a_sample_is_written_wet_and_completed_once_it_is_dry(
    tmp_path: Path, browser: Browser
) -> None:
    rig_file = lay_out(tmp_path / "rig")
    with running(rig_file) as run:
        run.says("recording")
        with serve(rig_file) as served, page_of(browser, served, size="phone", refused=1) as page:
            page.goto("/logbook")
            expect(page.locator("#dried")).to_have_count(0)
            page.get_by_text("A sample cut out", exact=True).click()
            form = page.locator("#cut")
            expect(form).to_contain_text("Keep off wires and pipes when you cut.")
            form.get_by_label("Its identity").fill("K1")
            filled(form, From="60", To="800", Minutes_until_the_balance="4", Initials="mk")
            form.get_by_label("How high").fill("120")
            form.get_by_label("What it is of").select_option("wood")
            form.get_by_label("It was cut", exact=True).select_option("dry")
            form.get_by_label("Sealed at once").select_option("yes")
            form.get_by_label("As it was, g").fill("152,30")
            looks_well(page, "logbook-cut")
            form.get_by_role("button", name="Keep the sample").click()
            expect(page.locator("#told")).to_contain_text("800 mm from the wet face is outside")
            expect(form.get_by_label("It was cut", exact=True)).to_have_value("dry")
            filled(form, To="80")
            form.get_by_role("button", name="Keep the sample").click()
            expect(page.locator("#told")).to_contain_text("Kept as number 1, of ")
            expect(page.locator("#entry-1")).to_contain_text("sample cut out")
            expect(page.locator("#entry-1")).to_contain_text("152.3 g wet, not dried yet.")
            page.get_by_text("A sample dried", exact=True).click()
            form = page.locator("#dried")
            expect(form.get_by_label("Which sample")).to_have_value("1")
            form.get_by_label("Oven, °C").fill("103")
            form.get_by_label("Dry, g").fill("128,45")
            form.get_by_label("Standard uncertainty").fill("0,01")
            filled(form, Initials="mk")
            looks_well(page, "logbook-dried")
            form.get_by_role("button", name="Complete the sample").click()
            expect(page.locator("#entry-2")).to_contain_text("Corrects entry 1")
            expect(page.locator("#entry-2")).to_contain_text(
                "moisture in % of the dry mass: 18.57 ± 0.02."
            )
            page.get_by_text("A sample dried", exact=True).click()
            expect(page.get_by_label("Which sample")).to_contain_text("K1, panel, dried")
            page.get_by_role("link", name="Correct entry 2").click()
            form = page.locator("#cut")
            expect(form).to_contain_text("Set sample 2 right")
            expect(form.get_by_label("Oven, °C")).to_have_value("103")
            expect(form.get_by_label("Sealed at once")).to_have_value("yes")
            form.get_by_label("Standard uncertainty").fill("")
            form.get_by_label("How high").fill("125")
            form.get_by_role("button", name="It was cut so").click()
            expect(page.locator("#entry-3")).to_contain_text("Corrects entry 2")
        assert run.stop() == 0
    entries = Logbook(folder_of(rig_file)).entries()
    assert len({entry.at_utc_ms for entry in entries}) == 1  # of when it was cut
    (found,) = samples(entries)
    assert (found.number, found.height, found.wet, found.dry) == (3, 125.0, 152.3, 128.45)
    assert found.balance is None  # what a form leaves empty is taken away


def weigh(served: Served, fields: dict[str, str]) -> Answer:
    """The answer to the form as a browser sends it."""
    parts = (
        f'--edge\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
        for name, value in fields.items()
    )
    body = f"{''.join(parts)}--edge--\r\n".encode()
    kind = "multipart/form-data; boundary=edge"
    return served.send("/logbook/weighing", body, Content_Type=kind)


def sample(served: Served, fields: dict[str, str]) -> Answer:
    """The answer to the form as a browser sends it."""
    return served.send("/logbook/sample", urlencode(fields).encode())


def test_a_weighing_that_can_not_be_kept_is_shown_again_with_why(
    kept: Kept, served: Served
) -> None:
    for changes, says in (
        ({"reading3": ""}, "A weighing has 3 readings or more: lift it anew and read again."),
        ({"reading3": "1,500"}, "'1,500' is 1.5 to some and 1500 to others."),
        ({"reading3": "heavy"}, "'heavy' is no mass in kg"),
        ({"readings": "812 kg"}, "'812 kg' is no mass in kg"),
        ({"reading1": "30000"}, "A reading of a scale is 0 to 20000 kg"),
        ({"scale": ""}, "Say which scale, in a line of up to 120 characters."),
        ({"drained_min": ""}, "Say for how many minutes it drained."),
        ({"drained_min": "2000"}, "It drained for 0 to 1440 minutes before"),
        ({"tare_kg": "-1"}, "The tare is 0 to 20000 kg"),
        ({"gear_kg": "813"}, "Tare and gear weigh more than what hung on the scale"),
        ({"text": ""}, "Write what there is to say"),
        ({"by": ""}, "Say who you are"),
        ({"corrects": "9" * 30}, "is no entry's number."),
    ):
        answer = weigh(served, ROUND | changes)
        text = unescape(answer.text)
        assert (answer.status, says in text) == (400, True), (changes, says)
        assert '<details id="weighed" open' in text
        assert 'name="reading2" value="812.6"' in text
    assert asked(kept) == 0
    twice = [weigh(served, ROUND | {"offset_kg": "-0,5", "pump": "ran"}) for _ in range(2)]
    assert [answer.status for answer in twice] == [303, 303]
    (request,) = kept.inbox.waiting()
    body = json.loads(request.body)
    assert (body["kind"], body["says"]) == (WEIGHING, "By the hoist")
    assert body["content"] == {
        "readings_kg": [812.4, 812.6, 812.5], "scale": "hoist", "tare_kg": 0.0, "gear_kg": 0.0,
        "offset_kg": -0.5, "pump_off": False, "drained_min": 20.0,
    }  # fmt: skip


def test_a_sample_that_can_not_be_kept_is_shown_again_with_why(kept: Kept, served: Served) -> None:
    first = weighed(kept)
    dried = {"what": "dried", "completes": str(first + 1), "by": "mk", "once": "a"}
    for said, changes, says in (
        (CUT, {"identity": "", "wet_g": ""}, "also needs its identity, its mass as it was."),
        (CUT, {"depth_to_mm": "", "sealed": ""}, "its depth, from and to, whether it was sealed"),
        (CUT, {"dry_cut": "", "corrects": str(first)}, f"Entry {first} is no sample to complete."),
        (CUT, {"dry_cut": "", "corrects": str(first + 1)}, "it was cut dry or wet. Nothing"),
        (CUT, {"identity": "K1"}, "is a sample 'K1' already: give this one another identity"),
        (CUT, {"bay": "stone"}, "There is no bay 'stone' on this rig."),
        (CUT, {"material": "stone"}, "The material of a sample is one of wood, gypsum, lime"),
        (CUT, {"depth_from_mm": "90"}, "reaches from one depth to a larger one, not from 90 to 80"),
        (CUT, {"depth_to_mm": "999"}, "999 mm from the wet face is outside"),
        (CUT, {"oven": "103"}, "A dry mass and the oven's temperature belong together"),
        (CUT, {"oven": "103", "dry_g": "160"}, "These masses are of no sample"),
        (CUT, {"minutes": "few"}, "'few' is no number of minutes"),
        (CUT, {"at": "2099-01-01T10:00"}, "is yet to come"),
        (dried, {}, "Nothing is filled in, so nothing was kept."),
        (dried, {"completes": "", "oven": "103"}, "Choose which sample was dried."),
        (dried, {"completes": str(first), "oven": "103"}, "Choose which sample was dried."),
        (dried, {"dry_g": "120"}, "A dry mass and the oven's temperature belong together"),
        (dried, {"second_dry_g": "120"}, "A second dry mass comes after a first one"),
        (dried, {"oven": "103", "dry_g": "12"}, "These masses are of no sample"),
    ):
        answer = sample(served, said | changes)
        text = unescape(answer.text)
        assert (answer.status, says in text) == (400, True), (changes, says)
        assert f'<details id="{said["what"]}" open' in text
    assert asked(kept) == 0
    for said in (CUT, dried | {"oven": "103", "dry_g": "128,45", "by": "wm"}):
        assert sample(served, said).status == 303
    requests = kept.inbox.waiting()
    cut, done = (json.loads(request.body) for request in requests)
    assert (cut["kind"], cut["about"], cut["corrects"]) == (SAMPLE, "bay", None)
    assert cut["content"] == WET | {"identity": "K2", "tare_g": None, "balance_g": None}
    assert (done["corrects"], requests[1].by) == (first + 1, "wm")
    assert done["content"] == WET | {"oven": 103.0, "dry_g": 128.45}


def test_form_and_command_give_one_entry_and_refuse_in_one_sentence(
    kept: Kept, served: Served
) -> None:
    command = longsoak(
        *("sample", kept.rig_file, "K9", "--bay", "plain lime", "--depth", "90", "80"),
        *("--height", "120", "--material", "wood", "--cut", "dry", "--sealed", "--minutes", "4"),
        *("--wet", "152.3", "--by", "mk"),
    )
    says = command.stderr.strip().removeprefix("Error: ")
    form = sample(served, CUT | {"identity": "K9", "depth_from_mm": "90"})
    assert says
    assert says in unescape(form.text)


def test_what_was_written_stands_in_the_list_and_is_the_same_where_nothing_is_set_right(
    kept: Kept, served: Served, browser: Browser
) -> None:
    first = weighed(kept)
    listed = served.get("/logbook").text
    assert "797.77 ± 0.15 kg, pump off, drained 20 min." in listed
    assert "Wood, cut dry, sealed at once, on the balance after 4 min." in listed
    assert "It was not sealed at once: it dried in the air for 4 min" in listed
    assert "The oven was at 110 °C; usual for lime is 103 to 107 °C." in listed
    with page_of(browser, served, size="phone") as page:
        for number, content, form in ((first, WEIGHED, "#weighed"), (first + 2, DRY, "#cut")):
            page.goto("/logbook")
            page.get_by_role("link", name=f"Correct entry {number}").click()
            page.locator(form).get_by_label("Initials").fill("mk")
            page.locator(form).locator("button.main").click()
            expect(page.locator("#told")).to_contain_text("Asked; it is kept within a second.")
            body = json.loads(kept.inbox.waiting()[-1].body)
            assert (body["corrects"], body["content"]) == (number, content)


def opened(page: Page) -> None:
    """Open the forms and what lies in them."""
    page.evaluate(
        """() => { for (const e of document.querySelectorAll("#weighed, #cut, #dried"))
          for (const d of [e, ...e.querySelectorAll("details")]) d.open = true; }"""
    )


def test_the_forms_keep_nobody_out(kept: Kept, served: Served, browser: Browser) -> None:
    weighed(kept)
    with page_of(browser, served, size="phone") as page:
        page.goto("/logbook")
        opened(page)
        assert Axe().run(page).response["violations"] == []
        for target in page.evaluate(TARGETS):
            assert not target["strong"] or target["high"] >= 43.5, target
        looks_well(page, "logbook-weighing-and-samples")
        page.set_viewport_size({"width": 320, "height": 256})
        assert page.evaluate("document.documentElement.scrollWidth") <= 320


def test_a_weighing_is_written_by_keyboard_alone(
    kept: Kept, served: Served, browser: Browser
) -> None:
    with page_of(browser, served) as page:
        page.goto("/logbook")
        page.locator("#weighed > summary").focus()
        page.keyboard.press("Enter")
        for words in ("hoist", "812.4", "812.6", "812.5", "", "20", "", "14.2"):
            page.keyboard.press("Tab")
            page.keyboard.type(words)
        for words in ("", "By the hoist", "mk"):  # the first is what leads to more fields
            page.keyboard.press("Tab")
            page.keyboard.type(words)
        page.keyboard.press("Enter")
        expect(page.locator("#told")).to_contain_text("Asked; it is kept within a second.")
    (request,) = kept.inbox.waiting()
    assert (json.loads(request.body)["content"]["gear_kg"], request.by) == (14.2, "mk")


def test_a_weighing_written_without_a_signal_waits_and_keeps_its_time(
    kept: Kept, served: Served, browser: Browser
) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, base_url=served.address)
    page = context.new_page()
    page.goto("/logbook")
    context.set_offline(True)
    page.locator("#weighed > summary").click()
    form = page.locator("#weighed")
    filled(form, Which_scale="hoist", First="812,4", Second="812.6", Third="812.5")
    filled(form, Minutes_it_drained="20", How_it_was_lifted_and_weighed="By hoist", Initials="mk")
    before = now_ms()
    form.get_by_role("button", name="Keep the weighing").click()
    expect(page.locator("#weighed .beside")).to_contain_text("It waits on this phone")
    written = now_ms()
    page.wait_for_timeout(1200)  # the time that it waits has to be taken off again
    context.set_offline(False)
    expect(page.locator("#waiting-here")).to_be_hidden(timeout=15_000)
    (request,) = kept.inbox.waiting()
    body = json.loads(request.body)
    assert (body["kind"], body["content"]["readings_kg"]) == (WEIGHING, [812.4, 812.6, 812.5])
    assert before - 200 <= body["at"] <= written + 200
    context.close()
