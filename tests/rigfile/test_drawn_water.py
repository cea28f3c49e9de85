"""A drawn reservoir, a pan and a scale, as the rig file says them; `broken` has the messages."""

from math import pi

import pytest

from longsoak.rigfile.load import parse
from longsoak.vocabulary.rig import Block, EvaporationPan, Kind, Rig, Weighs
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")
PROBES = """
[[probes]]
name = "pan level"
kind = "level"
bus = "air"
address = { device = 90, input = 0 }

[[probes]]
name = "scale"
kind = "scale"
weighs = "specimen"
bus = "air"
address = { device = 91, input = 0 }

[[probes]]
name = "salts"
kind = "conductivity"
temperature = "T water"
bus = "air"
address = { device = 92, input = 0 }

[[probes]]
name = "T water"
kind = "temperature"
place = "tray"
bus = "air"
address = { device = 93, input = 0 }

[evaporation_pan]
level = "pan level"
diameter = 200
"""


def drawn() -> Rig:
    table = next(line for line in GOOD.splitlines() if line.startswith("depth_table"))
    blocks = (
        "blocks = [{ count = 4, length = 50, breadth = 40, from = 0, to = 30 },"
        " { count = 2, diameter = 20, from = 0, to = 500 }]\nsplash = 4"
    )
    text = GOOD.replace(table, blocks) + PROBES
    return parse(text, file="rig.toml", find_kind=find_kind)


def test_a_drawn_shape_becomes_the_depth_table() -> None:
    reservoir = drawn().reservoir
    assert reservoir is not None
    feet = 2 * pi * 10**2
    assert reservoir.blocks == (
        Block(8000.0, 0.0, 30.0, 4, 50.0, 40.0),
        Block(pytest.approx(feet), 0.0, 500.0, 2, 20.0, 20.0),  # type: ignore[arg-type]  # compared alone
    )
    (_, (depth, litres), (top, full)) = reservoir.depth_table
    plan = reservoir.length * reservoir.breadth
    assert depth == 30.0
    assert litres == pytest.approx((plan - 8000.0 - feet) * 30.0 * 1e-6)
    assert full - litres == pytest.approx((plan - feet) * (top - 30.0) * 1e-6)
    assert top >= max(reservoir.rim, drawn().specimen.underside)
    assert reservoir.splash == 4.0


def test_pan_scale_and_conductivity_are_built() -> None:
    rig = drawn()
    assert rig.pan == EvaporationPan("pan level", pytest.approx(pi * 0.1**2))  # type: ignore[arg-type]  # compared alone
    probes = {probe.name: probe for probe in rig.probes}
    assert probes["scale"].weighs is Weighs.SPECIMEN
    assert probes["salts"].temperatures == ("T water",)
    assert probes["pan level"].kind is Kind.LEVEL
    assert all(alarm.subject != "pan level" for alarm in rig.alarms if alarm.watch == "overfill")
