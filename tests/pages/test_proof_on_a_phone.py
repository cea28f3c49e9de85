"""The walk along the channels on a phone, in a real browser, on a front end whose wires move."""

import hashlib
import struct
import zlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from longsoak.store.files import folder_of
from longsoak.vocabulary.proof import Outcome, Step
from pages.inbrowser import looks_well, page_of, shot
from pages.serving import serve
from processes import running
from waiting import wait_for
from whole.walkrig import OPEN, Bench

pytestmark = pytest.mark.long

PATIENT = 15_000  # ms; a look at a channel takes seconds


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path)
    yield bench
    bench.device.unplug()


@contextmanager
def walking(bench: Bench, browser: Browser, *, refused: int = 0) -> Iterator[Page]:
    """A phone on the proof's sheet, with a proof just begun by mk."""
    with running(bench.rig_file) as run:
        run.says("open:")
        with (
            serve(bench.rig_file) as served,
            page_of(browser, served, size="phone", refused=refused) as page,
        ):
            page.goto("/proof")
            page.get_by_label("Your initials").fill("mk")
            page.get_by_role("button", name="Go on").click()
            expect(page.get_by_role("button", name="Begin")).to_be_visible()
            looks_well(page, "proof-begin")
            page.get_by_role("button", name="Begin").click()
            expect(page.get_by_role("heading", name="At the end")).to_be_visible()
            yield page
        run.stop()


def step(page: Page, title: str) -> Locator:
    return page.locator(".walk > li", has=page.get_by_role("heading", name=title))


def press(page: Page, title: str, button: str, *, then: str) -> None:
    """Press a step's button, and wait until the step says `then`."""
    step(page, title).get_by_role("button", name=button, exact=True).click()
    expect(step(page, title)).to_contain_text(then, timeout=PATIENT)


