"""The logbook's sheet: written on a phone, with and without scripts, and read at a desk."""

import hashlib
import json
import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path
from urllib.parse import urlencode

import pytest
from playwright.sync_api import Browser, expect

from longsoak.core.phases import begun, phases
from longsoak.core.water.entries import opened_window
from longsoak.store.files import folder_of
from longsoak.store.logbook import Logbook
from longsoak.store.writer import Batch
from longsoak.vocabulary.logbook import PHASE, SERVICE, THE_RIG, About, LogbookEntry, Subject
from longsoak_dashboards.view.logbook import NEWEST
from pages.inbrowser import looks_well, page_of
from pages.pagerig import DAY_MS, NOW_MS, Kept
from pages.pictures import png
from pages.serving import Answer, Served, now_ms, serve
from processes import running
from waiting import wait_for
from whole.thermorig import lay_out

pytestmark = pytest.mark.long


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
            expect(page.locator("#told", has_text="Kept as number 1, of ")).to_be_visible()
            expect(page.locator("#entry-1")).to_contain_text("Towel laid.")
            # Both pictures came through whole: a broken one has no width.
            for place in range(2):
                picture = page.locator("#entry-1 img").nth(place)
                picture.scroll_into_view_if_needed()
                expect(picture).to_have_js_property("naturalWidth", 320)
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
        assert f'src="/logbook/thumbnail/{digest}-320.jpg"' in answer.text, changes
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
                "Readings not evaluated until it is ended"
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


def several(kept: Kept) -> None:
    """Keep entries of several kinds, a day apart, the newest of them now."""
    now = now_ms()
    made = [
        begun("baseline", name="winter", by="mk", says="Two weeks", at_ms=0, now_ms=0),
        LogbookEntry(asked_utc_ms=0, at_utc_ms=0, by="mk", says="Towel laid"),
        opened_window(by="mk", says="Leads moved", at_ms=0, lasts_ms=1_800_000),
        LogbookEntry(
            asked_utc_ms=0,
            at_utc_ms=0,
            by="wm",
            says="It reads high",
            subject=Subject(About.PROBE, "plain lime 30/60"),
        ),
    ]
    entries = []
    for number, each in enumerate(made, 1):
        at = now - (len(made) - number) * DAY_MS
        content = {"until_ms": at + 1_800_000} if each.kind == SERVICE else each.content
        entries.append(
            replace(
                each,
                asked_utc_ms=at,
                at_utc_ms=at,
                content=content,
                number=number,
                request=f"s{number}",
                kept_utc_ms=at,
                kept_boottime_ms=at - NOW_MS + 400 * DAY_MS,
                synchronised=True,
            )
        )
    kept.writer.commit(Batch(logbook=entries))


def numbers(answer: Answer) -> list[int]:
    return [int(number) for number in re.findall(r'id="entry-(\d+)"', answer.text)]


def test_entries_are_chosen_by_kind_by_what_they_are_about_and_by_day(
    kept: Kept, served: Served
) -> None:
    several(kept)
    today = datetime.now(UTC)
    before = f"{today - timedelta(days=2):%Y-%m-%d}"
    for query, expected in (
        ("", [4, 3, 2, 1]),
        ("kind=phase", [1]),
        ("kind=service+window", [3]),
        ("kind=note", [4, 2]),
        ("of=probe:plain+lime+30/60", [4]),
        ("of=rig", [3, 2, 1]),
        (f"from={before}", [4, 3, 2]),
        (f"until={before}", [2, 1]),
        (f"from={before}&until={before}&kind=note", [2]),
        ("kind=note&upto=3", [2]),
        ("kind=cup+catch", []),
    ):
        assert numbers(served.get(f"/logbook?{query}")) == expected, query
    assert "Nothing of that kind was written." in served.get("/logbook?kind=cup+catch").text
    for query, says in (
        ("kind=stone", "No kind of entry is called &#39;stone&#39;; all are shown."),
        ("of=stone", "There is no probe or bay &#39;stone&#39; on this rig."),
        ("from=noon", "&#39;noon&#39; is no time"),
    ):
        answer = served.get(f"/logbook?{query}")
        assert numbers(answer) == [4, 3, 2, 1]
        assert says in answer.text
    words = served.get("/logbook").text
    for says in ("Baseline begins: winter.", "work at the rig", "3 days", "it goes on"):
        assert says in words


