"""What an address of the traces asks for, choosing probes, and the picture; all invented."""

import itertools
import re
from dataclasses import replace
from urllib.parse import parse_qsl, urlsplit
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.datastructures import QueryParams

from longsoak.store.buckets import Bucket
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak.vocabulary.rig import Kind
from longsoak_dashboards.drawing.around import LONGEST
from longsoak_dashboards.drawing.beside import in_lines, spread
from longsoak_dashboards.source import Reduced
from longsoak_dashboards.view import traces
from longsoak_dashboards.view.marks import marks
from longsoak_dashboards.view.notes import marks_on, notes_of, numbers_of
from longsoak_dashboards.view.panels import draw_panels, limits
from longsoak_dashboards.view.pick import pick
from longsoak_dashboards.view.plans import MOST_LINES
from longsoak_dashboards.view.span import Span
from pages.pagerig import DAY_MS, NOW_MS, make_rig
from pages.serving import Served

RIG = make_rig()
NAMES = [probe.name for probe in RIG.probes]
HOUR = 3_600_000
USUAL = traces.Asked("pins", None, 60.0, "24")


def read(address: str) -> traces.Asked:
    query = QueryParams(parse_qsl(urlsplit(address).query))
    return traces.understand(query, RIG, first_ms=NOW_MS - 90 * DAY_MS, end_ms=NOW_MS)


@given(
    names=st.lists(st.sampled_from(NAMES), unique=True),
    by=st.sampled_from(["depth", "height", "together"]),
    hours=st.sampled_from(["1", "24", "720", "all"]),
    times=st.none()
    | st.tuples(
        st.integers(NOW_MS - 90 * DAY_MS, NOW_MS - HOUR),
        st.none() | st.integers(NOW_MS - HOUR + 1, NOW_MS),
    ),
    aside=st.booleans(),
)
def test_an_address_is_the_exact_view(
    names: list[str], by: str, hours: str, times: tuple[int, int | None] | None, aside: bool
) -> None:
    asked = read(traces.address_of(replace(USUAL, probes=tuple(names), by=by, aside=aside)))
    if times is None:
        asked = replace(asked, hours=hours)
    else:
        asked = replace(asked, since_ms=times[0], until_ms=times[1])
    again = read(traces.address_of(asked))
    # The range goes with times that are named no more.
    assert again == (asked if times is None else replace(asked, hours=again.hours))
    assert again.wrong == ()
    assert set(again.probes) == set(names)


@given(st.dictionaries(st.sampled_from(["from", "to", "probe", "by", "height"]), st.text()))
def test_no_address_breaks_the_sheet(query: dict[str, str]) -> None:
    asked = traces.understand(QueryParams(query), RIG, first_ms=None, end_ms=NOW_MS)
    assert traces.panels(asked, RIG)


def test_what_an_address_says_wrongly_is_told(at_rest: Served) -> None:
    for query, says in (
        ("probe=cork-lime+30%2F6", "There is no probe &#39;cork-lime 30/6&#39;. Was"),
        ("from=soon", "The time from can&#39;t be read"),
        ("from=2026-02-02T10:00&to=2026-01-02T10:00", "is not before the time to"),
    ):
        text = at_rest.get(f"/traces?{query}").text
        assert says in text
        assert text.count('class="told look"') == 1


def test_probes_of_any_kinds_stand_together_by_unit() -> None:
    named = ("cork-lime 30/60", "plain lime 90/260", "air wet RH", "water level")
    asked = replace(USUAL, probes=named, by="together")
    plans = traces.panels(asked, RIG)
    assert [[p.name for p in plan.probes] for plan in plans] == [
        ["cork-lime 30/60", "plain lime 90/260"],
        ["air wet RH"],
        ["water level"],
    ]


def test_pins_are_parted_by_height_from_the_top() -> None:
    asked = traces.understand(
        QueryParams({"by": "height", "depth": "90"}), RIG, first_ms=None, end_ms=NOW_MS
    )
    plans = traces.panels(asked, RIG)
    assert [plan.title for plan in plans] == [
        "360 mm high",
        "260 mm high",
        "160 mm high",
        "60 mm high",
    ]
    assert {p.depth for plan in plans for p in plan.probes} == {90}


