"""Photos through the real process: shown small and large, served so that they can do nothing."""

import json
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from longsoak.store.files import folder_of
from pages.inbrowser import looks_well, page_of
from pages.pagerig import Kept
from pages.serving import Served, serve
from pages.test_logbook import asked, posted
from photofiles import picture, png_of, webp_of, zeros
from processes import running
from whole.thermorig import lay_out

pytestmark = pytest.mark.long

SAID = {"text": "Wet here", "by": "mk", "about": "rig"}


def held(served: Served) -> tuple[int, int]:
    """What the process holds in memory now, and the most it ever held, MB."""
    status = Path(f"/proc/{served.process.pid}/status").read_text()
    found = dict(line.split(":", 1) for line in status.splitlines())
    now, most = (int(found[name].split()[0]) // 1024 for name in ("VmRSS", "VmHWM"))
    return now, most


# Each is made where it is sent: the large ones take seconds.
HARM: dict[str, tuple[Callable[[], bytes], str]] = {
    "a PNG of 50,000 x 50,000": (
        lambda: png_of(50_000, 50_000, rows=zlib.compress(bytes(50_001))),
        "50000 x 50000 pixels",
    ),
    "a WebP of 50,000 x 50,000": (lambda: webp_of(50_000, 50_000), "50000 x 50000 pixels"),
    "a text of 4 GB in a small PNG": (
        lambda: png_of(8, 6, (b"zTXt", b"a\0\0" + zeros(1 << 32))),
        "",
    ),
    "rows of 1 GB in a small PNG": (lambda: png_of(8, 6, rows=zeros(1 << 30)), ""),
    "a JPEG cut short": (lambda: picture(900, 600)[:2000], "damaged, or was cut short"),
    "a page called a JPEG": (lambda: b"\xff\xd8\xff<script>alert(1)</script>", "is no photo"),
    "a drawing with a script": (lambda: b"<svg onload='alert(1)'/>", "is no photo"),
    "a program": (lambda: b"\x7fELF\2\1\1", "is no photo"),
}


@pytest.mark.parametrize("name", HARM)
def test_what_means_harm_is_refused_in_one_sentence_and_takes_no_memory(
    kept: Kept, served: Served, name: str
) -> None:
    """Where no reason is expected the file may stand as a picture: only memory counts."""
    made, says = HARM[name]
    content = made()
    assert posted(served, SAID | {"text": ""}, picture(40, 30)).status == 400  # all is loaded now
    before, _ = held(served)
    answer = posted(served, SAID, content)
    _, most = held(served)
    assert most - before < 8 * len(content) / 1e6 + 40, "what it unpacks to is held by nobody here"
    if says:
        assert (answer.status, says in answer.text) == (400, True)
        assert asked(kept) == 0
    assert served.get("/logbook").status == 200


def test_a_photo_is_served_as_it_was_sent_and_can_do_nothing(kept: Kept, served: Served) -> None:
    content = picture(400, 300, "PNG") + b"<html><script>alert(1)</script>"
    assert posted(served, SAID, content).status == 303
    (request,) = kept.inbox.waiting()
    (digest,) = json.loads(request.body)["photos"]
    answer = served.open(f"/logbook/photo/{digest}.png")
    assert answer.read() == content
    assert answer.headers["Content-Type"] == "image/png"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "sandbox" in answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert answer.headers["Content-Disposition"] == f'inline; filename="photo-{digest[:12]}.png"'
    small = served.open(f"/logbook/thumbnail/{digest}-320.jpg")
    assert small.read()[:3] == b"\xff\xd8\xff"
    assert small.headers["Content-Type"] == "image/jpeg"
    for other in (f"{digest}-321.jpg", f"{digest}.jpg", "../record.db", "0" * 64 + "-320.jpg"):
        assert served.get(f"/logbook/thumbnail/{other}").status == 404
    heic = b"\0\0\0\x18ftypheic\0\0\0\0"
    assert posted(served, SAID | {"text": "Heic"}, heic).status == 303
    (digest,) = json.loads(kept.inbox.waiting()[0].body)["photos"]
    answer = served.open(f"/logbook/photo/{digest}.heic")
    assert answer.headers["Content-Disposition"].startswith("attachment")


def test_photos_are_shown_small_and_one_by_one_and_turned_with_keys(
    tmp_path: Path, browser: Browser
) -> None:
    rig_file = lay_out(tmp_path / "rig")
    files = [tmp_path / f"{n}.jpg" for n in range(3)]
    for n, file in enumerate(files):
        file.write_bytes(picture(2000 + 10 * n, 1000, turned=6 if n == 1 else None))
    with running(rig_file) as run:
        run.says("recording")
        with serve(rig_file) as served, page_of(browser, served, size="phone") as page:
            page.goto("/logbook")
            for text, own in (("First", files[:1]), ("Then", files[1:])):
                page.get_by_label("What happened").fill(text)
                page.get_by_label("Photos").set_input_files(own)
                page.get_by_label("Your initials").fill("mk")
                page.get_by_role("button", name="Keep the entry").click()
                expect(page.locator("#told")).to_contain_text("Kept as number")
            small = page.locator("#entry-2 img").first
            small.scroll_into_view_if_needed()
            assert "-640.jpg 2x" in (small.get_attribute("srcset") or "")
            small.click()
            expect(page.get_by_role("heading", name="Entry 2, photo 1 of 2")).to_be_visible()
            large = page.get_by_role("img", name="Photo 1 of entry 2")
            # It was turned by a quarter, as the phone was held.
            expect(large).to_have_js_property("naturalHeight", 2010)
            expect(large).to_have_js_property("naturalWidth", 1000)
            page.keyboard.press("ArrowRight")
            expect(page.get_by_role("heading", name="Entry 2, photo 2 of 2")).to_be_visible()
            looks_well(page, "logbook-photo")
            page.keyboard.press("ArrowRight")
            expect(page.get_by_role("heading", name="Entry 1, photo 1")).to_be_visible()
            page.keyboard.press("ArrowLeft")
            expect(page.get_by_role("heading", name="Entry 2, photo 2 of 2")).to_be_visible()
            page.keyboard.press("Escape")
            expect(page.locator("#entry-2")).to_be_visible()
            assert served.get("/logbook/2/photo/3").status == 404
            assert served.get("/logbook/9/photo/1").status == 404
        assert run.stop() == 0
    assert len(list((folder_of(rig_file) / "thumbnails").iterdir())) == 9