def a_photo() -> bytes:
    """A picture of one grey dot, as PNG."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0))
    dot = chunk(b"IDAT", zlib.compress(b"\0\x80"))
    return b"\x89PNG\r\n\x1a\n" + head + dot + chunk(b"IEND", b"")


def test_a_pair_of_pins_is_proven_on_a_phone(bench: Bench, browser: Browser) -> None:
    bench.says |= {"A": "3e9,Ohm", "B": "5e9,Ohm"}
    with walking(bench, browser, refused=1) as page:
        page.get_by_role("button", name="Read all channels").click()
        expect(page.get_by_text("of 50 readings are in")).to_be_visible()
        expect(page.get_by_text("All 5 channels were read.")).to_be_visible(timeout=PATIENT)
        looks_well(page, "proof-read")
        page.locator(".channels a", has=page.get_by_text("A", exact=True)).click()

        bench.says["A"] = OPEN
        press(page, "Leads open", "Read", then="Open circuit")
        bench.says["A"] = "48,Ohm"
        press(page, "Leads bridged", "Read", then="leads and bridge have 48 Ω")
        bench.says["A"] = "0.9e6,Ohm"  # 10 % off: damp leads
        page.get_by_label("its value in Ω").fill("1e6")
        page.get_by_label("its tolerance").fill("1")
        press(page, "Known resistor", "Read", then="-10.00 % off")
        bench.says["A"] = "1.01e6,Ohm"
        press(page, "Known resistor", "Read again", then="+1.00 % off")  # its value is remembered

        bench.says["A"] = "3e9,Ohm"
        press_touch = step(page, "Touch").get_by_role("button", name="Touch it")
        press_touch.click()
        expect(page.get_by_text("Hands off")).to_be_visible()
        expect(page.get_by_text("Touch A", exact=True)).to_be_visible(timeout=PATIENT)
        bench.says["B"] = "2e5,Ohm"  # the plugs are swapped
        expect(page.get_by_text("Not A.")).to_be_visible(timeout=PATIENT)
        looks_well(page, "proof-touch")
        page.get_by_text("I touched another one").click()
        page.get_by_label("which one").select_option("T")
        page.evaluate("document.querySelector('main').dataset.old = ''")
        page.get_by_role("button", name="Keep that").focus()  # a menu held the sheet as it was
        expect(page.locator("main[data-old]")).to_have_count(0)
        expect(page.get_by_label("which one")).to_have_value("T")
        expect(page.get_by_role("button", name="Keep that")).to_be_focused()
        page.get_by_label("which one").select_option("A")
        page.get_by_role("button", name="Keep that").click()
        expect(step(page, "Touch")).to_contain_text("are two plugs or addresses swapped?")

        page.get_by_role("link", name="Write it down").click()
        page.get_by_label("photo", exact=True).set_input_files(
            {"name": "seat.png", "mimeType": "image/png", "buffer": a_photo()}
        )
        page.get_by_role("button", name="Keep the photo").click()
        expect(page.get_by_alt_text("The seat of A")).to_be_visible()
        page.get_by_label("first measurement").fill("30,0")
        page.get_by_label("measured again").fill("thirty")
        page.get_by_label("drilled from").select_option("wet")
        page.get_by_role("button", name="Keep the card").click()
        expect(page.get_by_role("alert")).to_contain_text("Nothing was kept")
        page.get_by_label("measured again").fill("31.0")
        looks_well(page, "proof-card")
        page.get_by_role("button", name="Keep the card").click()
        expect(step(page, "Installation card")).to_contain_text("30.5 ± 1.0 mm from the wet face")
        looks_well(page, "proof-at")
        page.get_by_role("link", name="Its sheet").click()
        expect(page.get_by_text("30 and 31")).to_be_visible()
        photo = page.get_by_alt_text("The seat of A")
        assert photo.evaluate("photo => photo.decode().then(() => photo.naturalWidth)") == 1
        looks_well(page, "proof-probe")

    card = bench.newest(Step.CARD, "A")
    digest = hashlib.sha256(a_photo()).hexdigest()
    assert card.content["photo_sha256"] == digest
    assert (folder_of(bench.rig_file) / "photos" / f"{digest}.png").read_bytes() == a_photo()
    assert card.content["drilled"] == [30.0, 31.0]
    outcomes = [e.outcome for e in bench.entries if e.step is Step.RESISTOR]
    assert outcomes == [Outcome.BAD, Outcome.GOOD]
    assert bench.newest(Step.TOUCH, "A").content["moved"] == "B"
    assert {entry.by for entry in bench.entries} == {"mk"}


def test_probes_are_touched_one_after_another_in_any_order(bench: Bench, browser: Browser) -> None:
    bench.says |= {"A": "3e9,Ohm", "B": "5e9,Ohm"}
    with walking(bench, browser) as page:
        page.get_by_role("link", name="Touch probes").click()
        page.get_by_role("button", name="Start").click()
        expect(page.get_by_text("Touch one", exact=True)).to_be_visible(timeout=PATIENT)
        bench.says["B"] = "2e5,Ohm"
        page.get_by_role("button", name="Yes, I touched B").click(timeout=PATIENT)
        # No new rest: only what moved has to come to rest.
        expect(page.get_by_text("Touch another one", exact=True)).to_be_visible()
        expect(page.get_by_text("B, good. It moved, and none")).to_be_visible()
        bench.says |= {"A": "1e5,Ohm", "B": "4e9,Ohm"}
        page.get_by_role("button", name="Yes, I touched A").click(timeout=PATIENT)
        expect(page.get_by_text("A, good. It moved, and none")).to_be_visible()
        page.get_by_role("link", name="All channels").click()
        page.get_by_text("Cross-talk between pairs of pins").click()
        cells = [
            row.locator("th, td").all_inner_texts() for row in page.locator(".matrix tr").all()
        ]
        assert cells[0] == ["touched", "A", "B"]
        assert ["B", "0.0", "touched"] in cells
        looks_well(page, "proof-cross-talk")
    assert bench.newest(Step.TOUCH, "A").content["moving"] == ["A"]


def test_a_name_of_sixty_letters_makes_no_sheet_wider_than_the_phone(
    bench: Bench, browser: Browser
) -> None:
    name = f"Naßraum 1 {'x' * 50}"
    text = bench.rig_file.read_text().replace('name = "A"\nkind', f'name = "{name}"\nkind')
    bench.rig_file.write_text(text)
    with walking(bench, browser) as page:
        said: dict[str, str | float | bool] = {
            "probe": name,
            "step": "short",
            "reason": "y" * 300,
        }
        assert page.request.post("/proof/leave-out", form=said).ok
        for sheet in ("/proof", "/proof/at/", "/proof/card/", "/probe/", "/proof/touch?want="):
            page.goto(sheet if sheet == "/proof" else f"{sheet}{quote(name)}")
            assert page.get_by_text(name).first.count() or "touch" in sheet
            assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, sheet


def test_what_is_pressed_twice_is_done_once(bench: Bench) -> None:
    mk = {"Cookie": "initials=mk"}
    with running(bench.rig_file) as run, serve(bench.rig_file) as served:
        run.says("open:")

        def twice(form: str, said: dict[str, str]) -> None:
            with ThreadPoolExecutor(2) as hands:
                answers = list(hands.map(lambda _: served.post(form, said, **mk), range(2)))
            assert {answer.status for answer in answers} == {303}, answers[0].text

        twice("/proof/begin", {"why": "before"})
        halfway = {"so:floor": "yes", "so:cut-off": "left out", "name": "Maren Kolk"}
        refused = served.post("/proof/safety", halfway, **mk)
        assert (refused.status, "Nothing was kept." in refused.text) == (400, True)
        twice("/proof/read", {"step": "reads", "probe": "T"})
        waiting = served.get("/proof/at/T", **mk)
        assert '<noscript><meta http-equiv="refresh"' in waiting.text  # where no script runs
        wait_for(lambda: len(bench.entries) > 1, what="the look to be kept", limit=20)
        wait_for(
            lambda: "http-equiv" not in served.get("/proof/at/T", **mk).text, what="no more waiting"
        )
        for _ in range(2):
            assert served.post("/proof/finish", {}, **mk).status == 303
        assert run.stop() == 0
    assert [entry.step for entry in bench.entries] == [Step.BEGIN, Step.READS, Step.FINISH]


def test_water_float_and_safety_are_proven_on_a_phone(bench: Bench, browser: Browser) -> None:
    with walking(bench, browser) as page:
        page.emulate_media(media="print")
        expect(page.get_by_role("link", name="Safety list")).to_be_hidden()  # a button on paper
        page.emulate_media(media="screen")
        page.get_by_role("link", name="Safety list").click()
        page.get_by_label("Your full name").fill("Maren Kolk")
        for answer in page.get_by_label("it is so").all():
            answer.check()
        page.get_by_label("it is not").first.check()
        page.get_by_label("does not apply").last.check()
        page.get_by_label("because").last.fill("no pump fills it")
        looks_well(page, "proof-safety")
        page.get_by_role("button", name="Keep what is answered").click()
        expect(page.get_by_text("10 of 10 of the safety list answered.")).to_be_visible(
            timeout=PATIENT
        )

        page.get_by_role("link", name="water level").click()
        for litres, level in (("0", "0.2,mm"), ("20", "50.4,mm"), ("40", "99.8,mm")):
            bench.says["level"] = level
            page.get_by_label("litres now in the tray").fill(litres)
            page.get_by_role("button", name="Take the level").click()
            row = page.get_by_role("row", name=litres)
            expect(row).to_contain_text(level.partition(",")[0], timeout=PATIENT)
        page.get_by_role("link", name="Take 40 L back").click()
        expect(page.get_by_role("row", name="40")).to_have_count(0)
        page.go_back()
        looks_well(page, "proof-pour")
        page.get_by_role("button", name="That was all, judge it").click()
        expect(step(page, "Known litres")).to_contain_text("3 points up to 40 L")

        page.get_by_role("link", name="Next channel").click()
        step(page, "Raise the float").get_by_role("button", name="Watch it").click()
        expect(page.get_by_text("Raise the float by hand and hold it up.")).to_be_visible()
        bench.says["float"] = "1,1"
        expect(page.get_by_text("It is up. Let it go.")).to_be_visible(timeout=PATIENT)
        bench.says["float"] = "0,1"
        expect(page.get_by_text("Seen down, up, down.")).to_be_visible(timeout=PATIENT)
        page.get_by_role("button", name="Keep what was seen").click()
        expect(step(page, "Raise the float")).to_contain_text("Seen down, up, and down again.")

        page.get_by_text("Leave this step out").first.click()
        page.get_by_label("because").first.fill("no time")
        page.get_by_role("button", name="Leave it out").first.click()
        expect(step(page, "Readings")).to_contain_text("no time")
        page.get_by_role("link", name="All channels").click()
        expect(page.get_by_role("button", name="Finish the proof")).to_be_hidden()
        page.get_by_text("Finish it all the same").click()
        page.get_by_role("button", name="Finish the proof").click()
        expect(page.get_by_role("heading", name="Begin another")).to_be_visible()
        looks_well(page, "proof-finished")
        page.get_by_role("link", name="Birth certificate").click()
        expect(page.get_by_text("no pump fills it")).to_be_visible()
        assert page.locator("table").first.evaluate("t => getComputedStyle(t).borderCollapse") == (
            "collapse"
        )  # its own style sheet is let in
        shot(page, "proof-certificate")

    assert bench.newest(Step.SAFETY, "residual current").outcome is Outcome.BAD
    left = bench.newest(Step.SAFETY, "cut-off")
    assert (left.outcome, left.says) == (Outcome.LEFT_OUT, "no pump fills it")
    assert bench.newest(Step.POUR, "water level").outcome is Outcome.GOOD
    assert bench.newest(Step.FLOAT, "high float").outcome is Outcome.GOOD
    assert bench.newest(Step.FINISH, "rig").outcome is Outcome.BAD
