"""Whatever is answered, the rig file that is written is good and says what was asked for."""

import re
import tomllib

import pytest
from hypothesis import given, settings

from longsoak.rigfile.load import parse
from longsoak.rigfile.newrig.answers import Answers, Layout
from longsoak.rigfile.newrig.effort import Minutes, effort
from longsoak.rigfile.newrig.picture import COLUMNS, ROWS, picture
from longsoak.rigfile.newrig.reading import read_answers
from longsoak.rigfile.newrig.templates import template_text, templates
from longsoak.rigfile.newrig.text import rig_text
from longsoak.service.drivers import find_kind
from longsoak.vocabulary.errors import RigFileError
from longsoak.vocabulary.rig import Kind, Rig
from newrigs import Raw, answers, text_of

NAMES = list(templates())


def answered(text: str) -> Answers:
    return read_answers(text, file="answers.toml", find_kind=find_kind)


def checked(text: str) -> Rig:
    """As `longsoak check` reads it."""
    return parse(text, file="rig.toml", find_kind=find_kind)


def is_as_asked(rig: Rig, raw: Raw) -> None:
    """The geometry that was read back is the one that was asked for, by hand from the answers."""
    lies = raw["stands"] != "over water"
    face = {"over water": "side", "lying, wetted from above": "top"}.get(
        str(raw["stands"]), "underside"
    )
    assert str(rig.specimen.wet_face) == face
    assert rig.specimen.width == pytest.approx(raw["width"])
    assert rig.specimen.underside == raw["underside"]
    asked = raw["bays"]
    assert isinstance(asked, list)
    twice = 2 if raw.get("layout") == "sceptic-proof" else 1
    edge = 0.0
    for bay, want in zip(rig.specimen.bays, asked, strict=True):
        assert bay.name == want["name"]
        width = want.get("width", rig.specimen.width / len(asked))
        assert (bay.start, bay.end) == pytest.approx((edge, edge + width), abs=1e-5)
        edge = bay.end
        layers = [(layer.name, str(layer.material), layer.thickness) for layer in bay.layers]
        assert layers == [(x["name"], x["material"], x["thickness"]) for x in want["layers"]]
        pins = [p for p in rig.probes if p.kind is Kind.PINS and p.bay == bay.name]
        assert len(pins) == twice * len(want["depths"]) * len(want["across" if lies else "heights"])
        assert {p.depth for p in pins} == set(want["depths"])
        if lies:
            offsets = {round((p.across or 0.0) - bay.start, 3) for p in pins}
            assert {round(x, 3) for x in want["across"]} <= offsets
            for p in pins:
                depth, height = p.depth or 0.0, p.height
                right = rig.specimen.height - depth if face == "top" else depth
                assert height == pytest.approx(right, abs=1e-5)
        else:
            assert {p.height for p in pins} == set(want["heights"])
        assert len({p.seat for p in pins}) == len(pins), "no two pairs in one hole"
    assert (rig.reservoir is None) is ("reservoir" not in raw)
    if rig.reservoir is not None:
        water = raw["reservoir"]
        assert isinstance(water, dict)
        got = (rig.reservoir.stop, rig.reservoir.pump_needs, rig.reservoir.rim)
        assert got == (water["stop"], water["pump_needs"], water["rim"])
        assert (rig.reservoir.float_switch is None) is ("float_at" not in water)


@pytest.mark.parametrize("name", NAMES)
def test_a_template_makes_a_good_rig_file_of_the_geometry_it_says(name: str) -> None:
    text = rig_text(answered(template_text(name)))
    is_as_asked(checked(text), tomllib.loads(template_text(name)))


@settings(max_examples=30, deadline=None)
@given(raw=answers())
def test_any_answers_make_a_good_rig_file_of_the_geometry_asked_for(raw: Raw) -> None:
    found = answered(text_of(raw))
    rig = checked(rig_text(found))
    is_as_asked(rig, raw)
    assert rig.name == raw["name"]
    drawn = picture(found).splitlines()
    for bay in found.bays:
        assert any(line.strip().startswith(bay.name) for line in drawn)
    rows = [row for row in drawn if re.match(rf"  \[[|%.#:=/,OT*]{{{COLUMNS}}}\]", row)]
    assert len(rows) == ROWS * len(found.bays)
    assert sum("O" in row or "*" in row for row in rows) >= len(found.bays)


def blocks(text: str) -> list[str]:
    """What is commented out, a table at a time, without the marks of a comment."""
    found: list[list[str]] = []
    inside = False
    for line in text.splitlines():
        bare = line.removeprefix("#").removeprefix(" ")
        if re.fullmatch(r"# \[.*\]", line):
            found.append([bare])
            inside = True
        elif inside and re.match(r"# +\w+ =", line):
            found[-1].append(bare)
        else:
            inside = False
    return ["\n".join(lines) for lines in found]


@pytest.mark.parametrize("name", NAMES)
def test_each_part_that_is_commented_out_can_be_used_as_it_stands(name: str) -> None:
    text = rig_text(answered(template_text(name)))
    found = [b for b in blocks(text) if not b.startswith("[reservoir]") and '"scale"' not in b]
    heads = [block.partition("\n")[0] for block in found]
    assert {"[[limits]]", "[[alarms]]", "[notices.mail]", "[notices.mqtt]", "[backup]"} <= {*heads}
    for block in found:
        checked(f"{text}\n{block}\n")


def test_a_table_of_each_kind_says_what_it_is_for() -> None:
    lines = rig_text(answered(template_text("pair-of-bays"))).splitlines()
    told = set()
    for number, line in enumerate(lines):
        if re.fullmatch(r"\[.*\]", line) and line not in told:
            told.add(line)
            assert lines[number - 1].startswith("# "), line
    assert {"[rig]", "[specimen]", "[[bays]]", "[reservoir]", "[room]", "[[buses]]"} <= told


