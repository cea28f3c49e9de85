"""Rigs whose specimen lies over its reservoir, wetted from below or from above; all invented."""

from collections.abc import Sequence

from longsoak.rigfile.load import parse
from longsoak.vocabulary.rig import Rig
from pages.pagerig import BAY, BUS, HEAD, TRAY, TRAY_PROBES

_PINS = """
[[probes]]
name = "{bay} {depth:g}/{across:g}"
kind = "pins"
bay = "{bay}"
depth = {depth}
height = {height}
across = {across}
bus = "wire"
address = {{ channel = {channel} }}
curve = "Douglas-fir (coast)"
temperature = "room"
every = 900
"""
_ROOM = """
[[probes]]
name = "room"
kind = "temperature"
place = "room"
bus = "wire"
address = { channel = 99 }
every = 60
"""
_FEET = "blocks = [{ count = 4, length = 60, breadth = 80, from = 0, to = 110 }]"
SCREED = (("timber", "timber", 140.0), ("lime screed", "lime", 60.0))


def lying_text(
    face: str = "underside",
    *,
    layers: Sequence[tuple[str, str, float]] = SCREED,
    depths: Sequence[float] = (30, 90, 160),
    across: Sequence[float] = (100, 300, 500),
    wide: float = 600,
    names: Sequence[str] = ("left", "right"),
) -> str:
    """A rig file; `across` counts from where each bay begins, `face` is the wet one."""
    high = sum(thick for *_, thick in layers)
    head = HEAD.format(
        name="slab over a tray",
        height=high,
        width=wide * len(names),
        underside=110,
        between=["sealed"] * (len(names) - 1),
    ).replace("underside =", f'wet_face = "{face}"\nbreadth = 400\nunderside =')
    tray = TRAY.format(stop=100, pump_needs=25)
    tray = tray.replace("depth_table = [[0, 0], [150, 61.2], [500, 204]]", _FEET)
    tray = tray.replace("length = 1200\nbreadth = 340", "length = 1300\nbreadth = 500")
    written = ", ".join(
        f'{{ name = "{name}", material = "{of}", thickness = {thick} }}'
        for name, of, thick in layers
    )
    parts = [head]
    parts += [
        BAY.format(name=name, start=i * wide, end=(i + 1) * wide, layers=written)
        for i, name in enumerate(names)
    ]
    parts += [tray, BUS]
    channel = 100
    for i, name in enumerate(names):
        for depth in depths:
            for x in across:
                channel += 1
                height = depth if face == "underside" else high - depth
                parts.append(
                    _PINS.format(
                        bay=name, depth=depth, height=height, across=i * wide + x, channel=channel
                    )
                )
    return "\n".join([*parts, _ROOM, TRAY_PROBES])


def lying_rig(face: str = "underside", **shape: object) -> Rig:
    """The rig of `lying_text`."""
    return parse(lying_text(face, **shape), file="rig.toml", find_kind=None)  # type: ignore[arg-type]  # as of lying_text
