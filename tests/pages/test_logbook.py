"""The logbook's sheet: written on a phone, with and without scripts, and read at a desk."""

import hashlib
import re
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path

from playwright.sync_api import Browser, expect

from longsoak.store.files import folder_of
from longsoak.store.logbook import Logbook
from longsoak.store.writer import Batch
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak_dashboards.view.logbook import NEWEST
from pages.inbrowser import looks_well, page_of
from pages.pagerig import DAY_MS, NOW_MS, Kept
from pages.pictures import png
from pages.serving import Answer, Served, now_ms, serve
from processes import running
from waiting import wait_for
from whole.thermorig import lay_out


def test_an_entry_is_written_and_corrected_on_a_phone_with_and_without_scripts(
    tmp_path: Path, browser: Browser
) -> None:
    rig_file = lay_out(tmp_path / "rig")
    earlier = datetime.now(UTC) - timedelta(days=40)
    photos = [tmp_path / "drip.png", tmp_path / "towel.png"]
    for number, photo in enumerate(photos):
        photo.write_bytes(png(320 + 160 * number, 240, 90 * number))
    with running(rig_file) as run:
        run.says("recording")
        with serve(rig_file) as served, page_of(browser, served, size="phone") as page:
            page.goto("/logbook")
            expect(page.get_by_text("No entry yet.")).to_be_visible()
            page.get_by_label("What happened").fill(
                "Left edge drips, 3 drops a minute.\nTowel laid."
            )
            page.get_by_label("About").select_option("T1")
            page.get_by_label("Photos").set_input_files(photos)
            page.get_by_label("Your initials").fill("mk")
            looks_well(page, "logbook-form")
            page.get_by_role("button", name="Keep the entry").click()
            expect(page.get_by_text("Kept as number 1, of ")).to_be_visible()
            expect(page.locator("#entry-1")).to_contain_text("Towel laid.")
            # Both pictures came through whole: a broken one has no width.
            for place in range(2):
                picture = page.locator("#entry-1 img").nth(place)
                picture.scroll_into_view_if_needed()
                expect(picture).to_have_js_property("naturalWidth", 320 + 160 * place)
            page.get_by_role("link", name="Correct entry 1").click()
            expect(page.get_by_role("heading", name="Set entry 1 right")).to_be_visible()
            expect(page.get_by_label("Your initials")).to_have_value("mk")
            page.get_by_label("What happened").fill("It was the right edge.")
            page.get_by_role("button", name="Keep the entry").click()
            expect(page.locator("#entry-2")).to_contain_text("Corrects entry 1")
            expect(page.locator("#entry-1")).to_contain_text("Corrected by entry 2")
            expect(page.locator("#entry-1")).to_contain_text("Left edge drips")

            plain = browser.new_context(java_script_enabled=False, base_url=served.address)
            bare = plain.new_page()
            bare.goto("/logbook")
            bare.get_by_label("What happened").fill("Written without scripts.")
            bare.get_by_label("When").fill(f"{earlier:%Y-%m-%d}T06:30")
            bare.get_by_label("Your initials").fill("wm")
            bare.get_by_role("button", name="Keep the entry").click()
            expect(
                bare.get_by_text(re.compile("Asked; it is kept|Kept as number 3"))
            ).to_be_visible()
            wait_for(lambda: Logbook(folder_of(rig_file)).last() == 3, what="the third entry")
            bare.reload()  # as it does by itself in some seconds
            told = f"Kept as number 3, of {earlier.day} {earlier:%b %Y}, 06:30:00 UTC."
            expect(bare.get_by_text(told)).to_be_visible()
            expect(bare.locator("#entry-3")).to_contain_text("06:30 UTC")
            plain.close()
            page.goto("/logbook")
            looks_well(page, "logbook-entries")
        assert run.stop() == 0
    entries = Logbook(folder_of(rig_file)).entries()
    assert [(entry.number, entry.corrects) for entry in entries] == [(3, None), (2, 1), (1, None)]
    assert entries[-1].says == "Left edge drips, 3 drops a minute.\nTowel laid."
    assert entries[-1].photos == tuple(
        hashlib.sha256(photo.read_bytes()).hexdigest() for photo in photos
    )


def posted(served: Served, fields: dict[str, str], *photos: bytes, **headers: str) -> Answer:
    """The answer to the form as a browser sends it."""
    parts = [
        f'--edge\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode()
        for name, value in fields.items()
    ]
    parts += [
        b'--edge\r\nContent-Disposition: form-data; name="photo"; filename="p"\r\n\r\n'
        + photo
        + b"\r\n"
        for photo in photos
    ]
    body = b"".join([*parts, b"--edge--\r\n"])
    kind = "multipart/form-data; boundary=edge"
    return served.send("/logbook", body, Content_Type=kind, **headers)


def asked(kept: Kept) -> int:
    with closing(sqlite3.connect(kept.folder / "inbox.db")) as db:
        return int(db.execute("SELECT count(*) FROM request").fetchone()[0])


