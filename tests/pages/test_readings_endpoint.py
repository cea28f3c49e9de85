"""`/api/1/readings` against the record's own readers, over a real server; all readings invented."""

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlencode

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from longsoak.core.wording import rfc3339
from longsoak.store import reader
from longsoak.store.buckets import Bucket
from longsoak.store.reader import Record
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind
from longsoak_dashboards.api.csvtext import reduced_lines
from longsoak_dashboards.api.series import COLUMNS, of_buckets, of_reading
from longsoak_dashboards.api.single import as_csv
from longsoak_dashboards.moments import time_of_form
from longsoak_dashboards.source import Source
from pages.interface import as_json
from pages.pagerig import DAY_MS, DRIFT, Kept, Wrong, flagged, keep, make_rig, rig_text
from pages.serving import Answer, Served, ms_of, now_ms, serve

HOUR = 3_600_000
WET, GOOD, SILENT, BROKEN = (
    "plain lime 30/60",
    "cork-lime 30/60",
    "plain lime 170/260",
    "cork-lime 170/360",
)


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    """Three days, every ten minutes, with half a day's gap; read only."""
    now = now_ms()
    gap = (now - 2 * DAY_MS, now - 2 * DAY_MS + 12 * HOUR)
    times = [t for t in range(now - 3 * DAY_MS, now - 1000, 600_000) if not gap[0] < t < gap[1]]
    rig = keep(
        tmp_path_factory.mktemp("days"),
        times=times,
        now_ms=now,
        wrong_since_ms=now - 30 * HOUR,
        stopped_after=gap[0],
    )
    yield rig
    rig.close()


@pytest.fixture(scope="module")
def pages(days: Kept) -> Iterator[Served]:
    with serve(days.rig_file) as served:
        yield served


def ask(pages: Served, *probes: str, **query: object) -> Answer:
    pairs = [("probe", name) for name in probes]
    pairs += [("from" if k == "since" else k, str(v)) for k, v in query.items()]
    return pages.get(f"/api/1/readings?{urlencode(pairs)}")


def span_of(kept: Kept) -> tuple[int, int]:
    record = Record(kept.folder)
    first, last = record.first_utc_ms(), record.last_utc_ms()
    assert first is not None
    assert last is not None
    return first, last


def same(found: float | None, kept: float | None) -> bool:
    return found == kept or (found is None and kept is None)


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_it_gives_what_the_record_gives_of_any_range_at_any_count_of_points(
    days: Kept, pages: Served, data: st.DataObject
) -> None:
    first, last = span_of(days)
    since = data.draw(st.integers(first - HOUR, last))
    until = data.draw(st.integers(since, last + HOUR))
    points = data.draw(st.integers(1, 5000))
    names = data.draw(
        st.lists(st.sampled_from([WET, GOOD, SILENT, BROKEN]), min_size=1, max_size=4)
    )
    answer = ask(pages, *names, since=rfc3339(since), to=rfc3339(until), points=points)
    assert answer.status == 200
    assert "NaN" not in answer.text
    document = json.loads(answer.text)
    assert [p["probe"] for p in document["probes"]] == list(dict.fromkeys(names))
    record = Record(days.folder)
    single = {n: record.series(n, since_ms=since, until_ms=until + 1) for n in names}
    assert document["raw"] == all(len(series) <= points for series in single.values())
    width, reduced = record.intervals(names, since_ms=since, until_ms=until + 1, buckets=points)
    assert document["interval_ms"] == (0 if document["raw"] else width)
    for probe in document["probes"]:
        columns = {name: probe[name] for name in probe["columns"]}
        assert tuple(columns) == COLUMNS
        assert len({len(column) for column in columns.values()}) == 1
        if document["raw"]:
            kept = single[probe["probe"]]
            assert columns["time_ms"] == [r.utc_ms for r in kept]
            assert columns["flag"] == [int(r.flag) for r in kept]
            assert columns["low"] == columns["mean"] == columns["high"]
            shown = [None if r.flag is Flag.FAIL else r.value for r in kept]
            assert columns["mean"] == shown
        else:
            buckets = reduced[probe["probe"]]
            assert len(buckets) <= points
            assert columns["time_ms"] == [b.utc_ms for b in buckets]
            assert all(map(same, columns["mean"], [b.mean for b in buckets]))
            assert all(map(same, columns["low"], [b.low for b in buckets]))
            assert all(map(same, columns["high"], [b.high for b in buckets]))