def test_older_entries_of_a_choice_have_an_address_of_their_own(kept: Kept, served: Served) -> None:
    now = now_ms()
    kept.writer.commit(
        Batch(
            logbook=[
                LogbookEntry(
                    asked_utc_ms=now,
                    at_utc_ms=now,
                    by="mk",
                    says=f"entry {number}",
                    subject=Subject(About.BAY, "cork-lime") if number % 2 else THE_RIG,
                    number=number,
                    request=f"u{number}",
                    kept_utc_ms=now,
                    kept_boottime_ms=now - NOW_MS + 400 * DAY_MS,
                    synchronised=True,
                )
                for number in range(1, 2 * NEWEST + 11)
            ]
        )
    )
    first = served.get("/logbook?of=bay:cork-lime")
    assert (len(numbers(first)), numbers(first)[0]) == (NEWEST, 2 * NEWEST + 9)
    (address,) = re.findall(r'href="([^"]+)">Older entries', first.text)
    second = served.get(unescape(address))
    assert numbers(second) == [9, 7, 5, 3, 1]
    assert "Older entries</a>" not in second.text


def test_work_and_phases_are_begun_and_ended_on_a_phone(tmp_path: Path, browser: Browser) -> None:
    rig_file = lay_out(tmp_path / "rig")
    logbook = Logbook(folder_of(rig_file))
    with running(rig_file) as run:
        run.says("recording")
        with serve(rig_file) as served, page_of(browser, served, size="phone", refused=1) as page:
            page.goto("/logbook#phase")  # which opens what it lies in
            page.get_by_label("Your initials").fill("mk")
            page.get_by_label("What begins").select_option("baseline")
            page.get_by_label("What it is called").fill("winter")
            page.get_by_label("Unwetted control").select_option("panel")
            page.get_by_label("Why").fill("Two weeks of the same")
            page.locator("#phase-by").fill("mk")
            page.get_by_role("button", name="Begin the phase").click()
            expect(page.locator("#told")).to_contain_text("Kept as number 1, of ")
            expect(page.locator("#entry-1")).to_contain_text(
                "Baseline begins: winter, with panel as unwetted control."
            )
            expect(page.get_by_role("row", name=re.compile("Baseline, winter"))).to_contain_text(
                "it goes on"
            )
            page.locator("#work > summary").click()
            page.get_by_label("What you are going to do").fill("Move leads")
            page.get_by_label("Minutes it takes").fill("9999")
            page.get_by_role("button", name="Begin the work").click()
            expect(page.locator("#told")).to_contain_text("A service window lasts 1 to 240 minutes")
            page.get_by_label("Minutes it takes").fill("30")
            page.get_by_role("button", name="Begin the work").click()
            expect(page.locator("#told")).to_contain_text("Kept as number 2, of ")
            expect(page.get_by_text("Work at the rig: Move leads, until")).to_be_visible()
            page.get_by_label("What was done").fill("Moved")
            page.get_by_role("button", name="The work is done").click()
            expect(page.locator("#told")).to_contain_text("Kept as number 3, of ")
            expect(page.get_by_text("Work at the rig: Move leads")).to_have_count(0)
            page.get_by_role("link", name="Correct entry 1").click()
            expect(page.get_by_label("What it is called")).to_have_value("winter")
            expect(page.get_by_label("Unwetted control")).to_have_value("panel")
            page.get_by_label("What it is called").fill("first winter")
            page.get_by_label("Why").first.fill("Its name was wrong")
            looks_well(page, "logbook-phase")
            page.get_by_role("button", name="It began so").click()
            expect(page.locator("#told")).to_contain_text("Kept as number 4, of ")
            page.locator("#phases > summary").click()
            page.get_by_label("Why it ends").fill("The pump failed")
            page.get_by_role("button", name="End the phase").click()
            expect(page.locator("#told")).to_contain_text("Kept as number 5, of ")
            expect(page.locator("#entry-5")).to_contain_text("The phase ends.")
            page.locator("#phases > summary").click()
            expect(page.get_by_text("No phase goes on.")).to_be_visible()
        assert run.stop() == 0
    (phase,) = phases(logbook.entries())
    first = logbook.entry(1)
    assert first is not None
    assert (phase.name, phase.number, phase.from_ms) == ("first winter", 4, first.at_utc_ms)
    assert phase.control == "panel"
    assert phase.until_ms is not None
    window = logbook.entry(3)
    assert window is not None
    assert (window.kind, window.corrects, window.says) == (SERVICE, 2, "Moved")


def test_phases_and_work_written_without_a_signal_wait_and_keep_their_time(
    kept: Kept, served: Served, browser: Browser
) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, base_url=served.address)
    page = context.new_page()
    page.goto("/logbook")
    context.set_offline(True)
    before = now_ms()
    page.locator("#phases > summary").click()
    page.get_by_label("What begins").select_option("wetting")
    page.get_by_label("Why").fill("The pump was switched on")
    page.get_by_label("For a wetting with a gate not met").fill("The pump was switched on already")
    page.locator("#phase-by").fill("mk")
    page.get_by_role("button", name="Begin the phase").click()
    expect(page.locator("#phases .beside")).to_contain_text("It waits on this phone")
    page.locator("#work > summary").click()
    page.get_by_label("What you are going to do").fill("Move leads")
    page.locator("#work-by").fill("mk")
    page.get_by_role("button", name="Begin the work").click()
    expect(page.locator("#work .beside")).to_contain_text("It waits on this phone")
    written = now_ms()
    page.wait_for_timeout(1200)  # the time that it waits has to be taken off again
    context.set_offline(False)
    expect(page.locator("#waiting-here")).to_be_hidden(timeout=15_000)
    bodies = [json.loads(request.body) for request in kept.inbox.waiting()]
    assert [body["kind"] for body in bodies] == [PHASE, SERVICE]
    assert (bodies[0]["content"]["phase"], bodies[0]["content"]["although"]) == (
        "wetting",
        "The pump was switched on already",
    )
    assert all(before - 200 <= body["at"] <= written + 200 for body in bodies)
    context.close()


