"""The pages as a process: answers, headers, what is refused, and how it ends; all invented."""

import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.parse
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPResponse
from pathlib import Path

import pytest

from longsoak.store.files import RECORD
from longsoak.store.requests import ask
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmState
from pages.callers import Caller
from pages.pagerig import Kept, change, keep
from pages.serving import Served, now_ms, serve
from processes import COMMAND, longsoak
from waiting import wait_for

OVERFILL = "overfill:water level"
NORMAL, NEW = AlarmState.NORMAL, AlarmState.NEW
ACKNOWLEDGED, GONE = AlarmState.ACKNOWLEDGED, AlarmState.GONE


def raise_overfill(kept: Kept) -> None:
    raised = change(OVERFILL, now_ms() - 60_000, NORMAL, NEW, value=101.3, says="101 mm")
    kept.writer.commit(Batch(changes=[raised]))


@pytest.fixture(scope="module")
def overfull(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Kept, Served]]:
    """A served rig with an alarm that stands, for whatever is refused: nothing is ever asked."""
    now = now_ms()
    kept = keep(tmp_path_factory.mktemp("overfull"), times=[now - 1000], now_ms=now)
    raise_overfill(kept)
    with serve(kept.rig_file) as served:
        yield kept, served
    kept.close()


def requests(kept: Kept) -> list[tuple[str, str, str]]:
    db = sqlite3.connect(kept.folder / "inbox.db")
    try:
        return list(db.execute("SELECT kind, subject, by FROM request"))
    finally:
        db.close()


@pytest.mark.parametrize("path", ["/", "/water", "/traces", "/alarms", "/health"])
def test_each_sheet_answers_with_all_sheets_as_its_only_ways_on(at_rest: Served, path: str) -> None:
    answer = at_rest.get(path)
    assert answer.status == 200
    nav = answer.text[answer.text.index('aria-label="Sheets"') :]
    sheets = ("/", "/water", "/traces", "/alarms", "/health", "/proof", "/logbook", "/findings")
    assert [nav.count(f'href="{to}"') for to in sheets] == [1] * 8
    assert nav.count("<a ") == 8
    assert "all invented" in answer.text


def test_many_readers_at_once_are_served_by_a_few_threads(at_rest: Served) -> None:
    with ThreadPoolExecutor(30) as readers:
        answers = list(readers.map(at_rest.get, ["/", "/traces", "/alarms"] * 20))
    assert {answer.status for answer in answers} == {200}
    # The main one, and those that sheets are made in; each more would keep megabytes for good.
    assert len(list(Path(f"/proc/{at_rest.process.pid}/task").iterdir())) <= 6


@pytest.mark.parametrize("path", ["/", "/api/1/latest", "/static/live.js", "/nowhere"])
def test_every_answer_lets_nothing_from_outside_in(at_rest: Served, path: str) -> None:
    headers = at_rest.get(path).headers
    assert headers["Content-Security-Policy"].startswith("default-src 'self';")
    assert "unsafe" not in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"


@pytest.mark.parametrize("path", ["/", "/traces", "/alarms"])
def test_no_sheet_needs_anything_from_another_place(at_rest: Served, path: str) -> None:
    text = at_rest.get(path).text
    assert "http://" not in text
    assert "https://" not in text
    assert " style=" not in text
    assert "<script>" not in text


def test_everything_latest_is_there_for_programs(served: Served) -> None:
    document = json.loads(served.get("/api/1/latest").text)
    assert document["rig"] == "render pair"
    assert document["recording"] is True
    probes = {probe["probe"]: probe for probe in document["probes"]}
    assert len(probes) == 33
    assert probes["plain lime 90/60"]["value"] == pytest.approx(23.1)
    assert probes["plain lime 90/60"]["flag"] == 3
    assert probes["plain lime 170/260"]["value"] is None
    assert document["water"]["clearance_mm"] == pytest.approx(110 - document["water"]["level_mm"])


def test_an_unknown_address_is_a_calm_404(at_rest: Served) -> None:
    answer = at_rest.get("/nowhere")
    assert answer.status == 404
    assert "There is no such sheet." in answer.text


