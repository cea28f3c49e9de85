"""The sheets of one probe and of the proof, and their forms, as plain requests."""

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from html import unescape
from urllib.parse import quote

import pytest
from starlette.requests import Request
from starlette.responses import Response

from longsoak.core.proof.book import Book
from longsoak.core.wording import where_words
from longsoak.store.proofrequests import ask_to_keep
from longsoak.store.reader import Record
from longsoak.store.writer import Batch
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from longsoak.vocabulary.reading import Reading
from longsoak_dashboards.looks import Look, Looks
from longsoak_dashboards.pouring import Level, poured_of, poured_words, settled
from longsoak_dashboards.proofsheets import ProofSheets
from longsoak_dashboards.source import Source
from longsoak_dashboards.view.proof import proof_page
from pages.pagerig import Kept, keep, make_rig
from pages.serving import Answer, Served, now_ms, serve

BEGUN = "2026-09-23T08:00:00.000Z"
MK = {"Cookie": "initials=mk"}
FORMS = (
    *("/proof/who", "/proof/begin", "/proof/read", "/proof/leave-out", "/proof/safety"),
    *("/proof/touch", "/proof/touch/keep", "/proof/float", "/proof/float/keep", "/proof/pour"),
    *("/proof/pour/keep", "/proof/card", "/proof/photo", "/proof/finish"),
)


def entry(
    step: Step,
    subject: str,
    outcome: Outcome,
    *,
    says: str = "It was so.",
    content: dict[str, Json] | None = None,
) -> ProofEntry:
    return ProofEntry(0, now_ms(), BEGUN, step, subject, outcome, "mk", says, content or {})


def write(kept: Kept, *entries: ProofEntry) -> None:
    """Keep entries as the measuring process does: each with the request that asked for it."""
    asked = [ask_to_keep(kept.folder, each) for each in entries]
    kept.writer.commit(Batch(proof=list(zip(asked, entries, strict=True))))


