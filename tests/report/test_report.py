"""A report on a small rig: its sections, what it must not hide, and that it is safe to open."""

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from longsoak.report.contents import report
from longsoak.report.paperhtml import as_html
from longsoak.report.paperpdf import as_pdf
from longsoak.store.reader import Record
from longsoak.store.writer import RecordWriter
from longsoak.vocabulary.errors import RequestError
from processes import longsoak
from report.test_verdicts import kept, limit, wet

SECTIONS = (
    *("Question", "Verdicts in short", "Set-up", "Instruments and their proof", "Method"),
    *("Conditions", "Results", "Readings by hand, samples and mass", "What was seen"),
    *("What was set aside", "Deviations", "Verdicts and their evidence", "Objections"),
    *("What this test does not represent", "At the end of the test", "Logbook"),
    "How to check this report",
)
ANSWERS = """
[report]
question = "Does <b>water</b> get through?"
workmanship = "Built by two people new to it."
"""


class _Fetched(HTMLParser):
    """Whatever a page would fetch or run."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "link", "img", "iframe", "object", "embed"):
            self.found.append(tag)
        self.found += [
            f"{tag} {name}={value}"
            for name, value in attrs
            if name in ("src", "href", "xlink:href") and not str(value).startswith("#")
        ]


@pytest.fixture(scope="module")
def html(tmp_path_factory: pytest.TempPathFactory) -> str:
    with kept(tmp_path_factory.mktemp("report"), limit() + ANSWERS, wrong=wet(25.0)) as rig:
        return as_html(report(Record(rig.folder)))


def test_it_has_the_sections_of_a_test_report_in_order(html: str) -> None:
    assert re.findall(r"<h2 [^>]*>\d+\. ([^<]*)</h2>", html) == list(SECTIONS)


def test_it_says_what_is_missing_as_plainly_as_what_is_there(html: str) -> None:
    for words in (
        "Does &lt;b&gt;water&lt;/b&gt; get through?",
        "No channel was proved",
        "There was none: no phase names an unwetted control.",
        "not done",
        "Built by two people new to it.",
        "No day of the record is closed yet",
        "broken",
    ):
        assert words in html, words


def test_nothing_in_it_is_fetched_or_runs(html: str) -> None:
    fetched = _Fetched()
    fetched.feed(html)
    assert fetched.found == []
    assert "url(http" not in html


def test_a_question_that_was_not_asked_is_told(tmp_path: Path) -> None:
    with kept(tmp_path, "", wrong={}) as rig:
        text = as_html(report(Record(rig.folder)))
    assert "Not stated: the rig file has no question in [report]." in text
    assert "No limit was declared, so that this report gives no verdict." in text


def test_a_report_of_one_record_is_the_same_each_time(tmp_path: Path) -> None:
    with kept(tmp_path, limit(), wrong=wet(25.0)) as rig:
        papers = [report(Record(rig.folder)) for _ in range(2)]
        assert as_html(papers[0]) == as_html(papers[1])
        assert as_pdf(papers[0]) == as_pdf(papers[1])


def test_it_reads_well_on_a_phone(html: str, tmp_path: Path, browser: Browser) -> None:
    file = tmp_path / "report.html"
    file.write_text(html, encoding="utf-8")
    page = browser.new_page(viewport={"width": 360, "height": 780})
    try:
        page.goto(file.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
    finally:
        page.close()


def test_before_anything_was_recorded_there_is_nothing_to_report(tmp_path: Path) -> None:
    RecordWriter(tmp_path / "record", now="2026-05-04T00:00:00Z").close()
    with pytest.raises(RequestError, match="Nothing was recorded yet"):
        report(Record(tmp_path / "record"))


def test_the_command_says_where_it_wrote_and_what_it_can_t_write(tmp_path: Path) -> None:
    with kept(tmp_path, limit(), wrong=wet(15.0)) as rig:
        out = tmp_path / "report.html"
        done = longsoak("report", rig.rig_file, out)
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.startswith(f"{out}: ")
        done = longsoak("report", rig.rig_file, tmp_path / "nowhere" / "report.html")
        assert done.returncode == 2
        assert "can't be written: No such file or directory. Name another place." in done.stderr
