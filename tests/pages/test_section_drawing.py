"""The section: to scale, and no value's lettering covers another's; all invented."""

import re
from dataclasses import replace
from itertools import combinations, permutations

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from longsoak.store.packing import pack, unpack
from longsoak.vocabulary.rig import Kind, Layer, Material, Rig
from longsoak_dashboards.drawing.callouts import lettering, place_callouts
from longsoak_dashboards.drawing.lettering import Board, Box, width, wrap
from longsoak_dashboards.drawing.section import Section, Words, draw_section
from longsoak_dashboards.drawing.sheet import POINTS, lay_out
from longsoak_dashboards.drawing.water import Water, draw_water
from longsoak_dashboards.view.marks import Mark, marks
from pages.pagerig import NOW_MS, OTHERWISE, UNLIKE, Bays, make_rig, scan_of
from pinkinds import rig_of

WATER = Water(72.0, "clearance 38 ± 2 mm", "water 72 ± 2 mm", "level not known", old=False)
PLACE = re.compile(r'<use href="#m(\d)" transform="translate\(([-\d.]+) ([-\d.]+)\)')


def marks_of(rig: Rig) -> tuple[Mark, ...]:
    scan = scan_of(rig, NOW_MS - 38_000, wrong=OTHERWISE)
    stored = unpack(pack(scan), probes=scan.probes, units=scan.units, utc_ms=scan.utc_ms)
    readings = {reading.probe: reading for reading in stored}
    return marks(rig, readings, last_good_ms={}, now_ms=NOW_MS)


def draw(rig: Rig, bay: int = 0, water: Water | None = WATER) -> Section:
    name = rig.specimen.bays[bay].name
    inside = [m for m in marks_of(rig) if m.probe.bay == name]
    return draw_section(
        lay_out(rig)[bay],
        rig,
        rig.specimen.bays[bay],
        inside,
        water if rig.reservoir else None,
        (),
        name="s0",
        words=Words("a section", "what it shows"),
        link=lambda mark: "/traces",
    )


def test_probes_stand_at_their_depth_and_height_in_millimetres() -> None:
    rig = make_rig()
    drawn = {(float(x), float(y)) for _, x, y in PLACE.findall(str(draw(rig).svg))}
    declared = {
        (p.depth, rig.specimen.height - p.height)
        for p in rig.probes
        if p.bay == "cork-lime" and p.depth is not None and p.height is not None
    }
    assert drawn == declared


def test_water_and_declared_levels_are_to_scale_too() -> None:
    svg = str(draw(make_rig()).svg)
    # The floor lies 110 mm under the underside, which lies 420 mm under the top: y = 530.
    assert 'class="water" d="M -50 458 H 290 V 530' in svg
    assert re.search(r'class="dim" stroke-dasharray="6 3" d="M [\d.]+ 430 H 290"', svg)  # stop 100
    assert re.search(r'class="dim" stroke-dasharray="6 3" d="M -[\d.]+ 505 H', svg)  # pump 25


def test_bays_of_unlike_thickness_stand_side_by_side_at_one_scale_and_on_one_floor() -> None:
    rig = make_rig(UNLIKE)
    sheets = lay_out(rig)
    assert [sheet.across for sheet in sheets] == [500, 50, 240]
    assert len({sheet.point for sheet in sheets}) == 1
    assert len({(sheet.view.top, sheet.view.bottom) for sheet in sheets}) == 1
    assert len({draw(rig, bay).print_scale for bay in range(3)}) == 1
    for sheet in sheets:
        assert sheet.view.right - sheet.view.left == pytest.approx(POINTS * sheet.point)
        assert sheet.view.left <= min(0, sheet.tray_left)
        assert sheet.view.right >= max(sheet.across, sheet.tray_right)


def test_the_thickest_bay_sets_the_scale_as_if_it_were_alone() -> None:
    alone = make_rig(replace(UNLIKE, names=("thick",)))
    assert lay_out(make_rig(UNLIKE))[0].point == lay_out(alone)[0].point


def test_a_thin_bay_beside_a_thick_one_shows_as_much_of_the_tray_as_there_is_room_for() -> None:
    thick, thin, _ = lay_out(make_rig(UNLIKE))
    assert (thick.tray_left, thick.tray_right) == (80, 420)
    assert (thin.tray_left, thin.tray_right) == (-145, 195)  # the tray is 340 mm broad
    assert not thin.tray_is_cut


WORDS = st.lists(st.text("abm", min_size=1, max_size=5), min_size=1, max_size=6).map(" ".join)