def test_a_gap_is_told_with_its_words_and_no_reading_lies_in_it(days: Kept, pages: Served) -> None:
    document = json.loads(ask(pages, GOOD).text)
    gap = document["gaps"][0]
    assert gap["words"] == "cut off, 12 h"
    begin, end = ms_of(gap["from"]), ms_of(gap["to"])
    assert not document["raw"] or not [
        t for t in document["probes"][0]["time_ms"] if begin < t < end
    ]


def test_a_bound_has_a_flat_value_no_uncertainty_and_says_which_it_is(
    days: Kept, pages: Served
) -> None:
    _, last = span_of(days)
    ask_for = {"since": rfc3339(last - 2 * HOUR), "to": rfc3339(last)}
    probe = json.loads(ask(pages, WET, points=500, **ask_for).text)["probes"][0]
    assert set(probe["bound"]) == {"at least"}
    assert set(probe["mean"]) == {25.0}
    assert set(probe["standard_uncertainty"]) == {None}
    few = json.loads(ask(pages, WET, points=2, **ask_for).text)["probes"][0]
    assert few["mean"] == [None, None]
    assert few["high"] == [25.0, 25.0]


def test_a_fail_has_no_value_and_keeps_its_flag(days: Kept, pages: Served) -> None:
    _, last = span_of(days)
    found = json.loads(ask(pages, BROKEN, since=rfc3339(last - HOUR), to=rfc3339(last)).text)
    assert found["raw"] is True
    assert set(found["probes"][0]["flag"]) == {4}
    assert set(found["probes"][0]["mean"]) == {None}


def test_a_probe_is_described_as_the_rig_file_has_it(pages: Served) -> None:
    probe = json.loads(ask(pages, GOOD, points=1).text)["probes"][0]
    described = {key: probe[key] for key in ("kind", "unit", "quantity", "bay", "depth_mm")}
    assert described == {
        "kind": "pins",
        "unit": "%",
        "quantity": "wood-equivalent",
        "bay": "cork-lime",
        "depth_mm": 30,
    }
    assert probe["height_mm"] == 60


@pytest.mark.parametrize(
    ("query", "status", "says"),
    [
        ("", 400, "No probe is named"),
        ("probe=plain+lime+30%2F6", 404, "Was 'plain lime 30/60'"),
        ("probe=zzz", 404, "/api/1/latest lists them all"),
        ("probe=pump", 404, "no probe called 'pump'"),
        ("probe=high+float&from=yesterday", 400, "such as 2026-05-04T00:00:00Z"),
        ("probe=high+float&from=2026-13-01T00:00:00Z", 400, "from is '2026-13-01T00:00:00Z'"),
        ("probe=high+float&to=2026-09-23T12:00:00", 400, "to is '2026-09-23T12:00:00'"),
        (
            "probe=high+float&from=2026-09-23T12:00:00Z&to=2026-09-22T12:00:00Z",
            400,
            "is later than to",
        ),
        ("probe=high+float&points=0", 400, "from 1 to 5000"),
        ("probe=high+float&points=5001", 400, "from 1 to 5000"),
        ("probe=high+float&points=%D9%A3", 400, "from 1 to 5000"),
        ("probe=high+float&points=each", 400, "from 1 to 5000, or all"),
        ("probe=high+float&point=all", 400, "Was 'points' meant?"),
        ("probe=high+float&format=xml", 400, "json or csv"),
        ("probe=high+float&aside=no", 400, "with or without"),
    ],
)
def test_what_can_t_be_given_is_told_in_one_sentence_as_a_problem(
    pages: Served, query: str, status: int, says: str
) -> None:
    answer = pages.get(f"/api/1/readings?{query}")
    assert answer.status == status
    # RFC 9457, section 3 and 4.2.1: media type, members, and what about:blank means (from memory).
    assert answer.headers["Content-Type"] == "application/problem+json"
    problem = json.loads(answer.text)
    assert problem["type"] == "about:blank"
    assert problem["status"] == status
    assert problem["title"] in ("Bad Request", "Not Found")
    assert says in problem["detail"]
    assert "\n" not in problem["detail"]