def test_a_wetting_is_refused_with_its_gates_until_a_reason_is_given(
    kept: Kept, served: Served
) -> None:
    looked = unescape(served.get("/logbook?begins=wetting").text)
    assert '<b class="look">Baseline, not met.</b> No baseline was begun' in looked
    assert "Residual-current protection is there" in looked
    assert "local codes and licensed practice decide" in looked
    assert "Baseline, not met." not in served.get("/logbook").text
    said = {"what": "begin", "of": "phase", "phase": "wetting", "text": "Go", "by": "mk"}
    refused = served.send("/logbook/phase", urlencode(said).encode())
    text = unescape(refused.text)
    assert refused.status == 400
    assert "The wetting is not begun: 4 gates not met" in text
    assert '<b class="look">Proof, not met.</b>' in text
    assert 'name="text" required value="Go"' in text
    assert asked(kept) == 0
    safe = said | {"safe": "Mina Kolar", "although": "The shop closes in May"}
    assert served.send("/logbook/phase", urlencode(safe).encode()).status == 303
    (body,) = [json.loads(request.body) for request in kept.inbox.waiting()]
    assert body["content"]["safe_by"] == "Mina Kolar"
    assert body["content"]["although"] == "The shop closes in May"
    assert body["content"]["gates"]["safety list"]["state"] == "met"


def test_what_is_done_to_the_specimen_is_asked_for_and_what_can_not_be_is_told(
    kept: Kept, served: Served
) -> None:
    poured = {
        "what": "poured", "bay": "bay:plain lime", "litres": "40,5", "mix": "lime 1, sand 3",
        "text": "At the joist end", "by": "mk",
    }  # fmt: skip
    hole = {"what": "hole", "probe": "probe:plain lime 30/60", "text": "Split", "by": "mk"}
    closes = {
        "what": "closes", "item": "cores", "done": "not done", "text": "Let stand",
        "signed": "Mina Kolar", "by": "mk",
    }  # fmt: skip
    for said, changes, says in (
        (poured, {"litres": ""}, "Say how many litres were poured."),
        (poured, {"litres": "many"}, "'many' is no number of litres"),
        (poured, {"mix": ""}, "The mix of a wet trade is one line"),
        (poured, {"settles": "0"}, "A wet trade settles for a number of days"),
        (hole, {"offset": "1"}, "An offset has a standard uncertainty"),
        (hole, {"probe": "probe:stone"}, "There is no probe or bay 'probe:stone'"),
        (closes, {"signed": "mk"}, "initials are no signature"),
        (closes, {"item": "flowers"}, "The items of the closing list are"),
        (closes, {"what": "dance"}, "'dance' is nothing this form keeps."),
    ):
        answer = served.send("/logbook/specimen", urlencode(said | changes).encode())
        assert (answer.status, says in unescape(answer.text)) == (400, True), changes
    assert asked(kept) == 0
    again = served.send("/logbook/specimen", urlencode(poured | {"mix": ""}).encode()).text
    assert 'id="poured-litres" name="litres" value="40,5"' in again
    assert '<details id="poured" open>' in again
    for said in (poured, hole, closes):
        sent = urlencode(said).encode()
        assert served.send("/logbook/specimen", sent).status == 303
    bodies = [json.loads(request.body) for request in kept.inbox.waiting()]
    assert [body["kind"] for body in bodies] == ["wet trade", "new hole", "closing"]
    assert bodies[0]["content"] == {
        "litres": 40.5, "mix": "lime 1, sand 3", "curing_temperature": None, "settling_days": 28,
    }  # fmt: skip
    assert bodies[2]["content"] == {"item": "cores", "done": False, "name": "Mina Kolar"}


def test_on_paper_there_are_entries_and_no_form(
    kept: Kept, served: Served, browser: Browser
) -> None:
    several(kept)
    with page_of(browser, served, size="desk") as page:
        page.goto("/logbook")
        page.emulate_media(media="print")
        expect(page.locator("#entry-4 .says")).to_be_visible()
        expect(page.get_by_role("heading", name="Phases, newest first")).to_be_visible()
        expect(page.locator("form:visible")).to_have_count(0)
        expect(page.get_by_role("link", name="Correct entry 4")).to_be_hidden()