@settings(deadline=None)
@given(
    names=st.lists(WORDS, min_size=1, max_size=5),
    apart=st.lists(st.floats(100, 300), min_size=5, max_size=5),
    first=st.floats(3, 250),
    depths=st.lists(st.floats(1, 400), max_size=4),
    point=st.floats(0.1, 4),
)
def test_no_name_of_a_layer_is_crossed_or_runs_off_the_sheet(
    names: list[str], apart: list[float], first: float, depths: list[float], point: float
) -> None:
    """Layers 100 points apart or more, the last of them as near the edge as may be."""
    middles = [first + sum(apart[:i]) for i in range(len(names))]
    assume(middles[-1] < POINTS - 30)
    layers, face = [], 0.0
    for name, middle in zip(names, middles, strict=True):
        thickness = 2 * (middle * point - face)
        assume(thickness > 0)
        layers.append(Layer(name, Material.TIMBER, round(thickness, 3)))
        face += thickness
    placed, rise = place_callouts(layers, depths, point=point, left=0, right=POINTS * point)
    assert [callout.thickness for callout in placed] == [layer.thickness for layer in layers]
    for callout in (replace(c, thickness=0) for c in placed):
        box = lettering(callout, point=point)
        assert -rise <= box.top
        assert box.bottom < 0
        assert box.left >= 0
        assert box.right <= POINTS * point
        for other in placed:
            if other.x != callout.x:
                line = Box(other.x - 0.1 * point, other.y, other.x + 0.1 * point, 0)
                assert not box.meets(line), (callout, other)


def test_thin_coats_at_either_face_keep_their_names_whole() -> None:
    layers = [
        Layer("lime render", Material.LIME, 20),
        Layer("brick", Material.MASONRY, 100),
        Layer("cork", Material.CORK, 100),
        Layer("lime plaster", Material.LIME, 20),
    ]
    placed, _ = place_callouts(layers, [], point=1.0, left=-44, right=284)
    assert [" ".join(callout.lines) for callout in placed] == [layer.name for layer in layers]
    boxes = [lettering(callout, point=1.0) for callout in placed]
    for (one, box), (other, beside) in permutations(zip(placed, boxes, strict=True), 2):
        assert not box.meets(beside)
        assert not box.meets(Box(other.x, other.y, other.x + 0.1, 0)), (one, other)


def test_a_name_at_the_edge_of_the_sheet_turns_to_the_side_that_has_room() -> None:
    (thick, thin, _) = lay_out(make_rig(UNLIKE))
    assert [(c.lines, c.leftwards) for c in thick.callouts] == [
        (("rubble",), False),
        (("lime plaster",), True),
    ]
    assert [(c.lines, c.leftwards) for c in thin.callouts] == [(("board",), False)]


@pytest.mark.parametrize("water", [WATER, replace(WATER, level=20.0), replace(WATER, level=95.0)])
@pytest.mark.parametrize(
    "bays", [Bays(), UNLIKE, replace(UNLIKE, underside=200), replace(UNLIKE, names=("thick",))]
)
def test_the_words_about_the_water_meet_neither_each_other_nor_the_pump(
    bays: Bays, water: Water
) -> None:
    rig = make_rig(bays)
    assert rig.reservoir is not None
    for sheet in lay_out(rig):
        svg = str(draw_water(sheet, rig.reservoir, water))
        words = worded(svg)
        assert {"clearance 38 ± 2 mm", "water 72 ± 2 mm"} <= words.keys()
        for (one, a), (other, b) in combinations(words.items(), 2):
            assert not a.meets(b), (one, other)
        for cx, cy, r in re.findall(r'<circle[^>]*cx="([-\d.]+)" cy="([-\d.]+)" r="([\d.]+)"', svg):
            x, y, reach = float(cx), float(cy), float(r)
            pump = Box(x - reach, y - reach, x + reach, y + reach)
            assert not any(box.meets(pump) for box in words.values())
        for x, y in re.findall(r'class="thin" d="M ([-\d.]+) ([-\d.]+) h [\d.]+ l', svg):
            sign = Box(float(x), float(y), float(x) + 9 * sheet.point, float(y) + 8 * sheet.point)
            assert not any(box.meets(sign) for box in words.values())
        # The dimension of the water's depth stands in the water.
        for x in re.findall(r'class="dim got" d="M ([-\d.]+) ', svg):
            assert sheet.tray_left < float(x) < sheet.tray_right


