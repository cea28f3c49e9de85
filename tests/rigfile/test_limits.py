"""Limits in a rig file: as they come out, and what is said of those that can't be judged."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.phases import WORDS
from longsoak.rigfile.load import parse
from longsoak.vocabulary.errors import RigFileError
from longsoak.vocabulary.rig import (
    LIMIT_UNIT,
    LIMIT_UNIT_WORDS,
    Above,
    Limit,
    LimitQuantity,
    Rig,
    Rule,
    Side,
    Statistic,
    Zone,
)
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")
PLAIN = GOOD.partition("\n[[limits]]")[0]
BROKEN = (HERE / "broken" / "limits.toml").read_text(encoding="utf-8").partition("\n[[limits]]")[0]
SCALE = """
[[probes]]
name = "specimen's scale"
kind = "scale"
weighs = "specimen"
bus = "tray"
address = { channel = "voltage2" }
"""
PAIR = """
[[probes]]
name = "RH panel"
kind = "humidity"
bay = "cork-lime"
depth = 85
height = 60
bus = "air"
address = { device = 2, input = 0, scale = 0.1 }
"""


def limit(**said: object) -> str:
    """A table headed [[limits]], of a name and these keys."""
    keys = "\n".join(f"{key} = {value}" for key, value in said.items())
    return f'\n[[limits]]\nname = "x"\n{keys}\n'


def rig(text: str) -> Rig:
    return parse(text, file="rig.toml", find_kind=find_kind)


def mistakes(text: str) -> list[str]:
    with pytest.raises(RigFileError) as caught:
        rig(text)
    return [str(mistake) for mistake in caught.value.mistakes]


def test_limits_come_out_as_the_file_has_them() -> None:
    render, wetted = rig(GOOD).limits

    assert render == Limit(
        name="the render soaks up little",
        quantity=LimitQuantity.WOOD_EQUIVALENT,
        side=Side.AT_MOST,
        bound=6,
        statistic=Statistic.MEAN,
        zone=Zone("cork-lime", "cork-lime render", (0, 60), (0, 200)),
        above=Above.OWN_BASELINE,
        window=12,
        longest=48,
        coverage=0.8,
        phases=("wetting", "second winter"),
        rule=Rule.PRODUCERS_RISK,
        risk=0.1,
        source="own choice, before the first wetting",
    )
    assert (wetted.side, wetted.bound, wetted.above) == (Side.AT_LEAST, 2, Above.CONTROL)


def test_what_a_limit_leaves_out_is_strict_and_as_usual() -> None:
    (found,) = rig(PLAIN + PAIR + limit(quantity='"humidity"', at_most=85)).limits

    assert found == Limit("x", LimitQuantity.HUMIDITY, Side.AT_MOST, 85, Statistic.HIGHEST)
    assert (found.window, found.longest, found.coverage) == (24, 0, 0.9)
    assert (found.phases, found.rule, found.risk) == (("wetting",), Rule.CONSUMERS_RISK, 0.05)
    assert (found.zone, found.above, found.source) == (Zone(), None, None)


def test_the_statistic_is_the_one_that_is_hardest_to_keep_to() -> None:
    (least,) = rig(PLAIN + PAIR + limit(quantity='"humidity"', at_least=40)).limits

    assert (least.side, least.statistic) == (Side.AT_LEAST, Statistic.LOWEST)


def test_every_quantity_has_a_unit_and_its_words() -> None:
    assert set(LIMIT_UNIT) == set(LIMIT_UNIT_WORDS) == set(LimitQuantity)


@pytest.mark.parametrize(
    ("quantity", "bound", "more"),
    [
        ("moisture content", 300, ""),
        ("dowel", 0, ""),
        ("humidity", 100, ""),
        ("mould index", 6, ""),
        ("mass gain", 1000, ""),
        ("mass gain", -1000, ""),
        ("wood-equivalent", 300, 'above = "own baseline"\n'),
    ],
)
def test_the_ends_of_what_is_plausible_may_be_written(quantity: str, bound: int, more: str) -> None:
    dowel = GOOD.replace('curve = "my fir"', 'curve = "my fir"\nsits_in = "dowel"')
    panel = PAIR.replace("RH panel", "pins panel").replace(
        'kind = "humidity"',
        'kind = "pins"\ncurve = "Douglas-fir (coast)"\ntemperature = "T cork-lime"',
    )
    panel = panel.replace('bus = "air"', 'bus = "meter"').replace(
        "{ device = 2, input = 0, scale = 0.1 }", "{ channel = 101 }"
    )
    text = dowel.partition("\n[[limits]]")[0] + SCALE + PAIR + panel
    (found,) = rig(text + limit(quantity=f'"{quantity}"', at_most=bound) + more).limits

    assert (found.quantity, found.bound) == (quantity, bound)


@pytest.mark.parametrize(
    ("said", "says"),
    [
        ({"quantity": '"humidity"', "at_most": 100.1}, "expected % RH as a bare number, 0 to 100."),
        ({"quantity": '"humidity"', "at_least": -0.1}, "x.at_least is -0.1, expected % RH"),
        ({"quantity": '"mould index"', "at_most": 6.5}, "a mould index as a bare number, 0 to 6."),
        ({"quantity": '"mass gain"', "at_most": 1001}, "kg as a bare number, -1000 to 1000."),
        ({"quantity": '"humidity"', "at_most": '"85"'}, "Write for example at_most = 20."),
        ({"quantity": '"humidity"', "at_most": 80, "window": '"24 h"'}, "Write window = 24."),
        ({"quantity": '"humidity"', "at_most": 80, "risk": 0}, "a probability as a bare number"),
        ({"quantity": '"humidity"', "at_most": 80, "depth": "[-1, 5]"}, "each 0 or more"),
        ({"quantity": '"mould"', "at_most": 3}, 'Write quantity = "mould index".'),
        ({"quantity": '"mass gain"', "at_most": 2, "above": '"control"'}, "no above beside a mass"),
        (
            {"quantity": '"wood-equivalent"', "at_most": 20},
            "x.above is missing, expected one of own baseline, control: a wood-equivalent is no "
            "moisture content of what the pins sit in and compares with itself only",
        ),
        ({"quantity": '"mass gain"', "at_most": 2, "bay": '"cork-lime"'}, "Remove bay."),
        (
            {"quantity": '"mass gain"', "at_most": 2, "depth": "[0, 60]", "height": "[0, 60]"},
            "Remove depth and height.",
        ),
    ],
)
def test_what_can_not_be_is_told_where_it_stands_and_how_to_mend_it(
    said: dict[str, object], says: str
) -> None:
    text = PLAIN + SCALE + PAIR + limit(**said)

    (told,) = mistakes(text)

    assert says.replace("x.", "limits[0].") in told
    line, field = re.findall(r"rig\.toml:(\d+): limits\[0\]\.(\w+)", told)[0]
    assert text.splitlines()[int(line) - 1].startswith(field) or "is missing" in told


@pytest.mark.parametrize(
    ("key", "wrong", "right"),
    [
        ("quantity", '"moisture contents"', '"moisture content"'),
        ("bay", '"cork lime"', '"cork-lime"'),
        ("layer", '"timber pannel"', '"timber panel"'),
        ("depth", "[240, 100]", "[100, 240]"),
        ("height", "[420, 0]", "[0, 420]"),
        ("above", '"own base line"', '"own baseline"'),
        ("statistic", '"means"', '"mean"'),
        ("window", '"12 h"', "12"),
        ("longest", '"48"', "48"),
        ("rule", '"consumers risk"', '"consumer\'s risk"'),
    ],
)
def test_doing_what_a_message_says_mends_a_limit(key: str, wrong: str, right: str) -> None:
    said: dict[str, object] = {"quantity": '"moisture content"', "at_most": 20}

    (told,) = mistakes(BROKEN + limit(**{**said, key: wrong}))

    assert told.partition(f"Write {key} = {right}")[1]
    assert rig(BROKEN + limit(**{**said, key: right})).limits


@pytest.mark.parametrize(
    ("phases", "right"),
    [
        ('["baseline"]', '["wetting"]'),
        ('["wetting", "baseline", "drying"]', '["wetting", "drying"]'),
    ],
)
def test_a_baseline_is_not_held_against_itself(phases: str, right: str) -> None:
    said = {"quantity": '"moisture content"', "at_most": 3, "above": '"own baseline"'}

    (told,) = mistakes(BROKEN + limit(**{**said, "phases": phases}))

    assert "a baseline is held against itself" in told
    assert told.endswith(f"Write phases = {right}.")
    assert rig(BROKEN + limit(**{**said, "phases": right})).limits
    assert rig(BROKEN + limit(quantity='"moisture content"', at_most=3, phases=phases)).limits


def test_where_no_bay_can_be_the_control_there_is_the_own_baseline() -> None:
    said = {"quantity": '"wood-equivalent"', "at_most": 3, "above": '"control"'}

    (told,) = mistakes(BROKEN + limit(**said))

    assert told.endswith('Write above = "own baseline", or widen the zone.')
    assert rig(BROKEN + limit(**{**said, "above": '"own baseline"'})).limits


def test_a_zone_without_a_probe_names_the_three_nearest_first_of_the_same_bay() -> None:
    text = BROKEN + limit(
        quantity='"moisture content"', bay='"plain lime"', depth="[200, 240]", at_most=20
    )

    (told,) = mistakes(text)

    assert told.endswith(
        "limits[0].depth is [200, 240], expected a zone that holds at least one pair of pins that "
        'reads moisture content; nearest: "P 170/60" ("plain lime", "timber panel", 170 mm deep, '
        '60 mm high); "C 170/60" ("cork-lime", "timber panel", 170 mm deep, 60 mm high). Widen the '
        "zone, or correct quantity."
    )


def test_both_ends_of_a_zone_belong_to_it() -> None:
    said = {"quantity": '"moisture content"', "at_most": 20}
    assert rig(BROKEN + limit(**said, depth="[170, 170]", height="[60, 60]")).limits
    assert mistakes(BROKEN + limit(**said, depth="[170.1, 240]"))
    assert mistakes(BROKEN + limit(**said, height="[0, 59.9]"))


def test_a_mould_index_needs_humidity_and_temperature_at_one_seat() -> None:
    text = limit(quantity='"mould index"', at_most=3)
    assert rig(PLAIN + PAIR + text).limits
    apart = PAIR.replace("depth = 85", "depth = 90")
    (told,) = mistakes(PLAIN + apart + text)
    assert (
        "this rig has no humidity and temperature probe at one seat inside the specimen; it reads "
        'humidity, wood-equivalent; without a temperature there are "RH panel" ("cork-lime", '
        '"timber panel", 90 mm deep, 60 mm high).'
    ) in told
    beside = PAIR.replace("height = 60", "height = 60\nacross = 100")
    assert "no humidity and temperature probe at one seat" in mistakes(PLAIN + beside + text)[0]


def test_a_probe_outside_the_specimen_is_in_no_zone() -> None:
    (told,) = mistakes(PLAIN + limit(quantity='"humidity"', at_most=80))

    assert "this rig has no humidity probe inside the specimen" in told


def test_a_control_may_have_other_layers_but_has_to_be_another_bay() -> None:
    said = {"quantity": '"wood-equivalent"', "at_most": 5, "above": '"control"'}
    assert rig(PLAIN + limit(**said, bay='"cork-lime"', layer='"cork-lime render"')).limits
    (told,) = mistakes(BROKEN + limit(**said))
    assert "there is no other bay with such a probe in this depth and height" in told


@pytest.mark.parametrize("word", [*WORDS, "rewetting", "wetting 2", "baseline 2", "First winter"])
def test_a_phase_is_named_by_its_kind_or_a_name_of_its_own(word: str) -> None:
    text = limit(quantity='"humidity"', at_most=80, phases=f'["{word}"]')

    assert rig(PLAIN + PAIR + text).limits[0].phases == (word,)


@pytest.mark.parametrize("word", ["weting", "Wetting", "dry-run", "dry_run", "Base-Line", "dryng"])
def test_a_slip_in_a_kind_is_no_name(word: str) -> None:
    text = limit(quantity='"humidity"', at_most=80, phases=f'["drying", "{word}"]')

    (told,) = mistakes(PLAIN + PAIR + text)

    assert f"limits[0].phases[1] is '{word}', expected a kind of phase" in told


@pytest.mark.parametrize(
    ("good", "faulty"),
    [
        ('kind = "pins"', 'kind = "pin"'),
        ("depth = 30", 'depth = "deep"'),
        ('curve = "Douglas-fir (coast)"', 'curve = "Douglas"'),
        ('name = "C 30/60"', 'name = ""'),
        ("thickness = 60 ", 'thickness = "6 cm" '),
        ('name = "cork-lime"\n', "name = 7\n"),
        ('material = "cork"', 'material = "foam"'),
    ],
)
def test_what_a_mistake_elsewhere_hides_is_not_also_missed_by_a_limit(
    good: str, faulty: str
) -> None:
    assert good in BROKEN
    limits = (
        limit(quantity='"wood-equivalent"', at_most=3, above='"own baseline"', depth="[0, 60]"),
        limit(quantity='"moisture content"', at_most=20, layer='"timber panel"'),
    )

    told = mistakes(BROKEN.replace(good, faulty, 1) + limits[0] + limits[1].replace('"x"', '"y"'))

    assert not [mistake for mistake in told if "limits[" in mistake]


def test_a_record_s_file_is_checked_and_read_without_drivers() -> None:
    assert parse(GOOD, file="rig.toml", find_kind=None).limits == rig(GOOD).limits


_SPAN = st.tuples(st.integers(0, 300), st.integers(0, 300))


@given(depth=_SPAN, height=_SPAN, bay=st.sampled_from([None, "cork-lime", "plain lime", "other"]))
def test_any_zone_gives_a_limit_or_says_what_is_wrong_with_the_zone(
    depth: tuple[int, int], height: tuple[int, int], bay: str | None
) -> None:
    said: dict[str, object] = {"quantity": '"moisture content"', "at_most": 20}
    said |= {"depth": list(depth), "height": list(height)}
    if bay is not None:
        said["bay"] = f'"{bay}"'
    # Both pairs of pins in the panel are 170 mm deep and 60 mm high; told without our code.
    rising = depth[0] <= depth[1] and height[0] <= height[1]
    holds = depth[0] <= 170 <= depth[1] and height[0] <= 60 <= height[1]

    try:
        found = rig(BROKEN + limit(**said)).limits
    except RigFileError as error:
        told = [mistake.field for mistake in error.mistakes]
        assert told
        assert set(told) <= {"limits[0].depth", "limits[0].height", "limits[0].bay"}
        assert not (rising and holds and bay != "other")
    else:
        assert rising
        assert holds
        assert bay != "other"
        assert found[0].zone == Zone(bay, None, depth, height)
