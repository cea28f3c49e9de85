"""Whatever a rig file can say is drawn to scale, can be read and can be touched; all invented."""

import re
from collections.abc import Sequence
from itertools import combinations

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from longsoak.store.packing import pack, unpack
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.drawing.lettering import Box, width
from longsoak_dashboards.drawing.section import Section, Words, draw_section
from longsoak_dashboards.drawing.sheet import Sheet, lay_out
from longsoak_dashboards.drawing.taps import SIZE, Corner, taps
from longsoak_dashboards.drawing.water import Water
from longsoak_dashboards.view.marks import Mark, marks
from pages.lyingrig import SCREED, lying_rig
from pages.pagerig import NOW_MS, OTHERWISE, Bays, make_rig, scan_of

WATER = Water(72.0, "clearance 38 ± 2 mm", "water 72 ± 2 mm", "level not known", old=False)
TEXT = re.compile(r"<text ([^>]*)>(.*?)</text>")
PLACE = re.compile(r'<use href="#m\d" transform="translate\(([-\d.]+) ([-\d.]+)\)')


def drawn(rig: Rig, bay: int, water: Water | None = WATER) -> tuple[Sheet, Sequence[Mark], Section]:
    scan = scan_of(rig, NOW_MS - 38_000, wrong=OTHERWISE)
    stored = unpack(pack(scan), probes=scan.probes, units=scan.units, utc_ms=scan.utc_ms)
    every = marks(rig, {r.probe: r for r in stored}, last_good_ms={}, now_ms=NOW_MS)
    inside = [m for m in every if m.probe.bay == rig.specimen.bays[bay].name]
    sheet = lay_out(rig)[bay]
    section = draw_section(
        sheet,
        rig,
        rig.specimen.bays[bay],
        inside,
        water if rig.reservoir else None,
        (),
        name="s0",
        words=Words("a section", "what it shows"),
        link=lambda mark: f"/probe/{mark.probe.name}",
    )
    return sheet, inside, section


def boxes(svg: str) -> list[tuple[str, Box]]:
    """The lettering of a drawing, from capital height to base line."""
    found = []
    for attributes, inner in TEXT.findall(svg):
        at = dict(re.findall(r'([\w-]+)="([^"]*)"', attributes))
        words = re.sub(r"<[^>]*>", "", inner).replace("&gt;", ">")
        x, y, size = float(at["x"]), float(at["y"]), float(at["font-size"])
        wide = width(words, size=size, bold=at.get("font-weight") == "700")
        share = {"end": 1.0, "middle": 0.5}.get(at.get("text-anchor", ""), 0.0)
        found.append((words, Box(x - share * wide, y - 0.7 * size, x + (1 - share) * wide, y)))
    return found


def lines(svg: str, p: float) -> list[Box]:
    """Declared levels of the water, and the measured dimensions."""
    found = []
    dashes = r'class="dim" stroke-dasharray="6 3" d="M ([-\d.]+) ([-\d.]+) H ([-\d.]+)"'
    for x1, y, x2 in re.findall(dashes, svg):
        left, right = sorted((float(x1), float(x2)))
        found.append(Box(left, float(y) - 0.4 * p, right, float(y) + 0.4 * p))
    for x, y1, y2 in re.findall(r'class="dim got" d="M ([-\d.]+) ([-\d.]+) V ([-\d.]+)', svg):
        top, bottom = sorted((float(y1), float(y2)))
        found.append(Box(float(x) - 0.4 * p, top, float(x) + 0.4 * p, bottom))
    return found