@pytest.mark.parametrize("by", ["depth", "height", "together"])
def test_all_probes_at_once_are_drawn_each_once(by: str) -> None:
    plans = traces.panels(replace(USUAL, probes=tuple(NAMES), by=by), RIG)
    assert sorted(p.name for plan in plans for p in plan.probes) == sorted(NAMES)
    assert max(len(plan.probes) for plan in plans) <= MOST_LINES


def test_boxes_stand_as_the_pins_in_their_bay_and_links_draw_rows_and_columns() -> None:
    form = pick(USUAL, RIG)
    assert [grid.bay.words for grid in form.grids] == ["cork-lime", "plain lime"]
    grid = form.grids[0]
    assert [column.words for column in grid.columns] == [
        "30 mm deep",
        "90 mm deep",
        "170 mm deep",
    ]
    row, cells = grid.rows[-1]
    assert row.words == "60 mm high"
    assert [box.name for (box,) in cells] == [f"cork-lime {d}/60" for d in (30, 90, 170)]
    assert all(box.ticked for (box,) in cells)
    assert not any(box.ticked for (box,) in grid.rows[0][1])
    assert set(read(row.address).probes) == {box.name for (box,) in cells}
    assert set(read(grid.columns[0].address).probes) == {
        f"cork-lime 30/{h}" for h in (60, 160, 260, 360)
    }
    named = [box.name for grid in form.grids for _, cells in grid.rows for c in cells for box in c]
    named += [box.name for group in form.groups for box in group.boxes]
    assert sorted(named) == sorted(NAMES)


heights = st.lists(st.tuples(st.floats(-50, 250), st.sampled_from([14.0, 28.0])), max_size=8)


@given(heights)
def test_words_beside_a_drawing_never_cover_each_other(rows: list[tuple[float, float]]) -> None:
    sizes = [size for _, size in rows]
    found = spread([at for at, _ in rows], sizes, low=0.0, high=max(140.0, sum(sizes)))
    placed = sorted(zip(found, sizes, strict=True))
    for (one, above), (other, below) in itertools.pairwise(placed):
        assert other - one >= (above + below) / 2 - 1e-6
    for middle, size in placed:
        assert middle - size / 2 >= -1e-6
        assert middle + size / 2 <= max(140.0, sum(sizes)) + 1e-6


@given(heights)
def test_words_keep_the_order_of_their_lines_and_stay_where_there_is_room(
    rows: list[tuple[float, float]],
) -> None:
    wanted, sizes = [at for at, _ in rows], [size for _, size in rows]
    found = spread(wanted, sizes, low=0.0, high=1000.0)
    order = sorted(range(len(rows)), key=lambda i: (wanted[i], i))
    assert [found[i] for i in order] == sorted(found)
    for i, size in enumerate(sizes):
        others = [abs(wanted[i] - at) for j, at in enumerate(wanted) if j != i]
        if wanted[i] >= 14 and all(gap > 250 for gap in others):
            assert found[i] == pytest.approx(max(wanted[i], size / 2))


@given(st.text(st.characters(codec="ascii", exclude_categories=["Cc"]), max_size=60))
def test_words_take_two_lines_at_most(words: str) -> None:
    lines = in_lines(words, longest=LONGEST)
    assert 1 <= len(lines) <= 2
    assert all(len(line) <= LONGEST for line in lines)