def test_without_a_record_every_sheet_says_so_and_what_to_start(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text("")
    with serve(rig_file) as pages:
        for path in ("/water", "/traces", "/alarms"):
            answer = pages.get(path)
            assert answer.status == 200
            assert "There is no record beside" in answer.text
            assert "longsoak run rig.toml" in answer.text
        assert pages.get("/api/1/latest").status == 503


def test_a_record_without_a_single_reading_is_drawn_as_not_read_yet(tmp_path: Path) -> None:
    kept = keep(tmp_path / "rig", times=[], now_ms=now_ms())
    try:
        with serve(kept.rig_file) as pages:
            text = pages.get("/").text
            assert "no scan has been taken yet" in text
            assert "33 have not been read yet" in text
            assert pages.get("/traces").status == 200
    finally:
        kept.close()


def test_an_alarm_tells_what_it_means_and_what_to_do(kept: Kept, served: Served) -> None:
    raise_overfill(kept)
    text = served.get("/alarms").text
    plan = next(plan for plan in kept.rig.alarms if plan.key == OVERFILL)
    for words in (plan.title, plan.consequence, *plan.actions, "101.3 mm", "Standing, 1"):
        assert words in text.replace("&#39;", "'"), words


def test_an_alarm_the_rig_file_dropped_is_still_listed_by_its_key(
    kept: Kept, served: Served
) -> None:
    kept.writer.commit(Batch(changes=[change("old <key>", now_ms(), NORMAL, NEW)]))
    text = served.get("/alarms").text
    assert "<h3>old &lt;key&gt;</h3>" in text
    assert "The rig file no longer has this alarm" in text


def test_an_alarm_older_than_the_log_still_tells_since_when(kept: Kept, served: Served) -> None:
    long_ago = now_ms() - 40 * 86_400_000 - 60_000
    kept.writer.commit(
        Batch(
            changes=[
                change(OVERFILL, long_ago, NORMAL, NEW, value=101.3, says="101 mm"),
                change(OVERFILL, now_ms() - 1000, NEW, GONE, value=90.0, says="90 mm"),
            ]
        )
    )
    assert "stood 40 days" in served.get("/alarms").text


def test_acknowledging_asks_the_measuring_process_and_shows_what_became_of_it(
    kept: Kept, served: Served
) -> None:
    raise_overfill(kept)
    answer = served.post("/alarms/acknowledge", {"key": OVERFILL, "by": " mk "})
    assert answer.status == 303
    assert requests(kept) == [("acknowledge", OVERFILL, "mk")]
    place = answer.headers["Location"]
    assert "asked by mk; the measuring process takes it within a second" in served.get(place).text

    (request,) = kept.inbox.waiting()
    taken = change(OVERFILL, now_ms(), NEW, ACKNOWLEDGED, by="mk")
    kept.writer.commit(
        Batch(changes=[taken], requests=[(request, now_ms(), "acknowledged, still standing")])
    )
    text = served.get(place).text
    assert "Overfill, catch tray: acknowledged, still standing." in text.replace("&#39;", "'")
    assert 'acknowledged by <span class="hand">mk</span>' in text


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://elsewhere.example"},
        {"Origin": "null"},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
    ],
)
def test_a_form_sent_from_another_site_is_refused_and_asks_nothing(
    overfull: tuple[Kept, Served], headers: dict[str, str]
) -> None:
    kept, served = overfull
    answer = served.post("/alarms/acknowledge", {"key": OVERFILL, "by": "mk"}, **headers)
    assert answer.status == 403
    assert "another site" in answer.text
    assert requests(kept) == []


def own_names() -> list[str]:
    name = socket.gethostname()
    short = name.partition(".")[0]
    return [name, name.upper(), short, f"{short}.local", f"{name}."]


def test_a_foreign_name_that_leads_here_is_answered_nothing(overfull: tuple[Kept, Served]) -> None:
    kept, served = overfull
    port = urllib.parse.urlsplit(served.address).port
    for name in (
        "evil.example",
        "localhost.evil.example",
        "127.0.0.1.evil.example",
        f"{own_names()[2]}.evil.example",
        "evil.example@127.0.0.1",
        "127.0.0.1/evil.example",
        "",
    ):
        host = f"{name}:{port}"
        sent = served.post(
            "/alarms/acknowledge",
            {"key": OVERFILL, "by": "mk"},
            Host=host,
            Origin=f"http://{host}",
            Sec_Fetch_Site="same-origin",
        )
        assert sent.status == 421  # RFC 9110, 15.5.20: not for this server to answer
        for path in ("/", "/api/1/latest", "/events", "/static/live.js"):
            read = served.get(path, Host=host)
            assert read.status == 421
            assert "write the address of these pages as `page` in [rig]" in read.text
            assert read.text.count("\n") == 1
            assert "render pair" not in read.text
            assert read.headers["X-Content-Type-Options"] == "nosniff"
    assert requests(kept) == []


def test_this_machines_own_names_and_any_ip_address_are_answered(at_rest: Served) -> None:
    # Addresses of documentation, RFC 5737 and RFC 3849: any will do, for no name leads to them.
    for name in ("localhost", "LOCALHOST", "192.0.2.7", "[2001:db8::7]", "[::1]", *own_names()):
        for host in (name, f"{name}:8460"):
            answer = at_rest.get("/", Host=host)
            assert answer.status == 200, host