def check(rig: Rig, bay: int) -> None:
    """Every probe is there and can be reached, and no lettering is in another's way."""
    sheet, inside, section = drawn(rig, bay)
    svg, p = str(section.svg), sheet.point
    links = re.findall(r'<a [^>]*data-probe="[^"]*".*?</a>', svg)
    assert len(links) == len(inside)
    assert all('href="/probe/' in link and "aria-label" in link for link in links)
    order = [sheet.place(m.probe) for m in inside]
    shown = [(float(x), float(y)) for x, y in PLACE.findall(svg)]
    expected = sorted(((round(x, 2), round(y, 2)) for x, y in order), key=lambda at: (at[1], at[0]))
    assert [(y, x) for x, y in shown] == [(y, x) for x, y in expected], "by height, then depth"
    labels = [[box for _, box in boxes(link)] for link in links]
    for one, other in combinations(labels, 2):
        for box in one:
            assert not any(box.meets(word) for word in other)
    rest = re.sub(r"<a [^>]*data-probe=.*?</a>", "", svg)
    figures = [
        box for words, box in boxes(rest) if re.fullmatch(r"[\d.]+|stop.*|pump.*|.* mm", words)
    ]
    in_the_way = [*figures, *lines(svg, p)]
    view = Box(
        sheet.view.left - 0.01, sheet.view.top - 0.01, sheet.view.right + 0.01, sheet.view.bottom
    )
    for label in labels:
        for box in label:
            assert box.within(view)
            assert not any(box.meets(other) for other in in_the_way)
    sizes = [float(size) / p for size in re.findall(r'font-size="([\d.]+)"', svg)]
    assert min(sizes) >= 12, "a point is a pixel on the narrowest phone"


LAYERS = st.lists(
    st.tuples(
        st.sampled_from(("oak", "a coat of some kind", "x")),
        st.sampled_from(("timber", "lime", "cork")),
        st.integers(8, 400),
    ),
    min_size=1,
    max_size=9,
)  # fmt: skip


@settings(max_examples=40, deadline=None)
@example(  # water over the underside, and a value near it
    layers=[("oak", "timber", 62)],
    bays=1,
    height=120,
    underside=30,
    depths=[0.629, 0.75],
    heights=[0.5],
    reservoir=True,
)
@given(
    layers=LAYERS,
    bays=st.integers(1, 6),
    height=st.integers(120, 3000),
    underside=st.integers(30, 400),
    depths=st.lists(st.floats(0.02, 0.98), min_size=1, max_size=6, unique=True),
    heights=st.lists(st.floats(0.02, 0.98), min_size=1, max_size=6, unique=True),
    reservoir=st.booleans(),
)
def test_one_that_stands_whatever_its_shape(
    layers: list[tuple[str, str, int]],
    bays: int,
    height: int,
    underside: int,
    depths: list[float],
    heights: list[float],
    *,
    reservoir: bool,
) -> None:
    thick = sum(each for *_, each in layers)
    ends = {0.0}
    for *_, each in layers:
        ends.add(max(ends) + each)
    places = {round(d * thick, 1) for d in depths} - ends
    assume(places)
    rig = make_rig(
        Bays(
            names=tuple("abcdef"[:bays]),
            layers=tuple((name, of, float(each)) for name, of, each in layers),
            depths=tuple(sorted(places)),
            heights=tuple(sorted({round(h * height, 1) for h in heights})),
            height=height,
            underside=underside,
            reservoir=reservoir,
            elsewhere=False,
        )
    )
    check(rig, 0)
    check(rig, bays - 1)


@settings(max_examples=40, deadline=None)
@given(
    layers=LAYERS,
    face=st.sampled_from(("underside", "top")),
    wide=st.integers(100, 3000),
    depths=st.lists(st.floats(0.05, 0.95), min_size=1, max_size=4, unique=True),
    across=st.lists(st.floats(0.02, 0.98), min_size=1, max_size=6, unique=True),
)
def test_one_that_lies_whatever_its_shape(
    layers: list[tuple[str, str, int]],
    face: str,
    wide: int,
    depths: list[float],
    across: list[float],
) -> None:
    thick = sum(each for *_, each in layers)
    ends = {0.0}
    for *_, each in layers:
        ends.add(max(ends) + each)
    places = {round(d * thick, 1) for d in depths} - ends
    assume(places)
    rig = lying_rig(
        face,
        layers=[(name, of, float(each)) for name, of, each in layers],
        depths=sorted(places),
        across=sorted({round(a * wide, 1) for a in across}),
        wide=wide,
    )
    check(rig, 0)
    check(rig, 1)