def worded(svg: str) -> dict[str, Box]:
    """The lettering of a drawing, from capital height to base line."""
    found = {}
    for tag, words in re.findall(r"<text ([^>]*)>(.*?)</text>", svg):
        at = dict(re.findall(r'([\w-]+)="([^"]*)"', tag))
        x, y, size = float(at["x"]), float(at["y"]), float(at["font-size"])
        wide = width(words, size=size, bold=at.get("font-weight") == "700")
        left = x - wide if at.get("text-anchor") == "end" else x
        found[words] = Box(left, y - 0.7 * size, left + wide, y)
    return found


def test_no_water_is_drawn_while_the_level_is_not_known() -> None:
    svg = str(draw(make_rig(), water=Water(None, "", "", "level not known", old=False)).svg)
    assert "level not known" in svg
    assert 'class="water"' not in svg


DENSE = Bays(depths=(10, 30, 55, 110, 170, 230), heights=(30, 60, 90, 400))


@pytest.mark.parametrize(
    "rig",
    [
        rig_of(),
        make_rig(),
        make_rig(DENSE),
        make_rig(UNLIKE),
        make_rig(Bays(layers=(("render", "lime", 12), ("brick", "masonry", 108)), depths=(6, 40))),
    ],
    ids=["every kind", "usual", "dense", "unlike", "thin coat"],
)
def test_whatever_pins_read_says_at_once_what_it_is_of(rig: Rig) -> None:
    short = {"% MC": "MC", "% WME": "WME", "% MC dowel": "dowel"}
    expected = {
        probe.name: short[probe.unit_words] for probe in rig.probes if probe.kind is Kind.PINS
    }
    said = 0
    for bay in range(len(rig.specimen.bays)):
        for label in re.findall(r"<a [^>]*data-probe=.*?</a>", str(draw(rig, bay).svg)):
            (name,) = re.findall(r'data-probe="([^"]*)"', label)
            words = re.sub(r"<[^>]*>", " ", label)
            if name not in expected or " v halo" not in label.replace('"', " "):
                continue
            if "none" not in words:
                assert re.search(rf"[\d.]+ +(% +)?{expected[name]} ", words), words
                said += 1
    assert said >= len(expected) / 3


def test_where_there_is_little_room_what_it_is_of_stands_beside_the_figure() -> None:
    flat = Bays(names=("a",), depths=(120,), heights=(30, 48, 66, 84), elsewhere=False)
    drawn = draw(make_rig(flat))
    assert drawn.unplaced == 0
    assert ">MC</tspan>" in str(drawn.svg)


def test_flags_have_their_shapes_and_words_in_the_drawing() -> None:
    svg = str(draw(make_rig(), bay=1).svg)
    assert [shape for shape, _, _ in PLACE.findall(svg)].count("3") == 1
    assert ">suspect</text>" in svg
    assert ">missing</text>" in svg
    assert "&gt; 25.0" in svg


def test_a_name_from_the_rig_file_never_becomes_markup() -> None:
    rig = make_rig(Bays(layers=(("<b>&amp;", "timber", 240),)))
    svg = str(draw(rig).svg)
    assert "<b>" not in svg
    assert "&lt;b&gt;&amp;amp;" in svg


def test_it_prints_at_one_to_five_like_any_wall_of_that_size() -> None:
    drawn = draw(make_rig())
    assert drawn.print_scale == 5
    found = re.search(r'viewBox="\S+ \S+ ([\d.]+) \S+" width="([\d.]+)mm"', str(drawn.svg))
    assert found
    assert float(found[1]) / float(found[2]) == pytest.approx(5, rel=1e-3)


def test_a_rig_of_six_bays_draws_each() -> None:
    rig = make_rig(Bays(names=("a", "b", "c", "d", "e", "f")))
    assert [draw(rig, bay).unplaced for bay in range(6)] == [0] * 6


def test_without_a_reservoir_there_is_neither_tray_nor_pump() -> None:
    svg = str(draw(make_rig(Bays(reservoir=False))).svg)
    assert "stop" not in svg
    assert 'class="drip"' not in svg


