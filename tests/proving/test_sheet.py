"""The certificate as it is printed, of proofs that the shipped judges judged."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from longsoak.core.proof.book import RIG, Book, Why
from longsoak.core.proof.finding import Finding, judged
from longsoak.core.proof.leads import judge_open, judge_short
from longsoak.core.proof.reads import judge_reads
from longsoak.core.proof.safety import DECIDES, SAFETY, answered
from longsoak.core.proof.touch import judge_touch
from longsoak.core.proof.water import judge_float
from longsoak.proving.sheet import certificate
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from longsoak.vocabulary.rig import Rig
from proofreadings import probe_called
from proving.printing import A4, pages_of, paper_of, print_out
from proving.walked import (
    LATER,
    LATER_MS,
    begun,
    entry,
    finding_of,
    left_out,
    newest,
    readings,
    rig_of,
    walk,
)
from rigs import small_rig

TOKENS = Path(__file__).parents[2] / "dashboards/longsoak_dashboards/static/tokens.css"
PAIR = probe_called("C 30/60")


def html_of(entries: Sequence[ProofEntry], rig: Rig | None = None) -> str:
    book = Book(entries, rig or small_rig())
    return certificate(book, newest(book))


def words_of(html: str) -> str:
    """What a reader sees, on one line, without the style sheet and the title."""
    body = html[html.index("</head>") :]
    shown = re.sub(r"<[^>]+>", " ", body)
    for escape, letter in (("&lt;", "<"), ("&gt;", ">"), ("&#39;", "'"), ("&amp;", "&")):
        shown = shown.replace(escape, letter)
    return " ".join(shown.split())


def row_of(html: str, probe: str) -> str:
    row = next(row for row in html.split("<tr>") if f'<th scope="row"><b>{probe}</b>' in row)
    return words_of(f"</head>{row.partition('</tr>')[0]}")


def test_a_rig_of_twenty_probes_fits_on_one_page_of_a4(browser: Browser, tmp_path: Path) -> None:
    rig = rig_of(20)
    html = html_of(walk(rig), rig)
    pdf = print_out(browser, html, tmp_path / "twenty.pdf")
    assert paper_of(pdf) == A4
    (page,) = pages_of(pdf)
    flat = " ".join(page.split())
    for probe in rig.probes:
        assert probe.name in flat
    assert "Proven: 20 channels: 20 proven." in flat
    assert "signature" in flat
    assert "page 1 of 1" in flat


def test_it_stays_one_page_with_a_reason_here_a_fault_there_and_what_changed_since(
    browser: Browser, tmp_path: Path
) -> None:
    rig = rig_of(20)
    entries = [*walk(rig), *walk(rig, proof=LATER, utc_ms=LATER_MS)]
    no_plug = left_out(Step.OPEN, "C 10/60", "no plug yet")
    broken = judge_short(PAIR, readings(PAIR, [9.9e37] * 3), rig=rig)
    entries += [
        replace(no_plug, proof=LATER),
        replace(no_plug, proof=LATER, subject="C 15/60"),
        entry(Step.SHORT, "C 30/60", broken, proof=LATER, utc_ms=LATER_MS),
    ]
    book = Book(entries, rig)
    html = certificate(book, newest(book), first=book.proofs[0])
    (page,) = pages_of(print_out(browser, html, tmp_path / "later.pdf"))
    flat = " ".join(page.split())
    assert "Proof, repeated" in flat
    assert "Not proven: 20 channels: 17 proven, 2 proven in part, 1 bad." in flat
    assert "C 10/60, C 15/60, open: no plug yet (jo)" in flat
    assert "Since the first proof, begun 4 May 2026, 09:00:00 UTC" in flat
    assert "C 30/60: short was good, is bad: The bridge reads an open circuit" in flat
    assert "steps taken again 3" in flat


def test_a_large_rig_goes_on_with_the_columns_named_anew(browser: Browser, tmp_path: Path) -> None:
    rig = rig_of(64)
    pages = pages_of(print_out(browser, html_of(walk(rig), rig), tmp_path / "large.pdf"))
    assert len(pages) >= 2
    with_rows = [page for page in pages if "pins, meter" in page]
    assert len(with_rows) >= 2
    for page in with_rows:
        assert "insulation" in page
        assert "verdict" in page
    for number, page in enumerate(pages, 1):
        assert "small rig, proof begun 4 May 2026, 09:00:00 UTC" in page
        assert f"page {number} of {len(pages)}" in page


def test_the_head_says_when_why_by_whom_and_with_what() -> None:
    words = words_of(html_of(walk(small_rig())))
    assert "begun 4 May 2026, 09:00:00 UTC ended 4 May 2026, 10:30:00 UTC" in words
    assert "made before the water goes on by jo, mk" in words
    assert "software Longsoak 0.9.1 rig file version 7" in words
    assert "Birth certificate , all data invented" in words


def test_every_step_shows_its_word_its_shape_and_its_number() -> None:
    html = html_of(walk(small_rig()))
    # The numbers are those that the raw readings in walked.py have.
    assert row_of(html, "C 30/60") == (
        "C 30/60 pins, meter 30 mm deep, 60 mm high, plain "
        "good 0.91 % good > 100 GΩ good 48.3 Ω good +1.23 % good noted 30.2 ± 1.5 proven"
    )
    reference = row_of(html, "meter reference")
    assert "good 0.081 %, off +0.20 %" in reference
    assert "good 0.05 °C" in row_of(html, "T core")
    assert "good +0.16 L" in row_of(html, "water level")
    assert row_of(html, "high float").endswith("float, tray tray good good proven")
    row = next(row for row in html.split("<tr>") if "<b>C 30/60</b>" in row)
    assert re.findall(r'href="#(\w+)"', row) == ["dot"] * 7


def test_every_number_in_a_row_is_one_that_its_entry_holds() -> None:
    contents: Mapping[Step, Mapping[str, Json]] = {
        Step.READS: {"noise": 0.0123},
        Step.OPEN: {"least": 3.21e9, "most": 1e11},
        Step.SHORT: {"ohm": 77.7},
        Step.RESISTOR: {"ratio": 0.9655},
        Step.CARD: {"depth": 12.3, "depth_uncertainty": 0.7},
    }
    held = [entry(step, "C 30/60", judged(True, "", content)) for step, content in contents.items()]
    assert row_of(html_of([begun(), *held]), "C 30/60").removeprefix(
        "C 30/60 pins, meter 30 mm deep, 60 mm high, plain "
    ) == ("good 1.2 % good 3.21 GΩ good 77.7 Ω good -3.45 % to do good 12.3 ± 1.4 open")
    empty = [replace(kept, content={}) for kept in walk(small_rig())]
    for probe in small_rig().probes:
        row = row_of(html_of(empty), probe.name).removeprefix(probe.name)
        place = re.sub(
            r"30 mm deep, 60 mm high|10 mm deep, 60 mm high|50 mm deep, 60 mm high", "", row
        )
        assert not re.search(r"\d", place), row


def faults() -> Iterator[tuple[Step, Finding, str]]:
    rig = small_rig()
    other = probe_called("C 10/60")
    resting = {PAIR.name: readings(PAIR, [9e9] * 4), other.name: readings(other, [9e9] * 4)}
    theirs = resting | {other.name: readings(other, [2e5])}
    both = theirs | {PAIR.name: readings(PAIR, [2e5])}
    yield Step.OPEN, judge_open(PAIR, readings(PAIR, [3.2e6] * 3), rig=rig), "bad 3.2 MΩ"
    yield Step.OPEN, judge_open(PAIR, [], rig=rig), "bad"
    yield Step.SHORT, judge_short(PAIR, readings(PAIR, [9.9e37] * 3), rig=rig), "bad open"
    silent = [replace(one, raw=None) for one in readings(PAIR, [1e9] * 3)]
    yield Step.READS, judge_reads(PAIR, silent, rig=rig, instrument=None), "bad 0 of 3"
    opened = readings(PAIR, [9.9e37] * 3)
    yield Step.READS, judge_reads(PAIR, opened, rig=rig, instrument=None), "noted open"
    yield Step.TOUCH, judge_touch(PAIR, resting, theirs, rig=rig), "bad C 10/60 moved"
    yield Step.TOUCH, judge_touch(PAIR, resting, both, rig=rig), "bad not alone"
    yield Step.TOUCH, judge_touch(PAIR, resting, resting, rig=rig), "bad none moved"


@pytest.mark.parametrize(("step", "finding", "shown"), list(faults()))
def test_a_fault_is_told_in_its_cell_and_in_its_own_words(
    step: Step, finding: Finding, shown: str
) -> None:
    html = html_of([begun(Why.REPAIR), entry(step, PAIR.name, finding)])
    row = row_of(html, PAIR.name).replace("to do ", "")
    verdict = "bad" if finding.outcome is Outcome.BAD else "open"
    assert row.endswith(f"plain {shown} {verdict}")
    told = f"C 30/60 , {step.value}: {finding.says} ( jo )"
    assert (told in words_of(html)) == (finding.outcome is Outcome.BAD)
    cell = next(cell for cell in html.split("<td>") if f">{finding.outcome.value}</span>" in cell)
    assert ('class="look"' in cell) == (finding.outcome is Outcome.BAD)


def test_a_float_that_sticks_shows_what_was_seen() -> None:
    float_ = probe_called("high float")
    finding = judge_float(readings(float_, [0.0, 1.0]))
    html = html_of([begun(), entry(Step.FLOAT, float_.name, finding)])
    assert "bad down, up" in row_of(html, float_.name)


def test_cross_talk_is_told_with_the_pair_that_let_it_through() -> None:
    rest = {name: readings(probe_called(name), [9e9] * 4) for name in ("C 10/60", "C 30/60")}
    along = rest | {
        "C 10/60": readings(probe_called("C 10/60"), [7e9]),
        "C 30/60": readings(PAIR, [2e5]),
    }
    quiet = html_of(
        [begun(), entry(Step.TOUCH, PAIR.name, finding_of(Step.TOUCH, PAIR, small_rig()))]
    )
    assert "1 of 3 pairs of pins moved when touched. No other pair changed." in words_of(quiet)
    finding = judge_touch(PAIR, rest, along, rig=small_rig())
    words = words_of(html_of([begun(), entry(Step.TOUCH, PAIR.name, finding)]))
    # ln(7e9 / 9e9) over ln(2e5 / 9e9) is 0.0235.
    assert "At most 2.3 % of a pair's change in ln R came along in another (C 10/60 with C" in words
    assert "more than 2 % and 3 times the noise is cross-talk" in words


def test_a_pour_is_shown_point_by_point_with_what_would_mend_it() -> None:
    words = words_of(html_of(walk(small_rig())))
    assert "litres 0 10 20 30 level, mm 0.4 25.3 49.7 75.2" in words
    # The small rig's table is a line of 0.4 L to a mm.
    assert "residual, L +0.16 +0.12 -0.12 +0.08" in words
    assert "would bring the level onto the litres; neither is applied." in words


def test_the_safety_list_names_who_ticked_what_and_who_left_out_what_and_why() -> None:
    keys = [item.key for item in SAFETY]
    titles = {item.key: item.title for item in SAFETY}
    ticked = answered(SAFETY[0], so=True, name="Maria Example")
    refused = answered(SAFETY[1], so=False, name="Joe Sample")
    entries = [
        begun(),
        entry(Step.SAFETY, keys[0], ticked),
        entry(Step.SAFETY, keys[1], refused),
        left_out(Step.SAFETY, keys[3], "no pump yet"),
    ]
    words = words_of(html_of(entries))
    assert f"Answered by Maria Example : ticked : {titles[keys[0]]}" in words
    assert f"Answered by Joe Sample : not so : {titles[keys[1]]}" in words
    assert f"Answered by mk : left out : {titles[keys[3]]}" in words
    assert f"Answered by nobody yet : open : {titles[keys[2]]}" in words
    assert f"{titles[keys[3]]} , safety: no pump yet ( mk )" in words
    assert DECIDES in words
    repair = words_of(html_of([begun(Why.REPAIR)]))
    assert "The safety list is not part of this proof." in repair
    assert DECIDES in repair


def test_a_proof_that_is_not_finished_says_so_and_shows_what_is_to_do() -> None:
    html = html_of([begun()])
    words = words_of(html)
    assert "ended not finished" in words
    assert "Not proven: 8 channels: 8 open; 10 safety items not ticked." in words
    assert row_of(html, "C 30/60").endswith("to do to do to do to do to do to do open")


def test_a_channel_that_the_rig_file_has_no_more_is_told_of() -> None:
    words = words_of(html_of([begun(), left_out(Step.READS, "C 99/60", "gone")]))
    assert "Walked, and no longer in the rig file: C 99/60." in words


def test_hostile_words_of_people_devices_and_files_stay_words(
    browser: Browser, tmp_path: Path
) -> None:
    bad = "<script>document.title='owned'</script>"
    style = "</style>\"; } <script>document.title='owned'</script>"
    pair = replace(PAIR, name=bad, place=bad, bus="meter")
    rig = small_rig(name=style, probes=(pair,))
    answer = Finding(Outcome.GOOD, bad, {"name": bad})
    entries = [
        replace(begun(), by=bad, content={"software": bad, "rig_version": bad, "why": bad}),
        entry(Step.READS, bad, Finding(Outcome.BAD, bad, {"answered": bad, "asked": bad + "2"})),
        entry(Step.TOUCH, bad, Finding(Outcome.BAD, bad, {"moved": bad, "shares": {bad: 0.5}})),
        entry(Step.POUR, bad, Finding(Outcome.BAD, bad, {"points": [{"litres": 1.0}, bad]})),
        replace(left_out(Step.OPEN, bad, bad), by=bad),
        entry(Step.SAFETY, SAFETY[0].key, answer),
        replace(begun(), step=Step.FINISH, subject=RIG),
    ]
    html = html_of(entries, rig)
    assert "<script" not in html
    assert html.count("</style>") == 1
    page = browser.new_page()
    page.set_content(html)
    title = page.title()
    page.close()
    assert title.startswith(f"Birth certificate: {style}")
    (words,) = pages_of(print_out(browser, html, tmp_path / "hostile.pdf"))
    assert "".join(f"{style}, proof begun".split()) in "".join(words.split())


def test_it_has_no_colours_but_the_three_pens_of_the_pages() -> None:
    tokens = dict(re.findall(r"--(\w+): (#\w{6});", TOKENS.read_text().split("@media")[0]))
    colours = set(re.findall(r"#[0-9a-f]{3,6}\b", html_of(walk(small_rig()))))
    assert colours == {tokens["ink"], tokens["pencil"], tokens["red"], "#fff"}


def test_it_asks_for_nothing_beside_itself() -> None:
    html = html_of(walk(small_rig()))
    assert not re.search(r"<(script|link|img|iframe|object)|url\(|@import|style=|https?:", html)
    assert html.startswith("<!doctype html>")