def test_limits_of_alarms_are_drawn_where_they_are_near_and_their_words_beside() -> None:
    asked = replace(USUAL, probes=("water level",))
    (plan,) = traces.panels(asked, RIG)
    told = {limit.value: limit.words for limit in limits(plan, RIG)}
    assert told[110] == "underside, contact 110"
    assert told[100] == "stop, overfill 100"
    values = [
        Bucket(NOW_MS - HOUR + n * 60_000, 70.0, 72.0, 71.0, 1.0, 1, Flag.PASS) for n in range(60)
    ]
    (panel,) = draw_panels(
        [plan],
        RIG,
        {m.probe.name: m for m in marks(RIG, {}, last_good_ms={}, now_ms=NOW_MS)},
        Reduced(60_000, {"water level": values}),
        span=Span(NOW_MS - HOUR, NOW_MS),
        gaps=(),
    )
    beside = re.findall(r'<svg x="100%"[^>]*>.*?</svg>', str(panel.svg))
    assert any("underside" in piece for piece in beside)
    left = re.sub(r'<svg x="100%"[^>]*>.*?</svg>', "", str(panel.svg))
    assert "underside" not in left
    assert "stop" not in left
    said = panel.pictured.label
    assert "latest 71 mm at" in said
    assert "lowest 70 mm" in said
    assert "highest 72 mm" in said


def test_a_limit_far_away_does_not_flatten_what_is_measured() -> None:
    pins = next(p for p in RIG.probes if p.kind is Kind.PINS)
    alarm = replace(
        next(a for a in RIG.alarms if a.setpoint is not None), subject=pins.name, setpoint=95.0
    )
    rig = replace(RIG, alarms=(alarm,))
    (plan,) = traces.panels(replace(USUAL, probes=(pins.name,)), rig)
    rows = [Bucket(NOW_MS - 1000 * n, 15.0, 16.0, 15.5, 0.4, 1, Flag.PASS) for n in (3, 2, 1)]
    for setpoint, drawn in ((95.0, False), (20.0, True)):
        (panel,) = draw_panels(
            [plan],
            replace(rig, alarms=(replace(alarm, setpoint=setpoint),)),
            {m.probe.name: m for m in marks(RIG, {}, last_good_ms={}, now_ms=NOW_MS)},
            Reduced(1000, {pins.name: rows}),
            span=Span(NOW_MS - 5000, NOW_MS),
            gaps=(),
        )
        assert panel.pictured.scale.high <= 30
        assert bool(panel.pictured.declared) == drawn


def entry(number: int, at_ms: int, corrected_by: tuple[int, ...] = ()) -> LogbookEntry:
    return LogbookEntry(
        asked_utc_ms=at_ms,
        at_utc_ms=at_ms,
        by="mk",
        says=f"entry {number}",
        number=number,
        corrected_by=corrected_by,
    )


def test_entries_that_would_touch_share_a_mark_and_corrected_ones_have_none() -> None:
    span = Span(0, 100_000)
    entries = [
        entry(5, 90_000),
        entry(4, 42_000),
        entry(3, 40_000),
        entry(2, 39_000, corrected_by=(3,)),
        entry(1, 200_000),
    ]
    found = notes_of(entries, span=span, now_ms=100_000)
    assert [note.number for note in found] == [3, 4, 5]
    assert marks_on(found, span) == [(40_000, "3, 4"), (90_000, "5")]
    assert numbers_of([3, 9, 4]) == "3 to 9"


def test_a_picture_needs_nothing_beside_it_and_says_what_it_is_of(at_rest: Served) -> None:
    answer = at_rest.get("/traces/picture.svg?what=water&hours=1")
    assert answer.headers["Content-Type"] == "image/svg+xml"
    assert "style-src 'sha256-" in answer.headers["Content-Security-Policy"]
    root = ET.fromstring(answer.text)  # noqa: S314 - our own
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "var(--" not in answer.text
    assert not re.search(r'(href|src)="(?!#)', answer.text)
    used = set(re.findall(r'(?:href="#|url\(#)([\w-]+)', answer.text))
    assert used <= set(re.findall(r'id="([\w-]+)"', answer.text))
    words = " ".join("".join(element.itertext()) for element in root.iter())
    for said in ("render pair", "all invented", "UTC to", "Rig file version 1", "underside"):
        assert said in words
    known = set(re.findall(r"\.([a-z]\w*)", answer.text.split("</style>")[0]))
    classes = {c for group in re.findall(r'class="([^"]*)"', answer.text) for c in group.split()}
    assert classes - known <= {"axis", "unread", "m1", "t0"}
