"""A rig with pins of every kind side by side, as text; all of it invented."""

from collections.abc import Sequence

from longsoak.rigfile.load import parse
from longsoak.vocabulary.rig import Rig

HEAD = """
[rig]
name = "pins of every kind"
invented = true

[specimen]
height = 420
width = 600
underside = 110
edges = { top = "sealed", bottom = "open", left = "guarded", right = "guarded" }
between_bays = []

[[bays]]
name = "wall"
from = 0
to = 600
layers = [
  { name = "render", material = "lime", thickness = 60 },
  { name = "panel", material = "timber", thickness = 120 },
  { name = "fibre board", material = "board", thickness = 60 },
]

[[buses]]
name = "wood"
driver = "scpi"
port = "/dev/ttyUSB0"

[curves."our render"]
form = "power law"
made_for = "mineral"
lowest = 1
highest = 12
reference_temperature = 20
coefficients = [2.0, -0.2]
uncertainty = 0.5
source = "our samples"

[curves."our board"]
form = "power law"
made_for = "board"
lowest = 5
highest = 25
reference_temperature = 20
coefficients = [2.0, -0.1]
uncertainty = 0.5
source = "our samples"

[[probes]]
name = "T wall"
kind = "temperature"
bay = "wall"
depth = 120
height = 360
bus = "wood"
address = { channel = 100 }
"""
PINS = """
[[probes]]
name = "{name}"
kind = "pins"
bay = "wall"
depth = {depth:g}
height = {height:g}
bus = "wood"
address = {{ channel = {channel} }}
curve = "{curve}"
temperature = "T wall"
{more}
"""
WOOD = "Douglas-fir (coast)"
# Depth, curve and the rest of each kind; the name says what the pins sit in and the curve is for.
KINDS = {
    "timber": (90, WOOD, ""),
    "lime, wood": (30, WOOD, ""),
    "lime, own": (30, "our render", ""),
    "lime, dowel": (30, WOOD, 'sits_in = "dowel"'),
    "board, own": (210, "our board", ""),
}
WORDS = {
    "timber": "% MC",
    "lime, wood": "% WME",
    "lime, own": "% MC",
    "lime, dowel": "% MC dowel",
    "board, own": "% MC",
}


def text_of(kinds: Sequence[str] = tuple(KINDS)) -> str:
    """A rig file with one pair of pins of each of `kinds`, none at the height of another."""
    parts = [HEAD]
    for i, name in enumerate(kinds):
        depth, curve, more = KINDS[name]
        parts.append(
            PINS.format(
                name=name, depth=depth, height=60 * (i + 1), channel=101 + i, curve=curve, more=more
            )
        )
    return "".join(parts)


def rig_of(kinds: Sequence[str] = tuple(KINDS)) -> Rig:
    """The rig of `text_of`."""
    return parse(text_of(kinds), file="rig.toml", find_kind=None)
