"""What programs read of a rig: all of it, as it was kept, within bounds; all data are invented."""

import csv
import html
import io
import json
import re
import socket
import subprocess
import sys
import urllib.parse
from collections.abc import Iterator
from contextlib import closing
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from bench.longrecord import fill
from bench.rig64.started import pss_mb
from cli.wettedrig import recorded
from longsoak.core.wording import rfc3339
from longsoak.store.files import folder_of
from longsoak.store.reader import Record
from longsoak.vocabulary.flags import Flag
from longsoak_dashboards.moments import time_ms
from pages.inbrowser import looks_well, page_of
from pages.interface import PATHS, as_json, check, schema_of, something_of_everything
from pages.pagerig import DAY_MS, Bays, Kept, keep, rig_text
from pages.serving import Answer, Served, now_ms, serve
from processes import longsoak
from waiting import wait_for

ROOT = "/api/1/"
DRIFTS = "plain lime 90/160"  # and its wire is open in the newest scan


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    """Something of everything; read only."""
    found = something_of_everything(tmp_path_factory.mktemp("everything"))
    yield found
    found.close()


@pytest.fixture(scope="module")
def pages(kept: Kept) -> Iterator[Served]:
    with serve(kept.rig_file) as served:
        yield served


def query(**asked: str | int) -> str:
    return urllib.parse.urlencode({name.rstrip("_"): value for name, value in asked.items()})


def get(served: Served, what: str, **asked: str | int) -> dict[str, Any]:
    """An answer that is as the document says."""
    address = f"{ROOT}{what}"
    answer = served.get(f"{address}?{query(**asked)}" if asked else address)
    assert answer.status == 200, answer.text
    found: dict[str, Any] = check(schema_of(address), answer.text)
    return found


def every(served: Served, **asked: str | int) -> list[dict[str, Any]]:
    """Every reading that is asked for, by the names of its columns."""
    answer = served.get(f"{ROOT}readings?{query(**asked, points='all')}")
    assert answer.status == 200, answer.text
    found = check("EveryReading", answer.text)
    return [dict(zip(found["columns"], row, strict=True)) for row in found["readings"]]


def told(answer: Answer, status: int) -> str:
    """The sentence of a problem."""
    assert (answer.status, answer.headers["Content-Type"]) == (status, "application/problem+json")
    problem = check("Problem", answer.text)
    assert problem["status"] == status
    said: str = problem["detail"]
    return said


@pytest.mark.parametrize("path", [path for path in PATHS if "readings" not in path])
def test_all_that_is_answered_is_in_the_document_and_no_number_is_without_an_end(
    pages: Served, path: str
) -> None:
    answer = pages.get(path)
    assert answer.status == 200
    check(schema_of(path), answer.text)