def test_what_can_not_be_kept_is_shown_again_with_the_words_and_photos_that_came(
    kept: Kept, served: Served
) -> None:
    picture, no_picture = png(8, 8, 3), b"no picture"
    digest = hashlib.sha256(picture).hexdigest()
    said = {"text": "Wet <b>here</b>", "by": "mk", "about": "probe:plain lime 30/60", "once": "a"}
    for changes, photos, says in (
        ({"text": " "}, [picture], "Write what there is to say. Nothing was kept."),
        ({"by": ""}, [picture], "Say who you are, by initials"),
        ({"about": "stone"}, [picture], "There is no probe or bay 'stone' on this rig."),
        ({"at": "2099-01-01T10:00"}, [picture], "is yet to come: by this machine's clock"),
        ({"at": "noon"}, [picture], "'noon' is no time"),
        ({"corrects": "7"}, [picture], "There is no entry 7 to correct; none was written yet."),
        ({"corrects": "x"}, [picture], "'x' is no entry's number."),
        ({}, [picture, no_picture], "The file is no photo"),
    ):
        answer = posted(served, said | changes, *photos)
        text = unescape(answer.text)
        assert (answer.status, says in text) == (400, True), changes
        assert f'name="kept" value="{digest}"' in answer.text, changes
        assert f'src="/logbook/photo/{digest}.png"' in answer.text, changes
        if "text" not in changes:
            assert "Wet &lt;b&gt;here&lt;/b&gt;</textarea>" in answer.text
    assert asked(kept) == 0

    good = posted(served, said | {"kept": digest})
    assert good.status == 303
    twice = posted(served, said | {"kept": digest})
    # The button pressed twice, or a phone that never heard that it had been taken.
    number = re.compile(r"asked=(\w+)")
    assert number.findall(twice.headers["Location"]) == number.findall(good.headers["Location"])
    assert asked(kept) == 1
    posted(served, said | {"kept": digest, "text": "Another"})
    assert asked(kept) == 2
    told = served.get(good.headers["Location"])
    assert "Asked; it is kept within a second." in told.text
    assert "<textarea" not in told.text
    # A browser without scripts looks again only where the address has no fragment.
    assert '<noscript><meta http-equiv="refresh" content="5">' in told.text
    assert "#" not in good.headers["Location"]
    address = re.sub(r"since=\d+", "since=5", good.headers["Location"])
    late = unescape(served.get(address).text)
    assert "ago and not kept yet. Is `longsoak run` running?" in late
    assert "<textarea" in late


def test_a_form_from_another_site_or_out_of_all_proportion_is_refused(
    kept: Kept, served: Served
) -> None:
    said = {"text": "Wet", "by": "mk"}
    assert posted(served, said, Sec_Fetch_Site="cross-site").status == 403
    assert posted(served, said, Content_Length="999000000").status == 413
    many = posted(served, said, *[png(2, 2, shade) for shade in range(10)])
    assert (many.status, "more than 8 photos" in many.text) == (400, True)
    assert asked(kept) == 0
    for name in ("..%2Frecord.db", "none.jpg", "record.db"):
        assert served.get(f"/logbook/photo/{name}").status == 404


def test_many_entries_lie_on_sheets_of_fifty_and_a_lost_photo_is_told(
    kept: Kept, served: Served
) -> None:
    now = now_ms()
    kept.writer.commit(
        Batch(
            logbook=[
                LogbookEntry(
                    asked_utc_ms=now,
                    at_utc_ms=now - 90_000_000,
                    by="mk",
                    says=f"entry {number}",
                    number=number,
                    request=f"u{number}",
                    kept_utc_ms=now,
                    kept_boottime_ms=now - NOW_MS + 400 * DAY_MS,
                    synchronised=number > 1,
                    photos=("a" * 64,) if number == 1 else (),
                )
                for number in range(1, NEWEST + 3)
            ]
        )
    )
    newest = served.get("/logbook").text
    assert "52 entries. What is written stays" in newest
    assert newest.count('class="entry"') == NEWEST
    assert newest.index('id="entry-52"') < newest.index('id="entry-51"')
    assert 'href="/logbook?upto=2"' in newest
    oldest = served.get("/logbook?upto=2").text
    assert oldest.count('class="entry"') == 2
    assert "The newest entries" in oldest
    assert "Photo aaaaaaaaaaaa is no longer beside the record" in oldest
    assert oldest.count("clock not synchronised") == 1


def test_an_address_somebody_made_up_shows_the_sheet(served: Served) -> None:
    for query in ("?upto=x", "?corrects=9", "?about=%00", "?asked=u&since=z"):
        assert served.get(f"/logbook{query}").status == 200


def test_readings_are_flagged_and_the_flag_lifted_on_a_phone(
    tmp_path: Path, browser: Browser
) -> None:
    rig_file = lay_out(tmp_path / "rig")
    with running(rig_file) as run:
        run.says("recording")
        with serve(rig_file) as served, page_of(browser, served, size="phone", refused=1) as page:
            page.goto("/logbook")
            page.get_by_label("What happened").fill("Its plug was pulled and dried.")
            page.get_by_label("About").select_option("T1")
            page.get_by_label("Your initials").fill("mk")
            page.get_by_text("Flag readings by this entry").click()
            page.get_by_label("Their end").fill("2026-01-01T12:00")
            page.get_by_role("button", name="Keep the entry").click()
            expect(page.get_by_text("An end is for a flag")).to_be_visible()
            page.get_by_label("Their end").fill("")
            page.get_by_label("From then on").select_option("not evaluated")
            looks_well(page, "logbook-flag")
            page.get_by_role("button", name="Keep the entry").click()
            expect(page.locator("#entry-1")).to_contain_text(
                "readings not evaluated until it is ended"
            )
            page.goto("/probe/T1")
            expect(page.get_by_text("Flagged by hand", exact=True)).to_be_visible()
            page.goto("/logbook?corrects=1#write")
            page.get_by_label("What happened").fill("Back in its place.")
            page.get_by_label("About").select_option("T1")
            page.get_by_role("button", name="Keep the entry").click()
            expect(page.locator("#entry-1")).to_contain_text("Corrected by entry 2")
            page.goto("/probe/T1")
            expect(page.get_by_text("Flagged by hand", exact=True)).to_have_count(0)
        assert run.stop() == 0, run.log
