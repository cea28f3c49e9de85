"""Which probes a zone holds, and how far others are from it."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from longsoak.core.limitwords import limit_words
from longsoak.core.zones import Spot, away, inside, layer_at, spots, spots_of
from longsoak.vocabulary.rig import (
    Above,
    Bay,
    Kind,
    Layer,
    Limit,
    LimitQuantity,
    Material,
    Probe,
    Quantity,
    Rig,
    Rule,
    Side,
    Statistic,
    Weighs,
    Zone,
)
from rigs import small_rig

BAY = Bay(
    "lime",
    0,
    600,
    (Layer("render", Material.LIME, 60.1), Layer("panel", Material.TIMBER, 179.9)),
)
PINS = Probe(
    "L 30/60",
    Kind.PINS,
    "meter",
    {},
    every=900,
    record=900,
    resolution=0,
    bay="lime",
    depth=30,
    height=60,
    across=300,
    quantity=Quantity.WOOD_EQUIVALENT,
)
AIR = replace(PINS, name="RH", kind=Kind.HUMIDITY, quantity=None, depth=100)
WARM = replace(AIR, name="T", kind=Kind.TEMPERATURE)
SCALE = replace(
    AIR, name="scale", kind=Kind.SCALE, bay=None, depth=None, height=None, weighs=Weighs.SPECIMEN
)


def test_each_place_is_told_with_what_is_read_there() -> None:
    room = replace(AIR, name="room", bay=None, depth=None, height=None, place="air, dry face")
    tray = replace(SCALE, name="tray", weighs=Weighs.RESERVOIR)

    assert spots([PINS, AIR, WARM, SCALE, room, tray], [BAY]) == [
        Spot(LimitQuantity.WOOD_EQUIVALENT, ("L 30/60",), "lime", "render", 30, 60),
        Spot(LimitQuantity.HUMIDITY, ("RH",), "lime", "panel", 100, 60),
        Spot(LimitQuantity.MOULD_INDEX, ("RH", "T"), "lime", "panel", 100, 60),
        Spot(LimitQuantity.MASS_GAIN, ("scale",)),
    ]


def test_a_mould_index_is_of_one_seat() -> None:
    for beside in (replace(WARM, across=301), replace(WARM, depth=101), replace(WARM, bay="cork")):
        quantities = [spot.quantity for spot in spots([AIR, beside], [BAY])]
        assert quantities == [LimitQuantity.HUMIDITY]


def test_between_two_layers_the_one_further_in_counts_and_at_the_far_face_the_last() -> None:
    assert [layer_at(depth, BAY) for depth in (0, 60, 60.1, 240)] == [
        "render",
        "render",
        "panel",
        "panel",
    ]


def test_both_ends_belong_to_a_zone_in_spite_of_decimal_fractions() -> None:
    (spot,) = spots([replace(PINS, depth=0.1 + 0.2)], [BAY])

    assert inside(spot, Zone(depth=(0, 0.3), height=(60, 60)))
    assert not inside(spot, Zone(depth=(0, 0.29)))
    assert not inside(spot, Zone(height=(61, 200)))


def test_what_weighs_the_specimen_belongs_to_every_zone() -> None:
    (spot,) = spots([SCALE], [BAY])

    assert inside(spot, Zone("lime", "panel", (0, 10), (0, 10)))


_MM = st.integers(0, 240)
_SPAN = st.none() | st.tuples(_MM, _MM).map(lambda ends: (min(ends), max(ends)))


@given(depth=_MM, height=_MM, deep=_SPAN, high=_SPAN, bay=st.sampled_from([None, "lime", "cork"]))
def test_a_place_is_inside_where_each_part_of_the_zone_says_so(
    depth: int,
    height: int,
    deep: tuple[int, int] | None,
    high: tuple[int, int] | None,
    bay: str | None,
) -> None:
    (spot,) = spots([replace(PINS, depth=depth, height=height)], [BAY])
    zone = Zone(bay, None, deep, high)

    fits = (
        bay in (None, "lime")
        and (deep is None or depth in range(deep[0], deep[1] + 1))
        and (high is None or height in range(high[0], high[1] + 1))
    )
    assert inside(spot, zone) == fits
    others, off = away(spot, zone)
    assert others == (bay == "cork")
    assert off >= 0


def _rig() -> Rig:
    rig = small_rig()
    return replace(
        rig, specimen=replace(rig.specimen, bays=(BAY,)), probes=(PINS, AIR, WARM, SCALE)
    )


def test_a_limit_is_told_in_one_line() -> None:
    limit = Limit(
        "render",
        LimitQuantity.WOOD_EQUIVALENT,
        Side.AT_MOST,
        3,
        Statistic.MEAN,
        zone=Zone("lime", "render", (0, 60), (0, 200.5)),
        above=Above.OWN_BASELINE,
        longest=48,
        phases=("wetting", "drying"),
        rule=Rule.PRODUCERS_RISK,
        risk=0.1,
        source="own choice",
    )

    assert [spot.probes for spot in spots_of(limit, _rig())] == [("L 30/60",)]
    assert limit_words(limit, _rig()) == (
        "mean wood-equivalent at most 3 % WME above its own mean over the baseline; bay lime; "
        "layer render; 0 to 60 mm deep; 0 to 200.5 mm high; read by L 30/60; each averaged over "
        "24 h; beyond it for at most 48 h in all; good data in 90 % of the windows; for wetting, "
        "drying; producer's risk 10 % (own choice)"
    )


def test_a_limit_of_the_whole_specimen_names_no_zone() -> None:
    mould = Limit("m", LimitQuantity.MOULD_INDEX, Side.AT_MOST, 3, Statistic.HIGHEST)
    mass = Limit("g", LimitQuantity.MASS_GAIN, Side.AT_LEAST, 0.5, Statistic.LOWEST)

    (spot,) = spots_of(mould, _rig())
    assert limit_words(mould, _rig()).startswith(
        f"highest mould index at most 3; read by RH+T; {spot.layer} of no declared mould_class; "
        "each at its highest over 24 h; never beyond it; "
    )
    assert limit_words(mass, _rig()).startswith(
        "lowest mass gain of the specimen at least 0.5 kg; read by scale; "
    )
