"""Traces: nothing across a gap, no line for a fail, red for a suspect; all invented."""

import re
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from starlette.datastructures import QueryParams

from longsoak.store.buckets import Bucket
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.rig import Kind, Rig
from longsoak_dashboards.drawing.panel import Gap, Line, Panel
from longsoak_dashboards.drawing.traces import draw_panel
from longsoak_dashboards.source import Reduced
from longsoak_dashboards.view import traces
from longsoak_dashboards.view.marks import marks
from longsoak_dashboards.view.panels import draw_panels
from longsoak_dashboards.view.plans import MOST_LINES, PanelPlan
from longsoak_dashboards.view.scales import Scale, time_ticks, value_scale
from longsoak_dashboards.view.span import Span
from pages.pagerig import DAY_MS, NOW_MS, Bays, make_rig
from pinkinds import rig_of

SPAN = Span(NOW_MS - 300_000, NOW_MS)
HOUR = 3_600_000
EVERY = 1000  # ms, so that a bucket is a reading


def bucket(number: int, mean: float | None, worst: Flag = Flag.PASS) -> Bucket:
    at = SPAN.since_ms + number * EVERY
    return Bucket(at, mean, mean, mean, 0.4 if mean is not None else None, 1, worst)


def beyond(number: int, end: float, *, wetter: bool) -> Bucket:
    at = SPAN.since_ms + number * EVERY
    return Bucket(at, end, end, None, 0.4, 1, Flag.PASS, wetter=int(wetter), drier=int(not wetter))


def draw(buckets: list[Bucket], gaps: tuple[Gap, ...] = ()) -> str:
    line = Line("a bay", tuple(buckets), patience_ms=3 * EVERY)
    panel = Panel("a panel", (line,), Scale(10, 30, (10, 20, 30)), ("10", "20", "30"), "%")
    return str(draw_panel(panel, SPAN, gaps, width_ms=EVERY))


def strokes(svg: str, cls: str) -> list[str]:
    return [
        piece
        for d in re.findall(rf'class="trace {cls}" d="([^"]*)"', svg)
        for piece in re.split(r"(?=M)", d)
        if piece
    ]


def test_a_steady_series_is_one_line_with_one_band() -> None:
    svg = draw([bucket(n, 20.0) for n in range(300)])
    assert len(strokes(svg, "t0")) == 1
    assert len(re.findall('class="band"', svg)) == 1


def test_more_than_three_periods_without_a_reading_break_the_line() -> None:
    four = [bucket(n, 20.0) for n in range(300) if not 100 <= n < 104]
    assert len(strokes(draw(four), "t0")) == 2
    two = [bucket(n, 20.0) for n in range(300) if not 100 <= n < 102]
    assert len(strokes(draw(two), "t0")) == 1


def test_a_recorded_gap_breaks_the_line_and_no_point_lies_inside_it() -> None:
    gap = Gap(SPAN.since_ms + 100_400, SPAN.since_ms + 160_600, "cut off, 1 min")
    svg = draw([bucket(n, 20.0) for n in range(300) if not 101 <= n < 160], (gap,))
    lines = strokes(svg, "t0")
    assert len(lines) == 2
    ends = [[float(x) for x in re.findall(r"[ML]([\d.]+)", line)] for line in lines]
    left, right = 1000 * 100_400 / 300_000, 1000 * 160_600 / 300_000
    assert max(ends[0]) <= left + 0.05  # as it is written, to a tenth
    assert min(ends[1]) >= right - 0.05
    assert "cut off, 1 min" not in svg  # words stand in the first panel only
    assert 'class="gap"' in svg


def test_a_fail_has_no_line_and_its_cross() -> None:
    svg = draw(
        [
            bucket(n, None if n >= 200 else 20.0, Flag.FAIL if n >= 200 else Flag.PASS)
            for n in range(300)
        ]
    )
    (line,) = strokes(svg, "t0")
    assert max(float(x) for x in re.findall(r"[ML]([\d.]+)", line)) < 1000 * 200 / 300
    assert 'href="#m4"' in svg


def test_a_missing_reading_has_no_line_and_its_square() -> None:
    svg = draw([bucket(n, None, Flag.MISSING) for n in range(300)])
    assert not strokes(svg, "t0")
    assert 'href="#m9"' in svg


def test_a_suspect_stretch_is_the_thin_red_line() -> None:
    svg = draw([bucket(n, 20.0, Flag.SUSPECT if n >= 150 else Flag.PASS) for n in range(300)])
    assert len(strokes(svg, "t0")) == 1
    assert len(strokes(svg, "sus")) == 1
    assert 'href="#m3"' in svg