@pytest.mark.long
def test_the_water_is_told_as_the_command_tells_it(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    rig_file, _ = recorded(tmp_path_factory.mktemp("water"))
    by_command = json.loads(longsoak("water", rig_file, "--json").stdout)
    with serve(rig_file) as served:
        water, top_ups = get(served, "water"), get(served, "water/top-ups")["top_ups"]
    assert water["balance"] == by_command["balance"]
    assert water["level"]["lost_per_day"] == by_command["level"]["lost_per_day"]
    assert len(top_ups) == 3
    assert top_ups == by_command["top_ups"]


def test_the_rig_is_told_as_its_file_declares_it_and_as_it_did_before(tmp_path: Path) -> None:
    text = rig_text()
    rig = keep(tmp_path / "rig", text=text, times=[now_ms() - 2000], now_ms=now_ms())
    rig.writer.accept_rig(text.replace("underside = 110", "underside = 130"), utc_ms=now_ms())
    rig.scan(now_ms())
    with serve(rig.rig_file) as served:
        new, old = get(served, "rig"), get(served, "rig", version=1)
        none = served.get(f"{ROOT}rig?version=3")
    rig.close()
    assert (new["version"]["number"], new["specimen"]["underside_mm"]) == (2, 130)
    assert (old["version"]["number"], old["specimen"]["underside_mm"]) == (1, 110)
    assert [each["number"] for each in new["versions"]] == [1, 2]
    assert "no version 3" in told(none, 404)
    assert len(new["probes"]) == len(rig.rig.probes)
    pins = next(each for each in new["probes"] if each["probe"] == DRIFTS)
    assert (pins["bay"], pins["depth_mm"], pins["height_mm"]) == ("plain lime", 90, 160)
    assert (pins["kind"], pins["unit"], pins["temperature_probes"]) == (
        *("pins", "%"),
        ["cork-lime timber"],
    )


LIMITS = """
[[limits]]
name = "the panel stays dry"
quantity = "moisture content"
bay = "plain lime"
depth = [90, 100]
height = [0, 160]
at_most = 20
source = "common practice"

[[limits]]
name = "the render is wetted"
quantity = "wood-equivalent"
at_least = 2
above = "control"
"""


def test_limits_are_told_with_the_probes_they_are_on(tmp_path: Path) -> None:
    text = f"{rig_text()}\n{LIMITS}"
    rig = keep(tmp_path / "rig", text=text, times=[now_ms() - 2000], now_ms=now_ms())
    with serve(rig.rig_file) as served:
        panel, render = get(served, "rig")["limits"]
    rig.close()
    assert panel == {
        "limit": "the panel stays dry",
        "quantity": "moisture content",
        "unit": "%",
        "bay": "plain lime",
        "layer": None,
        "depth_mm": [90, 100],
        "height_mm": [0, 160],
        "probes": [["plain lime 90/60"], ["plain lime 90/160"]],
        "side": "at most",
        "bound": 20,
        "above": None,
        "statistic": "highest",
        "window_h": 24,
        "longest_h": 0,
        "coverage": 0.9,
        "phases": ["wetting"],
        "rule": "consumer's risk",
        "risk": 0.05,
        "source": "common practice",
    }
    assert (render["side"], render["bound"], render["above"]) == ("at least", 2, "control")
    assert (render["depth_mm"], render["source"], len(render["probes"])) == (None, None, 8)


def test_an_open_wire_s_reading_has_no_value_and_its_flag_says_why(
    kept: Kept, pages: Served
) -> None:
    probes = {each["probe"]: each for each in get(pages, "latest")["probes"]}
    assert (probes[DRIFTS]["value"], probes[DRIFTS]["flag"]) == (None, Flag.SUSPECT)  # by hand
    since = now_ms() - 2 * DAY_MS
    last = every(pages, probe=DRIFTS, from_=rfc3339(since))[-1]
    assert (last["value"], last["raw_unit"]) == (None, "Ohm")
    assert (last["flag"], last["flag_taken"]) == (Flag.SUSPECT, Flag.FAIL)
    text = pages.get(f"{ROOT}readings?{query(probe=DRIFTS, points='all', format='csv')}").text
    line = list(csv.DictReader(io.StringIO(text)))[-1]
    assert line["value"] == "INF", "as an export has it"


def test_every_reading_comes_once_with_raw_beside_converted_as_json_and_as_csv(
    kept: Kept, pages: Served
) -> None:
    low = min(
        (p for p in kept.rig.probes if p.kind.value == "pins"), key=lambda p: p.height or 0.0
    ).name
    now = now_ms()
    since = now - 3 * DAY_MS
    stored = Record(kept.folder).series(low, since_ms=since, until_ms=now + 1)
    asked: dict[str, str | int] = {"probe": low, "from_": rfc3339(since), "to": rfc3339(now)}
    rows = every(pages, **asked)
    assert [time_ms(row["time"]) for row in rows] == [reading.utc_ms for reading in stored]
    values = [row["value"] for row in rows]
    assert values == [pytest.approx(each.value, rel=1e-7) for each in stored]
    assert [row["raw"] for row in rows] == [each.raw for each in stored]
    assert [row["flag_taken"] for row in rows] == [each.flag for each in stored]
    assert all(row["flag_word"] == Flag(row["flag"]).word for row in rows)
    # What the contact set aside lies over the flags they were taken with.
    aside = {row["reason"] for row in rows if row["flag"] != row["flag_taken"]}
    assert aside == {"set aside: water touched the specimen"}

    asked["points"] = "all"
    for answer in (
        pages.get(f"{ROOT}readings?{query(**asked, format='csv')}"),
        pages.get(f"{ROOT}readings?{query(**asked)}", Accept="text/csv, */*;q=0.1"),
    ):
        assert answer.headers["Content-Type"].startswith("text/csv; charset=utf-8")
        lines = list(csv.DictReader(io.StringIO(answer.text)))
        assert [line["time"] for line in lines] == [row["time"] for row in rows]
        assert [float(line["value"]) for line in lines] == values
        assert {line["raw_unit"] for line in lines} == {"Ohm"}
        for line, row in zip(lines, rows, strict=True):
            assert list(line) == list(row)
            assert [as_json(line[name], cell) for name, cell in row.items()] == list(row.values())


def test_the_script_and_the_addresses_on_the_sheet_do_what_it_says(pages: Served) -> None:
    sheet = pages.get(ROOT).text
    scripts = [html.unescape(each) for each in re.findall(r"<pre>\n(.*?)</pre>", sheet, re.DOTALL)]
    (script,) = scripts
    done = subprocess.run(
        [sys.executable, "-c", f"{script}\nprint(len(good), len(rows))"],
        capture_output=True,
        text=True,
        check=True,
    )
    good, rows = map(int, done.stdout.split())
    assert 0 < good <= rows
    (address,) = re.findall(r'href="(/api/1/readings[^"]+points=all[^"]+)"', sheet)
    lines = pages.get(html.unescape(address)).text.splitlines()
    assert len(lines) - 1 == rows
    for path in PATHS:
        assert f"<code>{path}</code>" in sheet


def test_the_sheet_is_legible_and_fits_a_phone(pages: Served, browser: Browser) -> None:
    for scheme in ("light", "dark"):
        with page_of(browser, pages, size="phone", scheme=scheme) as page:
            page.goto(ROOT)
            looks_well(page, f"programs-{scheme}")


@pytest.mark.parametrize(
    ("what", "things", "name"),
    [
        ("logbook", "entries", "number"),
        ("alarms/changes", "changes", "number"),
        ("set-aside", "set_aside", "probe"),
    ],
)
def test_what_is_long_comes_in_parts_that_follow_on_each_other(
    pages: Served, what: str, things: str, name: str
) -> None:
    whole = [each[name] for each in get(pages, what)[things]]
    assert len(whole) >= 3
    found: list[object] = []
    next_ = f"{ROOT}{what}?limit=2"
    while next_:
        answer = pages.get(next_)
        part = check(schema_of(f"{ROOT}{what}"), answer.text)
        assert len(part[things]) <= 2
        found += [each[name] for each in part[things]]
        next_ = part["next"]
    assert found == whole


def test_alarms_that_stand_and_one_that_the_rig_file_dropped_are_told(
    kept: Kept, pages: Served
) -> None:
    alarms = {each["alarm"]: each for each in get(pages, "alarms")["alarms"]}
    assert len(alarms) == len(kept.rig.alarms) + 1
    overfill = alarms["overfill:water level"]
    assert (overfill["state"], overfill["standing"], overfill["by"]) == (
        *("acknowledged, still standing", True),
        "mk",
    )
    assert overfill["actions"]
    assert (alarms["dropped"]["standing"], alarms["dropped"]["title"]) == (True, None)


def test_a_gap_is_told_with_how_the_run_ended(pages: Served) -> None:
    (gap,) = get(pages, "gaps")["gaps"]
    assert gap["stopped"] is False
    assert gap["length_s"] == pytest.approx(900, abs=1)


def test_a_photo_and_several_lines_are_in_the_logbook_as_they_were_written(pages: Served) -> None:
    entries = {each["number"]: each for each in get(pages, "logbook")["entries"]}
    assert entries[2]["says"] == "Zeile 1\nline 2, \u201cquoted\u201d"
    assert entries[2]["photos"] == ["a" * 64]
    assert [each["number"] for each in get(pages, "logbook", kind="flag")["entries"]] == [1]


@pytest.mark.parametrize(
    ("address", "status", "says"),
    [
        ("rig?vers=1", 400, "There is no 'vers' to ask for here. Was 'version' meant?"),
        ("latest?x", 400, "There is no 'x' to ask for here."),
        ("latest?x=1", 400, "There is no 'x' to ask for here. There is nothing to ask for."),
        ("gaps?limit=1001", 400, "limit is '1001', expected a whole number from 1 to 1000."),
        ("gaps?limit=1&limit=2", 400, "limit is given twice, expected once at most."),
        ("gaps?skip=-1", 400, "skip is '-1', expected a whole number of 0 or more."),
        ("gaps?skip=%C2%B2", 400, "expected a whole number of 0 or more."),
        ("readings?probes=x", 400, "There is no 'probes' to ask for here. Was 'probe' or"),
        ("readings?probe=x&points=1&points=2", 400, "points is given twice, expected once"),
        (
            "readings?probe=plain%20lime%2030/60&from=2026-05-04T00:00:00+02:00",
            400,
            "expected a time of RFC 3339 such as 2026-05-04T00:00:00Z. In an address a + is "
            "written %2B.",
        ),
        (
            "readings?probe=plain%20lime%2030/60&from=2026-05-04T00:00:00Z&to=2026-05-03T00:00:00Z",
            400,
            "from, 2026-05-04T00:00:00.000Z, is later than to, 2026-05-03T00:00:00.000Z.",
        ),
        ("nothing", 404, "There is nothing at /api/1/nothing. /api/1/ says what there is."),
    ],
)
def test_a_wrong_question_is_answered_with_one_sentence(
    pages: Served, address: str, status: int, says: str
) -> None:
    assert says in told(pages.get(f"{ROOT}{address}"), status)


def test_nothing_can_be_written(pages: Served) -> None:
    answer = pages.post(f"{ROOT}rig", {})
    assert told(answer, 405) == "/api/1/rig can only be read, by GET; it was asked by POST."
    assert set(answer.headers["Allow"].split(", ")) == {"GET", "HEAD"}
    assert pages.post("/traces", {}).headers["Content-Type"].startswith("text/html")


def test_without_a_record_it_says_so_and_what_to_start(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text("")
    with serve(rig_file) as served:
        for path in PATHS:
            if "readings" not in path:
                assert "longsoak run rig.toml" in told(served.get(path), 503)
        assert served.get(f"{ROOT}openapi.json").status == 200


# The examples of RFC 3339, 5.8 (from memory), and what is none.
@pytest.mark.parametrize(
    ("said", "utc_ms"),
    [
        ("1985-04-12T23:20:50.52Z", 482_196_050_520),
        ("1996-12-19T16:39:57-08:00", 851_042_397_000),
        ("1990-12-31T23:59:60Z", 662_688_000_000),
        ("1990-12-31T15:59:60-08:00", 662_688_000_000),
        ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130),
        ("2026-05-04t00:00:00z", 1_777_852_800_000),
        ("2026-05-04T00:00:00.9999999Z", 1_777_852_800_999),
        ("2026-05-04", None),
        ("2026-05-04T00:00:00", None),
        ("2026-02-30T00:00:00Z", None),
        ("20260504T000000Z", None),
        ("2026-05-04T24:00:00Z", None),
        ("0001-01-01T00:00:00+14:00", -62_135_596_800_000),
        ("9999-12-31T23:59:60Z", 253_402_300_799_999),
        ("0000-01-01T00:00:00Z", None),
        ("\u0662026-05-04T00:00:00Z", None),
    ],
)
def test_times_are_read_as_the_standard_has_them(said: str, utc_ms: int | None) -> None:
    assert time_ms(said) == utc_ms


ONE = Bays(names=("one",), depths=(30,), heights=(60,), reservoir=False, elsewhere=False)
SCANS = 120_000


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Nearly three months of a pair of pins, a reading a minute."""
    rig_file = tmp_path_factory.mktemp("long") / "rig.toml"
    text = rig_text(ONE)
    rig_file.write_text(text)
    start = now_ms() - SCANS * 60_000
    fill(
        folder_of(rig_file),
        names=("one 30/60", "one timber"),
        scans=SCANS,
        text=text,
        start_ms=start,
    )
    with serve(rig_file) as served:
        yield served


@pytest.mark.long
def test_months_of_readings_all_come_and_leave_no_memory_behind(long: Served) -> None:
    def taken(form: str) -> int:
        asked = query(probe="one 30/60", points="all", format=form)
        with long.open(f"{ROOT}readings?{asked}") as answer:
            return sum(1 for _ in answer) - 1

    assert taken("csv") == SCANS
    before = pss_mb(long.process.pid)
    assert taken("csv") == SCANS  # 8 MB as they travel
    assert taken("json") == SCANS
    assert pss_mb(long.process.pid) - before < 4


@pytest.mark.long
def test_a_head_is_answered_though_two_long_answers_are_on_their_way_and_others_still_get_theirs(
    long: Served,
) -> None:
    asked = query(probe="one 30/60", points="all")
    place = urllib.parse.urlsplit(long.address)
    held = []
    for _ in range(2):  # by somebody who takes nothing of it
        taker = socket.socket()
        taker.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        taker.connect((place.hostname, place.port))
        taker.sendall(
            f"GET {ROOT}readings?{asked} HTTP/1.1\r\nHost: {place.netloc}\r\n\r\n".encode()
        )
        assert taker.recv(12) == b"HTTP/1.1 200"
        held.append(taker)
    refused = long.get(f"{ROOT}readings?{asked}")
    assert "2 such answers are on their way already" in told(refused, 503)
    assert refused.headers["Retry-After"] == "5"
    assert long.get(f"{ROOT}latest").status == 200
    assert long.get("/traces").status == 200
    assert head_of(long, f"{ROOT}readings?{asked}&format=csv").startswith("text/csv")
    for taker in held:
        taker.close()
    few = query(probe="one 30/60", points="all", from_=rfc3339(now_ms() - DAY_MS))
    wait_for(lambda: long.get(f"{ROOT}readings?{few}").status == 200, what="a place to be free")


def head_of(served: Served, address: str) -> str:
    """The type of what is there, and nothing more."""
    connection = HTTPConnection(urllib.parse.urlsplit(served.address).netloc, timeout=20)
    with closing(connection):
        connection.request("HEAD", address)
        answer = connection.getresponse()
        assert (answer.status, answer.read()) == (200, b"")
        assert answer.headers["Content-Length"] is None
        return str(answer.headers["Content-Type"])
