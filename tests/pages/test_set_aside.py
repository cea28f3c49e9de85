"""What a contact with the water set aside, on the pages, in the terminal and in an export."""

import csv
import json
import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote, urlencode

import frictionless
import pandas as pd
import pytest
from playwright.sync_api import Browser

from longsoak.core.quality.day import Day
from longsoak.core.quality.health import ClosedDay
from longsoak.core.water.timeline import At
from longsoak.core.wording import rfc3339
from longsoak.store.reader import Record
from longsoak.store.water import KeptWater, WaterMemory
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.water import Found, WaterNews
from pages.inbrowser import looks_well, page_of, views
from pages.pagerig import DAY_MS, NOW_MS, Kept, Wrong, keep, told
from pages.serving import Served, now_ms, serve
from processes import longsoak

pytestmark = pytest.mark.long

SPOILED = "set aside: water touched the specimen"


def plain(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def moment(utc_ms: int) -> At:
    return At(1, utc_ms, utc_ms - NOW_MS + 400 * DAY_MS)


def contact(kept: Kept, *, from_ms: int, until_ms: int | None) -> None:
    """Keep a contact, as the chore does."""
    news = WaterNews(
        Found.CONTACT,
        from_ms / 1000,
        None if until_ms is None else until_ms / 1000,
        "Water reached 118 mm, and the specimen is touched or splashed from 110 mm on.",
        figures={"highest_mm": 118.0},
    )
    end = None if until_ms is None else moment(until_ms)
    kept.writer.keep_water(KeptWater(WaterMemory(1, 1, b""), [], [(news, moment(from_ms), end)]))


@pytest.fixture(scope="module")
def wetted(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    """A day of scans, in whose midst water touched the specimen for twelve hours; read only."""
    now = now_ms()
    times = [now - 1000 - 900_000 * n for n in range(96)][::-1]
    rig = keep(tmp_path_factory.mktemp("wetted"), times=times, now_ms=now)
    contact(rig, from_ms=now - DAY_MS * 3 // 4, until_ms=now - DAY_MS // 4)
    yield rig
    rig.close()


@pytest.fixture(scope="module")
def pages(wetted: Kept) -> Iterator[Served]:
    with serve(wetted.rig_file) as served:
        yield served


def probes(kept: Kept) -> tuple[str, str]:
    """A pair of pins that water climbs to in twelve hours, and one it does not."""
    pins = [p for p in kept.rig.probes if p.kind.value == "pins" and p.height is not None]
    low = min(pins, key=lambda p: p.height or 0.0)
    high = max(pins, key=lambda p: p.height or 0.0)
    return low.name, high.name


def test_what_is_set_aside_is_suspect_with_its_reason(wetted: Kept, pages: Served) -> None:
    low, high = probes(wetted)
    document = json.loads(pages.get("/api/1/latest").text)
    now = {each["probe"]: each for each in document["probes"]}
    assert (now[low]["flag"], now[low]["reason"]) == (
        3,
        "set aside: water touched the specimen",
    )
    assert now[high]["reason"] != now[low]["reason"]
    shown = json.loads(longsoak("now", wetted.rig_file, "--json").stdout)
    (found,) = [each for each in shown["probes"] if each["probe"] == low]
    assert found["reason"] == "set aside: water touched the specimen"


def test_the_probe_s_sheet_tells_it_and_draws_it_with_and_without(
    wetted: Kept, pages: Served
) -> None:
    low, high = probes(wetted)
    path = f"/probe/{low.replace(' ', '%20').replace('/', '%2F')}"
    html = pages.get(path).text
    said = plain(html)
    assert "Set aside after a contact with the water" in said
    assert "not yet back on its trend" in said
    assert "three times" in said or "3 times" in said
    assert 'href="?aside=without"' in html
    without = pages.get(f"{path}?aside=without").text
    assert 'href="?aside=with"' in without
    assert len(drawn(without)) < len(drawn(html))
    other = pages.get(f"/probe/{high.replace(' ', '%20').replace('/', '%2F')}").text
    assert "Set aside after" not in other


def drawn(html: str) -> str:
    """What is drawn of the readings."""
    return "".join(re.findall(r' d="([^"]*)"', html))


def test_traces_have_a_choice_where_anything_is_set_aside(wetted: Kept, pages: Served) -> None:
    html = pages.get("/traces?what=pins&height=60&hours=24").text
    assert "drawn thin" in html
    assert "aside=without" in html
    without = pages.get("/traces?what=pins&height=60&hours=24&aside=without").text
    assert len(drawn(without)) < len(drawn(html))


@pytest.mark.parametrize("points", [20, 5000])
def test_readings_for_programs_are_suspect_or_left_out(
    wetted: Kept, pages: Served, points: int
) -> None:
    low, _ = probes(wetted)
    times = [("from", rfc3339(now_ms() - DAY_MS)), ("to", rfc3339(now_ms()))]
    query = urlencode([("probe", low), ("points", points), *times])
    whole = json.loads(pages.get(f"/api/1/readings?{query}").text)["probes"][0]
    without = json.loads(pages.get(f"/api/1/readings?{query}&aside=without").text)["probes"][0]
    spoiled = [t for t, flag in zip(whole["time_ms"], whole["flag"], strict=True) if flag == 3]
    assert spoiled
    assert not set(spoiled) & set(without["time_ms"])
    assert set(whole["time_ms"]) - set(spoiled) == set(without["time_ms"])
    text = pages.get(f"/api/1/readings?probe={quote(low)}&points=all&format=csv").text
    reasons = {row["reason"] for row in csv.DictReader(text.splitlines()) if row["flag"] == "3"}
    assert reasons == {SPOILED}


@pytest.mark.parametrize("points", [5, 5000, "all"])
def test_what_is_set_aside_does_not_depend_on_where_a_question_ends(
    tmp_path: Path, points: int | str
) -> None:
    """Water has touched the specimen for four days, and climbs as long as it does."""
    now = now_ms()
    times = [now - 1000 - 1_800_000 * n for n in range(200)][::-1]
    rig = keep(tmp_path / "rig", times=times, now_ms=now)
    try:
        low, high = probes(rig)
        between = next(p.name for p in rig.rig.probes if p.kind.value == "pins" and p.height == 160)
        contact(rig, from_ms=times[0], until_ms=None)
        with serve(rig.rig_file) as served:
            flags = {}
            for name in (low, between, high):
                asked = [("probe", name), ("points", points), ("format", "csv")]
                query = urlencode([*asked, ("to", rfc3339(times[3]))])
                rows = csv.DictReader(served.get(f"/api/1/readings?{query}").text.splitlines())
                flags[name] = {row["flag"] for row in rows}
            found = json.loads(served.get("/api/1/set-aside").text)["set_aside"]
    finally:
        rig.close()
    aside = {each["probe"] for each in found}
    assert {name for name, own in flags.items() if "3" in own} == aside & flags.keys()
    assert between in aside


def test_contacts_and_what_they_set_aside_lie_around_a_drawing(wetted: Kept, pages: Served) -> None:
    low, high = probes(wetted)
    around = json.loads(pages.get("/traces/around.json").text)
    (window,) = around["contacts"]
    assert window["words"] == "contact 1"
    assert around["asides"][low][0][0] == window["from"]
    assert high not in around["asides"]
    html = pages.get("/traces?what=pins&height=60&hours=24").text
    assert html.count('class="contact" fill="url(#h-contact)" x=') == 3  # one a depth
    assert 'class="aside"' in html
    assert 'id="h-contact"' in html
    before = pages.get("/traces?what=pins&height=60&from=2026-01-01T00:00&to=2026-01-02T00:00").text
    assert 'class="contact"' not in before


def test_a_plot_of_which_all_is_set_aside_says_so_in_place_of_an_axis_of_nothing(
    tmp_path: Path, browser: Browser
) -> None:
    now = now_ms()
    times = [now - 1000 - 900_000 * n for n in range(96)][::-1]
    rig = keep(tmp_path / "rig", times=times, now_ms=now)
    try:
        low, high = probes(rig)
        contact(rig, from_ms=now - 3 * DAY_MS, until_ms=now - 2 * DAY_MS)
        words = "Everything in this time is set aside after a contact with the water."
        with serve(rig.rig_file) as served:
            address = "/traces?what=pins&height=60&hours=24"
            shown = plain(served.get(address).text)
            assert "is set aside after" not in shown
            without = served.get(f"{address}&aside=without").text
            assert plain(without).count(words) == 3, "one a depth, and none has a value"
            assert "<text" in without
            assert not re.search(r"<text[^>]*>\s*10\s*</text>", without), "no figures of nothing"
            assert f"{low.split()[0]}, all set aside" in plain(without)
            own = f"/probe/{low.replace(' ', '%20').replace('/', '%2F')}?aside=without"
            assert words in plain(served.get(own).text)
            dry = served.get("/traces?what=pins&height=360&hours=24&aside=without").text
            assert "is set aside after" not in plain(dry)
            assert high in {probe.name for probe in rig.rig.probes if probe.height == 360}
            with page_of(browser, served, size="phone") as page:
                page.goto(f"{address}&aside=without")
                looks_well(page, "traces-all-aside")
                views(page, "traces-all-aside")
    finally:
        rig.close()


def test_where_nothing_can_be_drawn_a_plot_says_that(at_rest: Served) -> None:
    """The two scans of this rig are a quarter of an hour apart; one probe gave none of them."""
    silent = plain(at_rest.get("/probe/plain%20lime%20170%2F260").text)
    assert "Nothing in this time can be drawn." in silent
    good = plain(at_rest.get("/probe/plain%20lime%2030%2F160").text)
    assert "Nothing in this time can be drawn." not in good


def test_without_a_contact_there_is_no_choice(at_rest: Served) -> None:
    assert "aside=without" not in at_rest.get("/traces?what=pins").text


def test_a_probe_that_stays_off_is_proposed_a_new_baseline(tmp_path: Path) -> None:
    now = now_ms()
    rig = keep(tmp_path / "rig", times=[now - 900_000, now - 1000], now_ms=now)
    try:
        low, _ = probes(rig)
        today = now // DAY_MS
        begin = today - 40
        contact(rig, from_ms=begin * DAY_MS, until_ms=begin * DAY_MS + DAY_MS // 2)
        days = [
            ClosedDay(low, Day(n, 15.0 if n < begin else 18.0, 0.05, 96, 96))
            for n in range(begin - 20, today)
        ]
        told(rig, [], days)
        with serve(rig.rig_file) as served:
            path = f"/probe/{low.replace(' ', '%20').replace('/', '%2F')}"
            said = plain(served.get(path).text)
            assert "stays off its trend . Off its trend by +3" in said
            assert "close the phase and begin a new baseline" in said
        shown = longsoak("water", rig.rig_file).stdout
        assert f"{low}: stays off its trend. Off its trend by +3 % WME after" in shown
    finally:
        rig.close()


def test_what_is_set_aside_is_counted_beside_what_is_in_doubt(
    wetted: Kept, pages: Served, browser: Browser
) -> None:
    told(wetted, [])
    aside = [
        each
        for each in json.loads(pages.get("/api/1/latest").text)["probes"]
        if each["reason"] == "set aside: water touched the specimen"
    ]
    assert len(aside) > 1
    words = f"{len(aside)} probes are set aside after a contact with the water"
    said = plain(pages.get("/health").text)
    assert "none is in doubt" in said
    assert words in said
    lines = longsoak("now", wetted.rig_file).stdout
    assert f"Health: nothing was found against any probe. {words}" in lines
    with page_of(browser, pages, size="phone") as page:
        page.goto("/health")
        views(page, "health-set-aside")


def test_a_contact_that_is_over_hides_no_newer_one(tmp_path: Path) -> None:
    """The probe was back on its trend after the first, and is spoiled by the second."""
    now = now_ms()
    rig = keep(tmp_path / "rig", times=[now - 900_000, now - 1000], now_ms=now)
    try:
        low, _ = probes(rig)
        today = now // DAY_MS
        first = today - 20
        contact(rig, from_ms=first * DAY_MS, until_ms=first * DAY_MS + DAY_MS // 2)
        contact(rig, from_ms=now - DAY_MS * 3 // 4, until_ms=now - DAY_MS // 4)
        days = [ClosedDay(low, Day(n, 15.0, 0.05, 96, 96)) for n in range(first - 14, today)]
        told(rig, [], days)
        (row,) = re.findall(
            rf"^{low} .*$", longsoak("now", rig.rig_file, "--health").stdout, re.MULTILINE
        )
        assert "nothing found" not in row
        assert row.count("set aside: water touched the specimen") == 2, "health, and flag now"
        with serve(rig.rig_file) as served:
            said = plain(served.get("/health").text)
            assert f"{low} suspect, set aside: water touched the specimen" in said
            asides = plain(served.get(f"/probe/{low.replace(' ', '%20').replace('/', '%2F')}").text)
            assert "back on its trend" in asides, "the first is over"
    finally:
        rig.close()


def test_an_export_tells_what_is_set_aside_and_may_leave_it_out(
    wetted: Kept, tmp_path: Path
) -> None:
    low, _ = probes(wetted)
    counts = {}
    for choice in ("with", "without"):
        out = tmp_path / choice
        ended = longsoak("export", wetted.rig_file, out, "--set-aside", choice)
        assert (ended.returncode, ended.stderr) == (0, "")
        with (out / "readings.csv").open(newline="") as file:
            readings = list(csv.DictReader(file))
        counts[choice] = sum(row["probe"] == low for row in readings)
        with (out / "windows.csv").open(newline="") as file:
            windows = list(csv.DictReader(file))
        assert {row["contact"] for row in windows} == {"1"}
        (own,) = [row for row in windows if row["probe"] == low]
        joined = [
            row for row in readings if row["probe"] == low and row["time"] >= own["set_aside_from"]
        ]
        assert len(joined) == (0 if choice == "without" else counts["with"] - 24)
        rest = [row for row in readings if row not in joined and row["reason"] != SPOILED]
        assert all(row["flag"] == row["first_flag"] for row in rest)
        assert all(row["reason"] == row["first_reason"] for row in rest)
        assert (own["recovery"], own["set_aside_until"]) == ("not yet back on its trend", "")
    assert counts == {"with": 96, "without": 24}


def test_whoever_loads_the_exported_readings_alone_sees_what_is_set_aside(
    wetted: Kept, tmp_path: Path
) -> None:
    low, high = probes(wetted)
    found = {}
    for form in ("csv", "parquet"):
        out = tmp_path / form
        assert longsoak("export", wetted.rig_file, out, "--format", form).returncode == 0
        read = (pd.read_csv if form == "csv" else pd.read_parquet)(out / f"readings.{form}")
        given = read[["flag", "reason", "first_flag", "first_reason"]].fillna("")
        found[form] = [tuple(row) for row in given[read["probe"] == low].itertuples(index=False)]
        assert SPOILED not in set(read["reason"][read["probe"] == high])
        kept = Record(wetted.folder).series(low, since_ms=0, until_ms=2**60)
        assert list(read["raw"][read["probe"] == low]) == [reading.raw for reading in kept]
        assert frictionless.validate(str(out / "datapackage.json")).valid
    assert found["csv"] == found["parquet"] == 24 * [(1, "", 1, "")] + 72 * [(3, SPOILED, 1, "")]


def test_what_failed_is_no_better_for_being_set_aside(tmp_path: Path) -> None:
    now = now_ms()
    low = "plain lime 30/60"
    fails = {low: Wrong(Flag.FAIL, Reason.OPEN_CIRCUIT)}
    rig = keep(tmp_path / "rig", times=[now - 900_000, now - 1000], now_ms=now, wrong=fails)
    try:
        contact(rig, from_ms=now - DAY_MS // 2, until_ms=None)
        out = tmp_path / "out"
        assert longsoak("export", rig.rig_file, out).returncode == 0
        with (out / "readings.csv").open(newline="") as file:
            flags = {row["flag"] for row in csv.DictReader(file) if row["probe"] == low}
        shown = json.loads(longsoak("now", rig.rig_file, "--json").stdout)
    finally:
        rig.close()
    assert flags == {"4"}
    assert [each["reason"] for each in shown["probes"] if each["probe"] == low] == ["open circuit"]


def test_an_arrival_at_a_probe_that_was_set_aside_is_told_to_be_doubted(
    wetted: Kept, tmp_path: Path
) -> None:
    low, _ = probes(wetted)
    (tmp_path / "arrivals.csv").write_text(f"probe,time_h\n{low},9\n", encoding="utf-8")
    shown = longsoak("front", tmp_path / "arrivals.csv", "--rig", wetted.rig_file).stdout
    assert f"- {low}: its readings from" in shown
    assert "An arrival since then may be that water, and no front." in shown