def test_beyond_the_curve_there_are_carets_and_no_band() -> None:
    svg = draw([beyond(n, 25.0, wetter=True) for n in range(300)])
    assert 'class="band"' not in svg
    assert svg.count("M-4 -4 0 -9 4 -4") > 5
    assert len(strokes(svg, "t0")) == 1
    svg = draw([beyond(n, 11.0, wetter=False) for n in range(300)])
    assert 'class="band"' not in svg
    assert svg.count("M-4 4 0 9 4 4") > 5


def test_a_lone_reading_is_still_seen() -> None:
    assert len(strokes(draw([bucket(150, 20.0)]), "t0")) == 1


@pytest.mark.parametrize(
    "span", [600_000, HOUR, 6 * HOUR, DAY_MS, 7 * DAY_MS, 30 * DAY_MS, 300 * DAY_MS]
)
def test_there_are_two_to_six_round_ticks_for_any_time(span: int) -> None:
    ticks = time_ticks(NOW_MS - span, NOW_MS)
    assert 2 <= len(ticks) <= 6
    for at, words in ticks:
        when = datetime.fromtimestamp(at / 1000, UTC)
        assert when.second == 0
        assert words in (f"{when:%H:%M}", f"{when.day} {when:%b}", f"{when:%b}", f"{when:%b %Y}")


def test_a_scale_ends_on_round_figures_round_what_is_measured() -> None:
    scale = value_scale([11.3, 24.8], least=10)
    assert scale.low <= 11.3
    assert scale.high >= 24.8
    assert scale.ticks == (10.0, 15.0, 20.0, 25.0)
    assert value_scale([], least=10).high >= 10


def test_an_address_that_makes_no_sense_becomes_what_serves_most() -> None:
    rig = make_rig()
    asked = traces.understand(
        QueryParams({"what": "gas", "bay": "x", "height": "nan", "hours": "-1"}),
        rig,
        first_ms=NOW_MS - HOUR,
        end_ms=NOW_MS,
    )
    assert asked == traces.Asked("pins", None, 60.0, "all")
    long = traces.understand(QueryParams(), rig, first_ms=NOW_MS - 90 * DAY_MS, end_ms=NOW_MS)
    assert long.hours == "720"


def test_there_is_a_panel_per_depth_and_a_line_per_bay() -> None:
    rig = make_rig()
    plans = traces.panels(traces.Asked("pins", None, 160.0, "24"), rig)
    assert [plan.title for plan in plans] == ["30 mm deep", "90 mm deep", "170 mm deep"]
    assert [p.name for p in plans[0].probes] == ["cork-lime 30/160", "plain lime 30/160"]
    one = traces.panels(traces.Asked("pins", "plain lime", 160.0, "24"), rig)
    assert [p.name for p in one[0].probes] == ["plain lime 30/160"]


def test_a_panel_says_what_the_values_in_it_are_of() -> None:
    plans = traces.panels(traces.Asked("pins", None, 160.0, "24"), make_rig())
    assert [plan.note for plan in plans] == [
        "cork or lime, 30 mm in, % WME",
        "timber, 30 mm in, % MC",
        "timber, 110 mm in, % MC",
    ]


def test_flow_and_pump_current_stand_with_the_water_and_the_least_they_run_from() -> None:
    rig = make_rig(Bays(pump=True))
    plans = traces.panels(traces.Asked("water", None, None, "24"), rig)
    assert [(plan.title, plan.note) for plan in plans] == [
        ("Level", "mm above the reservoir's floor"),
        ("Float", "up or down"),
        ("Flow", "L/min"),
        ("Pump current", "A"),
    ]
    drawn = draw_panels(
        plans,
        rig,
        {m.probe.name: m for m in marks(rig, {}, last_good_ms={}, now_ms=NOW_MS)},
        Reduced(EVERY, {probe.name: [] for probe in rig.probes}),
        span=SPAN,
        gaps=(),
    )
    assert "runs from 0.4" in drawn[2].svg
    assert "runs from 0.3" in drawn[3].svg
    assert "runs from" not in drawn[0].svg


def test_a_rig_with_only_a_pump_still_has_its_water_sheet() -> None:
    rig = make_rig(Bays(reservoir=False, pump=True))
    asked = traces.understand(QueryParams({"what": "water"}), rig, first_ms=NOW_MS, end_ms=NOW_MS)
    assert asked.what == "water"
    assert [plan.kind for plan in traces.panels(asked, rig)] == [Kind.FLOW, Kind.PUMP_CURRENT]