@settings(max_examples=40, deadline=None)
@given(
    thickness=st.floats(40, 900),
    height=st.floats(150, 3000),
    underside=st.floats(30, 400),
    layers=st.integers(1, 5),
    depths=st.lists(st.floats(0.02, 0.98), min_size=1, max_size=5, unique=True),
    heights=st.lists(st.floats(0.02, 0.98), min_size=1, max_size=5, unique=True),
    beside=st.floats(0.05, 1.0),
)
def test_whatever_the_rig_its_sheet_holds_the_section_and_no_two_values_meet(
    thickness: float,
    height: float,
    underside: float,
    layers: int,
    depths: list[float],
    heights: list[float],
    beside: float,
) -> None:
    rig = make_rig(
        Bays(
            names=("plain", "thinner"),
            own={"thinner": (("a board", "timber", round(max(beside * thickness, 12), 1)),)},
            layers=tuple(
                ("a layer of some kind", "timber", round(thickness / layers, 1))
                for _ in range(layers)
            ),
            depths=tuple(sorted({round(d * thickness * 0.99, 1) for d in depths})),
            heights=tuple(sorted({round(h * height, 1) for h in heights})),
            height=round(height, 1),
            underside=round(underside, 1),
            elsewhere=False,
        )
    )
    for bay, sheet in enumerate(lay_out(rig)):
        assert sheet.view.right - sheet.view.left == pytest.approx(POINTS * sheet.point)
        assert sheet.view.left <= min(0, sheet.tray_left) + 1e-6
        assert sheet.view.right >= max(sheet.across, sheet.tray_right) - 1e-6
        assert sheet.view.bottom >= sheet.floor
        drawn = draw(rig, bay)
        inside = sum(p.bay == rig.specimen.bays[bay].name for p in rig.probes)
        if drawn.unplaced == inside:
            continue  # a bay so small beside the other that no value has room
        for one, other in combinations(printed_labels(str(drawn.svg)), 2):
            for box in one:
                assert not any(box.meets(word) for word in other), (one, other)


def printed_labels(svg: str) -> list[list[Box]]:
    """The boxes of the lettering at each probe, from capital height to base line."""
    labels = []
    for probe in re.findall(r"<a [^>]*data-probe=.*?</a>", svg):
        boxes = []
        for x, y, size, words in re.findall(
            r'<text x="([-\d.]+)" y="([-\d.]+)" font-size="([\d.]+)"[^>]*>(.*?)</text>', probe
        ):
            plain = re.sub(r"<[^>]*>", "", words)
            half = width(plain, size=float(size)) / 2
            base = float(y)
            boxes.append(Box(float(x) - half, base - 0.7 * float(size), float(x) + half, base))
        labels.append(boxes)
    assert any(labels)
    return labels


def test_a_board_gives_the_nearest_free_place_or_none() -> None:
    board = Board(Box(0, 0, 100, 40))
    wanted = Box(0, 0, 60, 20)
    assert board.place(wanted, step=2, reach=30) == wanted
    assert board.place(wanted, step=2, reach=10) is None
    assert board.place(wanted, step=2, reach=30) == Box(0, 20, 60, 40)
    assert board.place(wanted, step=2, reach=30) is None


def test_where_it_is_crowded_a_place_is_looked_for_in_the_neighbourhood_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    board = Board(Box(0, 0, 1000, 1000))
    for x in range(0, 1000, 10):
        for y in range(0, 1000, 10):
            board.take(Box(x, y, x + 10, y + 10))
    compared = 0
    plain = Box.meets

    def counted(box: Box, other: Box) -> bool:
        nonlocal compared
        compared += 1
        return plain(box, other)

    monkeypatch.setattr(Box, "meets", counted)
    assert board.place(Box(500, 500, 530, 530), step=3, reach=60) is None
    # 10 000 boxes are taken, and over 1000 places lie within reach.
    assert compared < 60_000


def test_long_names_are_wrapped_into_the_room_there_is() -> None:
    lines = wrap("a very long name of a layer, honestly", size=12, room=90)
    assert len(lines) > 1
    assert all(width(line, size=12) <= 90 for line in lines)
    assert " ".join(lines) == "a very long name of a layer, honestly"
    assert all(
        width(line, size=12) <= 60 for line in wrap("Donaudampfschiff" * 2, size=12, room=60)
    )


def test_a_value_that_wants_a_look_is_printed_however_crowded_it_is() -> None:
    rig = make_rig(Bays(heights=(30, 60, 90, 400)))
    drawn = draw(rig, bay=1)
    assert drawn.unplaced > 0
    assert "23.1<" in str(drawn.svg)


def test_in_the_usual_rig_every_value_has_its_age_that_has_room_above_the_underside() -> None:
    ages = []
    for bay in (0, 1):
        svg = str(draw(make_rig(), bay).svg)
        assert svg.count('class="v halo"') == 13
        ages.append(svg.count('class="age halo"'))
    # The suspect value 60 mm above it has a word more, beside a bound that leaves no room for it.
    assert ages == [13, 12]