def test_without_a_record_it_says_what_to_start(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(rig_text())
    with serve(rig_file) as served:
        answer = ask(served, GOOD)
    assert answer.status == 503
    assert "longsoak run rig.toml" in json.loads(answer.text)["detail"]


@pytest.mark.parametrize(
    ("text", "iso"),
    [  # RFC 3339, section 5.8: its own examples, from memory.
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57.000Z"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870Z"),
        ("2026-09-23t12:00:00z", "2026-09-23T12:00:00.000Z"),
        ("2026-09-23T12:00:00 02:00", "2026-09-23T10:00:00.000Z"),  # a plus as a form sends it
        ("2026-09-23 12:00:00 02:00", "2026-09-23T10:00:00.000Z"),
    ],
)
def test_times_are_read_as_rfc_3339_writes_them(text: str, iso: str) -> None:
    assert time_of_form(text) == ms_of(iso)


@given(st.integers(0, 4_102_444_800_000))
def test_a_time_that_was_written_is_read_back(utc_ms: int) -> None:
    assert ms_of(rfc3339(utc_ms)) == utc_ms
    assert time_of_form(rfc3339(utc_ms)[:16]) == utc_ms // 60_000 * 60_000


@given(st.text(max_size=30))
def test_no_text_breaks_the_reading_of_times(text: str) -> None:
    found = time_of_form(text)
    assert found is None or isinstance(found, int)