def test_the_name_in_the_rig_files_page_is_answered(kept: Kept, served: Served) -> None:
    assert served.get("/", Host="rig.example").status == 421
    text = kept.rig_file.read_text()
    text = text.replace("[rig]\n", '[rig]\npage = "http://rig.example:8460/"\n', 1)
    kept.rig_file.write_text(text)
    kept.writer.accept_rig(text, utc_ms=now_ms())
    kept.scan(now_ms())
    assert served.get("/", Host="Rig.Example:8460").status == 200
    assert served.get("/", Host="other.rig.example").status == 421
    raise_overfill(kept)
    browser = Caller(served)
    browser.get("/alarms")
    form = {"key": OVERFILL, "by": "mk", "token": browser.token()}
    said = "; ".join(f"{name}={value}" for name, value in browser.cookies.items())
    own = {"Host": "rig.example", "Origin": "http://rig.example", "Cookie": said}
    assert served.post("/alarms/acknowledge", form, **own).status == 303


def test_a_form_sent_from_the_sheet_itself_is_taken(kept: Kept, served: Served) -> None:
    raise_overfill(kept)
    browser = Caller(served)
    browser.get("/alarms")
    answer = browser.post("/alarms/acknowledge", {"key": OVERFILL, "by": "mk"})
    assert answer.status == 303


@pytest.mark.parametrize(
    ("by", "says"),
    [
        ("", "Say who you are"),
        ("   ", "Say who you are"),
        ("x" * 21, "Initials are 1 to 20 printable characters; these are 21."),
        ("m\x07k", "Initials are 1 to 20 printable characters"),
    ],
)
def test_initials_that_are_none_are_answered_with_a_sentence(
    overfull: tuple[Kept, Served], by: str, says: str
) -> None:
    kept, served = overfull
    answer = served.post("/alarms/acknowledge", {"key": OVERFILL, "by": by})
    assert answer.status == 400
    assert says in answer.text
    assert requests(kept) == []


def test_an_alarm_nobody_knows_can_not_be_acknowledged(overfull: tuple[Kept, Served]) -> None:
    kept, served = overfull
    answer = served.post("/alarms/acknowledge", {"key": "<b>", "by": "mk"})
    assert answer.status == 400
    assert "There is no alarm called" in answer.text
    assert "<b>'" not in answer.text
    assert requests(kept) == []


def test_a_form_out_of_all_proportion_is_refused(at_rest: Served) -> None:
    answer = at_rest.post("/alarms/acknowledge", {"key": "x" * 20_000, "by": "mk"})
    assert answer.status == 413


def test_without_an_inbox_the_sheet_says_that_nothing_was_asked(kept: Kept, served: Served) -> None:
    raise_overfill(kept)
    kept.inbox.close()
    for file in kept.folder.glob("inbox.db*"):
        file.unlink()
    answer = served.post("/alarms/acknowledge", {"key": OVERFILL, "by": "mk"})
    assert answer.status == 503
    assert "start it there if it isn&#39;t running" in answer.text
    assert not (kept.folder / "inbox.db").exists()


def test_an_open_page_hears_of_each_commit_within_a_few_seconds(kept: Kept, served: Served) -> None:
    with served.open("/events") as stream:
        first = next_version(stream)
        kept.scan(now_ms())
        later = next_version(stream)
        assert later["scan"] == first["scan"] + 1
        raise_overfill(kept)
        assert next_version(stream)["change"] == later["change"] + 1


def next_version(stream: HTTPResponse) -> dict[str, int]:
    for line in stream:
        if line.startswith(b"data:"):
            found: dict[str, int] = json.loads(line.removeprefix(b"data:"))
            return found
    raise AssertionError("the stream ended")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_within_three_seconds_even_with_a_page_open(
    served: Served, number: signal.Signals
) -> None:
    with served.open("/events") as stream:
        next_version(stream)
        begun = time.monotonic()
        served.process.send_signal(number)
        assert served.process.wait(timeout=3) == 0
        assert time.monotonic() - begun < 3


def test_many_open_pages_and_a_stop_leave_no_words_in_the_log(kept: Kept) -> None:
    with serve(kept.rig_file) as pages:
        streams = [pages.open("/events") for _ in range(5)]
        for stream in streams:
            next_version(stream)
        pages.process.send_signal(signal.SIGTERM)
        pages.process.wait(timeout=3)
        for stream in streams:
            stream.close()
        assert pages.process.stdout is not None
        assert pages.process.stdout.read() == ""


def test_a_new_version_of_the_rig_file_shows_without_a_restart(kept: Kept, served: Served) -> None:
    before = served.get("/").text
    assert "version 1" in before
    assert "cork-lime coat" not in before
    text = kept.rig_file.read_text().replace("render", "coat").replace("coat pair", "render pair")
    kept.writer.accept_rig(text, utc_ms=now_ms())
    kept.scan(now_ms())
    text = served.get("/").text
    assert "cork-lime coat" in text
    assert "version 2" in text