def test_a_sceptic_proof_layout_has_what_it_is_said_to_have() -> None:
    text = template_text("misted-panel").replace("width =", 'layout = "sceptic-proof"\nwidth =', 1)
    rig = checked(rig_text(answered(text)))
    kinds = [probe.kind for probe in rig.probes]
    assert kinds.count(Kind.PINS) == 18
    assert kinds.count(Kind.REFERENCE) == 1
    assert {p.place for p in rig.probes if p.kind is Kind.HUMIDITY} == {
        "air, wet face",
        "room, dry face",
    }
    assert "No bay is the control yet." in rig_text(answered(text))
    assert "--control" in rig_text(answered(template_text("pair-of-bays")))


def test_what_a_layout_takes_follows_from_what_is_assumed() -> None:
    found = answered(template_text("misted-panel"))
    minutes = Minutes(pair=10, card=5, look=20, hand=3, weighing=30, round=15)
    least = effort(found, Layout.MINIMUM, minutes)
    # Nine pairs, and a thermometer in the panel; room air, level and float outside.
    assert (least.pairs, least.others, least.control_to_build) == (9, 5, False)
    assert least.drilling_hours == pytest.approx((9 * 10 + 10 * 5) / 60)
    assert least.weekly_minutes == 20
    most = effort(found, Layout.SCEPTIC_PROOF, minutes)
    # Twice nine, and as many in the control that is to be built, which has a thermometer too;
    # a reference resistor, and air on the other side.
    assert (most.pairs, most.others, most.control_to_build) == (36, 9, True)
    assert most.drilling_hours == pytest.approx((36 * 10 + 38 * 5) / 60)
    assert most.hand_readings == 6
    assert most.weekly_minutes == 20 + 6 * 3 + 30 + 15


def test_addresses_that_are_known_are_kept_and_never_made_up_a_second_time() -> None:
    found = answered(
        template_text("pair-of-bays")
        + '[buses.temperature]\ndriver = "onewire"\n'
        + 'addresses = [{ id = "28-000000000002" }, { id = "28-0316a2795c13" }]\n'
    )
    text = rig_text(found)
    rig = checked(text)
    ids = [p.address["id"] for p in rig.probes if p.name.startswith("T ")]
    assert ids == ["28-000000000002", "28-0316a2795c13", "28-000000000001"]
    known = next(line for line in text.splitlines() if "0316a2795c13" in line)
    assert "made up" not in known
    assert 'address = { id = "28-000000000001" }  # made up: put in your own' in text


def told(text: str) -> str:
    with pytest.raises(RigFileError) as caught:
        answered(text)
    return str(caught.value)


@pytest.mark.parametrize(
    ("was", "wrong", "line", "says"),
    [
        ('stands = "over water"', 'stands = "upright"', 3, "one of over water, in water"),
        ("height = 420", "breadth = 420", 4, "no breadth of one that is"),
        ("width = 600", "width = 600\nbays = 3", 6, "one or more tables, each headed [[bays]]"),
        ("depths = [30, 60, 100]", "depths = [20]", 14, "inside a layer"),
        ("depths = [30, 60, 100]", "depths = [30, 130]", 14, "0 to 120"),
        ("heights = [60, 210, 360]", "heights = [60, 60]", 15, "each place once"),
        ("heights = [60, 210, 360]", "across = [60]", 15, 'no across of one that is "over water"'),
        ('name = "panel"', 'name = "a panel with a name that is long"', 9, "1 to 24 characters"),
        ("stop = 80", "stop = 27", 21, "29 or more, 4 mm above pump_needs"),
        ("float_at = 95", "float_at = 70", 23, "more than 80, where a top-up ends"),
        ("underside = 120", "underside = 90", 23, "less than 90, the specimen's underside"),
        ("rim = 150", "rim = 70", 20, "80 or more, where a top-up ends"),
        ("pump_needs = 25", "pump_need = 25", 22, "Did you mean pump_needs?"),
    ],
)
def test_a_wrong_answer_is_told_in_one_sentence_with_its_line(
    was: str, wrong: str, line: int, says: str
) -> None:
    text = template_text("misted-panel")
    if was == "width = 600":
        text = text.replace("[[bays]]", "[[bay]]")
    assert was in text
    message = told(text.replace(was, wrong, 1))
    assert says in message
    assert f"answers.toml:{line}:" in message


@pytest.mark.parametrize(
    ("bus", "says"),
    [
        ('[buses.pins]\ndriver = "gpio"\n', "one of lines, scpi, modbus, iio, by which pins"),
        ('[buses.pumps]\ndriver = "gpio"\n', "one of pins, temperature, air, level, float"),
        ('[buses.pins]\ndriver = "lines"\nprot = "/dev/x"\n', "Did you mean port?"),
        (
            '[buses.pins]\ndriver = "scpi"\nport = "/dev/x"\naddresses = [{ channel = "a" }]\n',
            "channel number",
        ),
    ],
)
def test_a_bus_that_cannot_be_is_told(bus: str, says: str) -> None:
    assert says in told(template_text("misted-panel") + bus)


def test_pins_that_no_temperature_corrects_are_refused() -> None:
    text = template_text("misted-panel")
    text = text.replace("width =", "thermometers = false\nair = []\nwidth =", 1)
    assert "a temperature somewhere" in told(text)


def test_bays_without_a_width_share_what_is_left() -> None:
    text = template_text("pair-of-bays").replace("width = 1200", "width = 1000")
    rig = checked(rig_text(answered(text)))
    ends = [bay.end for bay in rig.specimen.bays]
    assert ends == pytest.approx([1000 / 3, 2000 / 3, 1000], abs=1e-5)