def rows_in(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_the_numbers_of_a_drawing_are_csv_as_rfc_4180_has_it(days: Kept, pages: Served) -> None:
    first, last = span_of(days)
    range_of = {"since": rfc3339(first), "to": rfc3339(last), "points": 20}
    answer = ask(pages, GOOD, WET, format="csv", **range_of)
    assert answer.headers["Content-Type"].startswith("text/csv")
    assert 'filename="render-pair-traces.csv"' in answer.headers["Content-Disposition"]
    lines = answer.text.split("\r\n")
    assert lines[-1] == ""
    assert "\n" not in answer.text.replace("\r\n", "")
    rows = rows_in(answer.text)
    assert {row["probe"] for row in rows} == {GOOD, WET}
    document = json.loads(ask(pages, GOOD, WET, **range_of).text)
    wanted = [(rfc3339(t), p["probe"]) for p in document["probes"] for t in p["time_ms"]]
    assert sorted((row["time"], row["probe"]) for row in rows) == sorted(wanted)


def test_every_single_reading_comes_as_csv_with_raw_value_flag_and_reason(
    days: Kept, pages: Served
) -> None:
    answer = ask(pages, GOOD, SILENT, BROKEN, points="all", format="csv")
    rows = rows_in(answer.text)
    record = Record(days.folder)
    kept = {
        (rfc3339(r.utc_ms), r.probe): r
        for name in (GOOD, SILENT, BROKEN)
        for r in record.series(name, since_ms=0, until_ms=2**50)
    }
    assert len(rows) == len(kept)
    assert [row["time"] for row in rows] == sorted(row["time"] for row in rows)
    for row in rows:
        reading = kept[row["time"], row["probe"]]
        assert row["raw"] == ("" if reading.raw is None else repr(reading.raw))
        assert row["raw_unit"] == reading.raw_unit
        value = float(row["value"]) if row["value"] else None
        assert (value is None) == (reading.value is None)
        assert reading.value is None or value == pytest.approx(reading.value, rel=1e-6)
        assert (int(row["flag"]), row["reason"]) == (int(reading.flag), reading.reason.words)


@pytest.mark.parametrize("held", [1, 65_536])
def test_no_more_readings_are_made_at_a_time_however_many_probes_are_asked_for(
    days: Kept, monkeypatch: pytest.MonkeyPatch, held: int
) -> None:
    monkeypatch.setattr(reader, "AT_ONCE", 15)
    monkeypatch.setattr(reader, "_HELD", held)
    monkeypatch.setattr(reader, "_SHORT", 50)
    source, names = Source(days.rig_file), tuple(probe.name for probe in days.rig.probes)
    first, last = span_of(days)
    some = list(source.readings(names, since_ms=first, until_ms=last, now_ms=now_ms()))
    assert max(map(len, some)) == 15
    assert sum(not part for part in some) >= len(names), "the thread is handed back in between"
    found = [reading for part in some for reading in part]
    assert [r.utc_ms for r in found] == sorted(r.utc_ms for r in found)
    for name in names:
        kept = source.record.series(name, since_ms=first, until_ms=last + 1)
        assert [r for r in found if r.probe == name] == kept
    known = {probe.name: probe for probe in days.rig.probes}
    pieces = list(as_csv(iter(some), known))
    assert len(pieces) == len(some) + 1
    assert max(piece.count("\r\n") for piece in pieces) == 15
    assert "".join(pieces).count("\r\n") == len(found) + 1


def test_a_document_of_every_reading_says_what_its_csv_says(days: Kept, pages: Served) -> None:
    names = [probe.name for probe in days.rig.probes]
    rows = rows_in(ask(pages, *names, points="all", format="csv").text)
    document = json.loads(ask(pages, *names, points="all").text)
    assert document["raw"] is True
    assert [probe["probe"] for probe in document["probes"]] == names
    assert document["columns"] == list(rows[0])
    assert len(document["readings"]) == len(rows)
    for row, cells in zip(rows, document["readings"], strict=True):
        assert list(map(as_json, row.values(), cells)) == cells


@pytest.mark.parametrize("points", [5000, "all"])
def test_a_bound_stays_one_under_a_flag_set_by_hand(tmp_path: Path, points: int | str) -> None:
    now = now_ms()
    wet = {DRIFT: Wrong(Flag.PASS, Reason.WETTER_THAN_CURVE, 25.0)}
    times = [now - 1000 - 600_000 * n for n in range(12)][::-1]
    kept = keep(tmp_path / "rig", times=times, now_ms=now, wrong=wet)
    try:
        flagged(kept, Flag.SUSPECT, since_ms=now - DAY_MS, until_ms=None)
        with serve(kept.rig_file) as served:
            rows = rows_in(ask(served, DRIFT, points=points, format="csv").text)
            latest = json.loads(served.get("/api/1/latest").text)["probes"]
            section = served.get("/").text
    finally:
        kept.close()
    (told,) = (row for row in latest if row["probe"] == DRIFT)
    assert (told["flag"], told["bound"], told["standard_uncertainty"]) == (3, "at least", None)
    assert f'aria-label="{DRIFT}: &gt; 25.0 %' in section
    assert {row["flag"] for row in rows} == {"3"}
    assert {row["bound"] for row in rows} == {"at least"}
    assert {row["uncertainty"] for row in rows} == {""}


def test_names_that_begin_like_a_formula_are_marked_as_text() -> None:
    rig = make_rig()
    probe = next(p for p in rig.probes if p.kind is Kind.PINS)
    name = '=1+1, "north"'
    odd = replace(probe, name=name)
    row = (1_790_000_000_000, 1.5, 1.5, 1.5, None, 1, None)
    text = "".join(reduced_lines({name: [row]}, {name: odd}))
    (found,) = rows_in(text)
    assert found["probe"] == f"'{name}"
    assert found["mean"] == "1.5"


@given(
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from(list(Flag)),
    st.sampled_from(list(Reason)),
)
def test_no_row_holds_what_json_has_no_word_for(value: float, flag: Flag, reason: Reason) -> None:
    probe = make_rig().probes[0]
    reading = Reading(probe.name, 0, value, "Ohm", value, value, flag, reason)
    bucket = Bucket(0, value, value, value, value, 1, flag)
    for row in (of_reading(reading, probe), *of_buckets([bucket])):
        json.dumps(row, allow_nan=False)
        assert len(row) == len(COLUMNS)


def test_what_somebody_flagged_is_drawn_so_at_any_width(tmp_path: Path) -> None:
    now = now_ms()
    times = [now - 1000 - 600_000 * n for n in range(144)][::-1]
    kept = keep(tmp_path / "rig", times=times, now_ms=now, wrong={})
    try:
        flagged(kept, Flag.FAIL, since_ms=now - 12 * HOUR, until_ms=None)
        name = "plain lime 90/160"
        with serve(kept.rig_file) as served:
            for points in (10, 1000):
                probe = json.loads(ask(served, name, points=points).text)["probes"][0]
                late = [i for i, t in enumerate(probe["time_ms"]) if t >= now - 12 * HOUR]
                early = [i for i, t in enumerate(probe["time_ms"]) if t < now - 13 * HOUR]
                assert {probe["flag"][i] for i in late} == {4}
                assert {probe["mean"][i] for i in late} == {None}
                assert all(probe["mean"][i] is not None for i in early)
    finally:
        kept.close()