def test_a_record_put_back_shows_its_own_rig_file_though_its_number_is_the_same(
    kept: Kept, served: Served
) -> None:
    assert "cork-lime coat" not in served.get("/").text
    with sqlite3.connect(kept.folder / RECORD) as db:  # as an older backup might hold it
        db.execute(
            "UPDATE rig_version SET text = replace(text, 'cork-lime render', 'cork-lime coat')"
        )
    db.close()
    text = served.get("/").text
    assert "cork-lime coat" in text
    assert "version 1" in text


def test_a_damaged_record_is_told_with_what_becomes_of_it(kept: Kept, served: Served) -> None:
    kept.writer.fold_in()
    with (kept.folder / RECORD).open("r+b") as file:
        file.write(b"no database any more" * 10)
    text = served.get("/").text
    assert "can&#39;t be read" in text
    assert "sets it aside if it is damaged and goes on in a new one" in text


def test_pages_never_show_another_rigs_record(kept: Kept, served: Served) -> None:
    assert "render pair" in served.get("/").text
    text = kept.rig_file.read_text()
    kept.writer.accept_rig(text.replace("render pair", "another rig"), utc_ms=now_ms())
    kept.scan(now_ms())
    answer = served.get("/")
    assert answer.status == 200
    assert "rig.name is &#39;render pair&#39;, expected &#34;another rig&#34;" in answer.text


def test_a_rig_file_in_the_record_that_can_not_be_read_is_told(kept: Kept, served: Served) -> None:
    kept.writer.accept_rig("[rig]\n", utc_ms=now_ms())
    kept.scan(now_ms())
    answer = served.get("/")
    assert answer.status == 200
    assert "version 2, can&#39;t be read" in answer.text


def test_without_the_rig_file_it_refuses_in_one_sentence(tmp_path: Path) -> None:
    done = longsoak("pages", tmp_path / "none.toml")
    assert done.returncode == 2
    assert "there is no rig file at" in done.stderr


def test_a_port_that_is_taken_is_told_in_one_sentence(kept: Kept, served: Served) -> None:
    port = urllib.parse.urlsplit(served.address).port
    done = longsoak("pages", kept.rig_file, "--port", str(port))
    assert done.returncode == 2
    assert done.stderr == (
        f"Port {port} of 127.0.0.1 is taken: another program listens there, perhaps other pages. "
        "Stop it, or choose another port with --port (0 takes any that is free).\n"
    )


@pytest.mark.parametrize(
    ("host", "port", "says"),
    [
        (
            "192.0.2.7",  # RFC 5737: no machine has an address of this block
            "0",
            "This machine has no address 192.0.2.7. Choose one it has with --host: 127.0.0.1 for "
            "this machine alone, 0.0.0.0 for its network.\n",
        ),
        (
            "nowhere.invalid",  # RFC 6761: this name never resolves
            "0",
            "There is no address behind the name nowhere.invalid. Choose one this machine has with "
            "--host: 127.0.0.1 for this machine alone, 0.0.0.0 for its network.\n",
        ),
    ],
)
def test_an_address_that_is_not_this_machines_is_told_in_one_sentence(
    kept: Kept, host: str, port: str, says: str
) -> None:
    done = longsoak("pages", kept.rig_file, "--host", host, "--port", port)
    assert (done.returncode, done.stderr) == (2, says)


def test_a_port_for_the_administrator_alone_is_told_in_one_sentence(kept: Kept) -> None:
    # Even root may not, without this capability; another user has none to give up.
    without = ["setpriv", "--bounding-set=-net_bind_service"] if os.geteuid() == 0 else []
    done = subprocess.run(
        [*without, COMMAND, "pages", kept.rig_file, "--port", "80"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (
        2,
        "Only the machine's administrator may listen on port 80. "
        "Choose one from 1024 to 65535 with --port.\n",
    )


def test_a_request_asked_elsewhere_is_not_told_as_this_pages_own(
    kept: Kept, served: Served
) -> None:
    raise_overfill(kept)
    old = ask(kept.folder, kind="acknowledge", subject=OVERFILL, by="mk", utc_ms=1)
    query = urllib.parse.urlencode({"asked": old.uuid, "key": OVERFILL})
    assert "not taken yet" not in served.get(f"/alarms?{query}").text


def test_the_command_line_stays_light() -> None:
    code = (
        "import sys, longsoak_dashboards.command as c;"
        "print([m for m in ('uvicorn', 'starlette', 'jinja2') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_reading_the_record_never_keeps_the_log_from_being_folded_in(
    kept: Kept, served: Served
) -> None:
    for path in ("/", "/traces", "/alarms", "/api/1/latest"):
        served.get(path)
    assert wait_for(lambda: kept.writer.fold_in() is None, what="the log to be folded in")