def test_where_a_panel_holds_several_kinds_each_line_says_its_own() -> None:
    rig = rig_of()
    rig = replace(rig, probes=tuple(replace(p, height=60.0) for p in rig.probes))
    (lime, *_) = plans = traces.panels(traces.Asked("pins", None, 60.0, "24"), rig)
    assert lime.note == "lime, 30 mm in, % WME and % MC and % MC dowel"
    drawn = draw_panels(
        plans,
        rig,
        {m.probe.name: m for m in marks(rig, {}, last_good_ms={}, now_ms=NOW_MS)},
        Reduced(EVERY, {probe.name: [] for probe in rig.probes}),
        span=SPAN,
        gaps=(),
    )
    names = [[name for _, name, _ in panel.lines] for panel in drawn]
    assert names == [
        ["lime, wood, % WME", "lime, own, % MC", "lime, dowel, % MC dowel"],
        ["wall"],  # timber
        ["wall"],  # board
    ]
    assert "lime, own, % MC" in re.findall(r'aria-label="([^"]*)"', str(drawn[0].svg))[0]


def warm(count: int, *, bays: int = 2, depths: int = 3) -> Rig:
    """The usual rig with `count` thermometers in place of its own."""
    rig = make_rig()
    usual = next(p for p in rig.probes if p.kind is Kind.TEMPERATURE)
    found = tuple(
        replace(
            usual,
            name=f"T{n + 1}",
            bay=f"bay {n * bays // count + 1}",
            depth=30.0 * (n % depths + 1),
        )
        for n in range(count)
    )
    return replace(rig, probes=found)


def air(rig: Rig) -> tuple[PanelPlan, ...]:
    return traces.panels(traces.Asked("air", None, None, "24"), rig)


@pytest.mark.parametrize("count", [1, 6, 7, 8, 24, 64, 200])
@pytest.mark.parametrize(("bays", "depths"), [(1, 1), (2, 1), (1, 3), (2, 3), (8, 8)])
def test_no_panel_holds_more_lines_than_can_be_told_apart(
    count: int, bays: int, depths: int
) -> None:
    rig = warm(count, bays=bays, depths=depths)
    plans = air(rig)
    assert max(len(plan.probes) for plan in plans) <= MOST_LINES
    names = [p.name for plan in plans for p in plan.probes]
    assert sorted(names) == sorted(p.name for p in rig.probes)  # each once, none left out
    assert len({(plan.title, plan.note) for plan in plans}) == len(plans)
    drawn = draw_panels(
        plans,
        rig,
        {m.probe.name: m for m in marks(rig, {}, last_good_ms={}, now_ms=NOW_MS)},
        Reduced(EVERY, {p.name: [bucket(n, 20.0) for n in range(9)] for p in rig.probes}),
        span=SPAN,
        gaps=(),
    )
    for panel in drawn:
        styles = re.findall(r'class="trace (t\d)"', str(panel.svg))
        assert len(set(styles)) == len(styles) == len(panel.lines)


def test_many_thermometers_are_parted_by_bay_then_by_depth_then_in_turn() -> None:
    assert [plan.note for plan in air(warm(6))] == ["°C"]
    assert [plan.note for plan in air(warm(8))] == ["bay 1, °C", "bay 2, °C"]
    assert [plan.note for plan in air(warm(24))] == [
        f"bay {bay}, {depth} mm deep, °C" for bay in (1, 2) for depth in (30, 60, 90)
    ]
    assert [(plan.note, len(plan.probes)) for plan in air(warm(14, bays=1, depths=1))] == [
        ("1 of 3, °C", 5),
        ("2 of 3, °C", 5),
        ("3 of 3, °C", 4),
    ]


def test_choices_keep_the_rest_of_the_address() -> None:
    rows = dict(traces.choices(traces.Asked("pins", "plain lime", 160.0, "24"), make_rig()))
    week = next(c for c in rows["Time"] if c.words == "7 days")
    assert week.address == "/traces?what=pins&bay=plain+lime&height=160&hours=168"
    assert [c.words for c in rows["Time"] if c.chosen] == ["1 day"]


def test_a_rig_without_water_offers_none() -> None:
    rows = dict(
        traces.choices(traces.Asked("pins", None, 60.0, "24"), make_rig(Bays(reservoir=False)))
    )
    assert "water" not in [choice.words for choice in rows["What"]]