@pytest.mark.parametrize("face", ["underside", "top"])
def test_a_specimen_that_lies_is_turned_and_its_figures_keep_their_meaning(face: str) -> None:
    rig = lying_rig(face)
    sheet, inside, section = drawn(rig, 1)
    assert (sheet.across, sheet.height, sheet.start) == (600, 200, 600)
    timber, screed = sheet.layers(rig.specimen.bays[1])
    assert (timber.left, timber.right) == (0, 600)
    if face == "underside":  # depth counts up from the wet face, which is the underside
        assert ((timber.top, timber.bottom), (screed.top, screed.bottom)) == ((60, 200), (0, 60))
    else:
        assert ((timber.top, timber.bottom), (screed.top, screed.bottom)) == ((0, 140), (140, 200))
    for mark in inside:
        probe = mark.probe
        assert probe.depth is not None
        assert probe.across is not None
        deep = 200 - probe.depth if face == "underside" else probe.depth
        assert sheet.place(probe) == (probe.across - 600, deep)
    svg = str(section.svg)
    words = {text for text, _ in boxes(svg)}
    assert {"30", "90", "160", "700", "900", "1100"} <= words, "depths, and how far across"
    assert 'class="drip"' not in svg, "nothing runs down a face that lies"


def test_feet_stand_on_the_floor_at_their_own_size() -> None:
    sheet, _, section = drawn(lying_rig(), 0)
    assert sheet.floor == 310
    feet = re.findall(r'class="outline leaf" d="M ([\d.]+) 200 h 60 V 310', str(section.svg))
    assert [float(left) for left in feet] == [0, 540]


def test_a_lying_specimen_of_many_layers_names_each() -> None:
    layers = [(f"ply {n}", "timber", 20.0) for n in range(9)]
    sheet, _, section = drawn(lying_rig(layers=layers, depths=(30, 90)), 0)
    words = [text for text, _ in boxes(str(section.svg))]
    assert all(any(f"ply {n}" in text for text in words) for n in range(9))
    assert len({callout.x for callout in sheet.callouts}) == 9
    assert SCREED[1][1] == "lime"


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 200), st.integers(0, 300)), min_size=1, max_size=25, unique=True
    ),
    st.floats(0.2, 4),
    st.data(),
)  # fmt: skip
def test_a_thumb_hits_the_nearest_probe_and_within_its_reach_always_one(
    places: list[tuple[int, int]], point: float, data: st.DataObject
) -> None:
    found = taps([(float(x), float(y)) for x, y in places], point=point)
    reach = SIZE / 2 * point
    alone = [
        min((max(abs(x - a), abs(y - b)) for a, b in places if (a, b) != (x, y)), default=1e9)
        for x, y in places
    ]
    for area, (x, y), free in zip(found, places, alone, strict=True):
        if free >= 2 * SIZE * point:
            wide = max(a for a, _ in area) - min(a for a, _ in area)
            high = max(b for _, b in area) - min(b for _, b in area)
            assert wide == pytest.approx(SIZE * point)
            assert high == pytest.approx(SIZE * point)
        assert holds(area, x, y)
    centre = data.draw(st.sampled_from(places))
    at_x = centre[0] + data.draw(st.floats(-1, 1)) * reach
    at_y = centre[1] + data.draw(st.floats(-1, 1)) * reach
    away = [(at_x - a) ** 2 + (at_y - b) ** 2 for a, b in places]
    best = sorted(away)
    assume(len(best) < 2 or best[1] - best[0] > 1e-6)
    hit = [i for i, area in enumerate(found) if holds(area, at_x, at_y)]
    nearest = away.index(best[0])
    if max(abs(at_x - places[nearest][0]), abs(at_y - places[nearest][1])) < reach * (1 - 1e-9):
        assert hit == [nearest]


def holds(area: Sequence[Corner], x: float, y: float) -> bool:
    turns = [
        (b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0])
        for a, b in zip(area, (*area[1:], *area[:1]), strict=True)
    ]
    return min(turns) >= -1e-9


def test_of_two_at_one_place_one_is_touched_and_both_have_their_label() -> None:
    first, second = taps([(10.0, 10.0), (10.0, 10.0)], point=1)
    assert first == ()
    assert len(second) == 4