@pytest.fixture(scope="module")
def proven(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A rig whose proof is under way: one step good, one bad, one card; nothing writes."""
    now = now_ms()
    kept = keep(tmp_path_factory.mktemp("proven"), times=[now - 1000], now_ms=now)
    begin = entry(Step.BEGIN, "rig", Outcome.NOTED, content={"why": "before"})
    good = entry(Step.READS, "plain lime 30/60", Outcome.GOOD)
    bad = entry(Step.SHORT, "plain lime 30/60", Outcome.BAD, says="<b>No</b> bridge was seen.")
    card: dict[str, Json] = {
        "drilled": [29.5, 30.5],
        "entry": "wet",
        "depth": 30.0,
        "coating": "<i>shellac",
    }
    noted = entry(Step.CARD, "plain lime 30/60", Outcome.NOTED, content=card)
    write(kept, begin, good, bad, noted)
    kept.close()
    with serve(kept.rig_file) as pages:
        yield pages


def words(answer: Answer) -> str:
    """What a person reads of a sheet."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


def test_the_sections_table_leads_to_a_sheet_of_each_probe(kept: Kept, served: Served) -> None:
    table = served.get("/").text
    for probe in kept.rig.probes:
        address = f"/probe/{quote(probe.name, safe='')}"
        assert f'<a href="{address}">{probe.name}</a>' in table
        answer = served.get(address)
        assert answer.status == 200
        assert where_words(probe, kept.rig) in words(answer)


def test_a_probes_sheet_tells_its_proof_and_its_card(proven: Served) -> None:
    answer = proven.get("/probe/plain%20lime%2030%2F60")
    said = words(answer)
    assert "Proof before the water goes on" in said
    assert "Readings good" in said
    assert "Leads bridged bad" in said
    assert "drilled, mm 29.5 and 30.5" in said
    assert "<b>No</b>" not in answer.text
    assert "<i>shellac" not in answer.text
    assert "<b>No</b> bridge was seen." in said.replace("< b >", "<b>")


def test_a_label_of_a_probe_that_is_gone_leads_to_those_that_may_be_meant(at_rest: Served) -> None:
    answer = at_rest.get("/probe/plain%20lime%2030%2F61")
    assert answer.status == 404
    assert "This rig has no probe called plain lime 30/61." in words(answer)
    assert "Was one of these meant: plain lime 30/60" in words(answer)


def test_a_walk_begins_with_who_takes_it_and_leads_on_to_where_one_was(proven: Served) -> None:
    asked = proven.get("/proof/at/plain%20lime%2030%2F60")
    assert "Your initials" in words(asked)
    (back,) = re.findall(r'name="back" value="([^"]*)"', asked.text)
    answer = proven.post("/proof/who", {"by": "Jö", "back": unescape(back)})
    assert answer.status == 303
    assert answer.headers["Location"] == "/proof/at/plain%20lime%2030/60"
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    page = proven.get("/proof", Cookie=cookie.partition(";")[0])
    assert "You are Jö" in words(page)


def test_nobody_is_led_to_another_site_by_a_form(at_rest: Served) -> None:
    for back in ("https://else.example/", "//else.example", "/proof\\..", "/proo"):
        answer = at_rest.post("/proof/who", {"by": "mk", "back": back})
        assert (answer.status, answer.headers["Location"]) == (303, "/proof")


def test_initials_that_cannot_stand_in_a_record_are_refused(at_rest: Served) -> None:
    for by in ("", "x" * 21, "a\tb\x07"):
        answer = at_rest.post("/proof/who", {"by": by})
        assert answer.status == 400
        assert "Initials are 1 to 20 printable characters." in words(answer)


def test_a_form_of_another_sites_page_is_refused(at_rest: Served) -> None:
    for form in FORMS:
        answer = at_rest.post(form, {"by": "mk"}, Sec_Fetch_Site="cross-site", **MK)
        assert answer.status == 403, form


def test_a_form_of_nobody_is_refused(proven: Served) -> None:
    for form in FORMS:
        answer = proven.post(form, {"why": "before", "probe": "plain lime 30/60"})
        assert answer.status in (400, 413), form  # a photo's form has another shape
        assert "Nothing was kept." in words(answer) or form == "/proof/who"


def test_where_nothing_measures_nothing_can_be_proven(proven: Served) -> None:
    answer = proven.post("/proof/read", {"step": "reads"}, **MK)
    assert answer.status == 503
    assert "Nothing measures now" in words(answer)
    assert "longsoak run rig.toml" in words(answer)


def test_what_a_form_can_not_mean_is_told(kept: Kept, served: Served) -> None:
    assert "Say what the proof is for." in words(served.post("/proof/begin", {"why": "fun"}, **MK))
    answer = served.post("/proof/finish", {}, **MK)
    assert "No proof is under way. Begin one first" in words(answer)
    begin = entry(Step.BEGIN, "rig", Outcome.NOTED, content={"why": "before"})
    write(kept, begin)
    for form, said, told in (
        ("read", {"probe": "nobody"}, "The rig has no probe 'nobody'."),
        ("read", {"probe": "pump"}, "The rig has no probe 'pump'."),
        ("read", {"probe": "plain lime 30/60", "step": "finish"}, "There is no such step at"),
        ("read", {"probe": "plain lime 30/60", "step": "resistor", "ohm": "x"}, "expected 1000 to"),
        ("leave-out", {"probe": "plain lime 30/60", "step": "short"}, "Say why"),
        ("leave-out", {"probe": "water level", "step": "finish", "reason": "x"}, "no such step at"),
        ("read", {"probe": "water level", "step": "short"}, "There is no such step at"),
        ("float/keep", {"probe": "plain lime 30/60", "since": "1"}, "There is no such step at"),
        ("card", {"probe": "water level", "pilot": "4"}, "There is no such step at"),
        ("touch/keep", {"probe": "plain lime 30/60", "since": "1"}, "The closer look is over."),
        ("touch/keep", {"probe": "plain lime 30/60", "since": "x"}, "The closer look is over."),
        ("pour", {"probe": "water level", "litres": "-1"}, "litres is '-1', expected 0 to 204"),
        ("pour", {"probe": "water level", "litres": "5", "poured": "9@1"}, "more than the 9"),
        ("pour/keep", {"probe": "water level"}, "No litres were said."),
        ("card", {"probe": "plain lime 30/60", "pilot": "9e9"}, "pilot is"),
        ("safety", {"so:alkali": "yes", "name": "x"}, "full name is 'x', expected 3 letters"),
        ("safety", {"so:alkali": "left out"}, "Say why"),
    ):
        answer = served.post(f"/proof/{form}", said, **MK)
        assert answer.status == 400, form
        assert told in words(answer)
        assert "Nothing was kept." in words(answer) or "nothing was kept" in words(answer)
        assert "nothing recorded" not in words(answer)  # the rig has a record all the same


def test_an_earlier_proof_keeps_its_certificate(kept: Kept, served: Served) -> None:
    for name in ("2026-09-23T08:00:00.000Z", "2026-09-24T08:00:00.000Z"):
        says = f"Proof of {name[:10]}."
        begin = entry(Step.BEGIN, "rig", Outcome.NOTED, content={"why": "before"})
        left = entry(Step.READS, "air wet T", Outcome.LEFT_OUT, says=says)
        write(kept, *(replace(each, proof=name) for each in (begin, left)))
    page = served.get("/proof", **MK).text
    (address,) = re.findall(r'href="(/proof/certificate\?of=[^"]*)"', page)
    earlier, newest = served.get(unescape(address)), served.get("/proof/certificate")
    assert "Proof of 2026-09-23." in words(earlier)
    assert "Proof of 2026-09-24." in words(newest)
    assert "unsafe" not in newest.headers["Content-Security-Policy"]
    assert "style-src 'sha256-" in newest.headers["Content-Security-Policy"]
    assert served.get("/proof/certificate?of=none").status == 303


def test_a_photo_that_is_none_or_too_large_is_refused(proven: Served) -> None:
    head = {"Content-Type": "multipart/form-data; boundary=b", **MK}
    answer = proven.post("/proof/photo", {}, **head)
    assert (answer.status, "No photo came." in words(answer)) == (400, True)
    part = '--b\r\nContent-Disposition: form-data; name="photo"; filename="p"\r\n\r\nx\r\n'
    for body in (2 * part + "--b--\r\n", "--b\r\nno form"):
        answer = proven.send("/proof/photo", body.encode(), **head)
        assert (answer.status, "No photo came." in words(answer)) == (400, True)
    answer = proven.post("/proof/photo", {}, **head, Content_Length="99000000")
    assert (answer.status, "of up to 25 MB" in words(answer)) == (413, True)
    assert proven.get("/proof/photo/..%2Frecord.db").status == 404
    assert proven.get("/proof/photo/none.jpg").status == 404


def test_the_litres_in_an_address_are_what_was_said_or_nothing() -> None:
    assert poured_of("0@1790165051000,5.5@1790165091000") == [
        (0.0, 1790165051000),
        (5.5, 1790165091000),
    ]
    said = [(0.0, 1790165051000), (12.25, 1790165091000)]
    assert poured_of(poured_words(said)) == said
    for odd in ("", "x", "1@", "@1", "nan@5", "-1@5", "1@-5", "1e9@5", ",".join(["1@5"] * 41)):
        assert poured_of(odd) == []


def test_an_old_address_has_no_months_of_readings_read(
    kept: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As of a phone that finds its tab again, or of whoever makes one up."""
    write(kept, entry(Step.BEGIN, "rig", Outcome.NOTED, content={"why": "before"}))
    asked: list[int] = []

    def series(record: Record, probe: str, *, since_ms: int, until_ms: int) -> list[Reading]:
        asked.append(since_ms)
        return []

    monkeypatch.setattr(Record, "series", series)
    sheets = ProofSheets(Source(kept.rig_file), Looks())

    def shown(handler: Callable[[Request], Response], path: str, query: str) -> str:
        scope = {"type": "http", "method": "GET", "path": path, "query_string": query.encode()}
        head = {"headers": [(b"cookie", b"initials=mk")], "server": ("127.0.0.1", 80)}
        name = {"path_params": {"name": path.rpartition("/")[2]}}
        return bytes(handler(Request(scope | head | name)).body).decode()

    hour = now_ms() - 3_600_000
    for old in (1, hour):
        assert "closer look is over" in shown(sheets.touch, "/proof/touch", f"since={old}")
        assert "Keep what" not in shown(sheets.at, "/proof/at/high float", f"float={old}")
    shown(sheets.at, "/proof/at/water level", "poured=0@1")
    assert asked == []
    assert "1 of 5 readings" not in shown(sheets.at, "/proof/at/water level", f"poured=0@{hour}")
    assert asked == [hour]  # a tray takes its time


def test_a_level_is_taken_once_it_is_calm() -> None:
    sloshing = [20.0, 30.0, 22.0, 28.0, 25.0, 25.3, 25.1, 25.2, 25.1]

    def level(count: int) -> Level:
        found = [
            Reading("level", 500 * place, mm, "mm", mm, 0.5, Flag.PASS, Reason.NONE)
            for place, mm in enumerate(sloshing[:count], start=1)
        ]
        return settled([(5.0, 1)], found).levels[0]

    assert (level(3).there, level(3).mm) == (3, None)
    assert (level(6).there, level(6).mm) == (5, None)
    assert (level(9).there, level(9).mm) == (5, 25.1)


def test_litres_are_taken_back_one_after_the_other() -> None:
    said = [(0.0, 1790165051000), (12.25, 1790165091000)]
    assert settled(said, []).words_before == poured_words(said[:1])
    assert settled(said[:1], []).words_before == ""


def test_a_look_under_way_says_how_far_it_is() -> None:
    rig = make_rig()
    look = Look(Step.READS, ("a", "b"), there=3, wanted=20)
    page = proof_page(Book([], rig), look, None, now_ms=0)
    assert page.progress == "Reading two channels: 3 of 20 readings are in."
    assert "has not been proven yet" in page.lead[0]
