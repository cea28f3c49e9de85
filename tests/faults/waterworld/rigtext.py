"""The rig file of a simulated rig."""

from collections.abc import Iterator

from faults.waterworld.happenings import COLD, HOT, HUMID
from faults.waterworld.sensors import (
    AIR,
    AIR_BUS,
    CURRENT,
    CURVE,
    FLOAT,
    FLOW,
    LEVEL,
    SURFACE,
    TRAY_BUS,
    WATER,
    WOOD_BUS,
    level_line,
)
from faults.waterworld.shape import Shape
from faults.waterworld.specimen import BAYS, DEPTH, SITES

PERIODS = {TRAY_BUS: 60, AIR_BUS: 600, WOOD_BUS: 1800}  # s

_HEAD = """\
[rig]
name = "{name}"
invented = true

[specimen]
height = 600
width = 600
underside = {underside}
edges = {{ top = "sealed", bottom = "open", left = "guarded", right = "guarded" }}
between_bays = ["sealed"]

[reservoir]
name = "tray"
level = "{level}"
float = "{switch}"
depth_table = {table}
length = {length}
breadth = {breadth}
rim = {rim}
stop = {stop}
pump_needs = {pump_needs}

[[alarms]]
watch = "low"
setpoint = {low}

[[alarms]]
watch = "float and level disagree"
setpoint = {apart}

[[alarms]]
watch = "room too hot"
setpoint = {hot}

[[alarms]]
watch = "room too cold"
setpoint = {cold}

[[alarms]]
watch = "room too humid"
setpoint = {humid}

[curves."invented wood"]
form = "table"
made_for = "wood"
reference_temperature = 20
correction = "none"
source = "invented for a simulated year"
points = {points}
uncertainty = 0.5
"""
_BAY = """
[[bays]]
name = "{name}"
from = {start}
to = {end}
layers = [{{ name = "panel", material = "timber", thickness = 60 }}]
dry_face = {{ surface = "{surface}", temperature = "T dry face", humidity = "RH dry face" }}
"""
_BUS = """
[[buses]]
name = "{name}"
driver = "lines"
port = "/dev/{name}"
most = 100e9
"""
_PROBE = """
[[probes]]
name = "{name}"
kind = "{kind}"
bus = "{bus}"
address = {{ name = "{channel}" }}
every = {every}
{more}
"""

PER_KELVIN = 0.02  # mm


def rig_text(shape: Shape) -> str:
    """The file's text."""
    parts = [
        _HEAD.format(
            name=shape.name,
            underside=shape.underside,
            level=LEVEL,
            switch=FLOAT,
            table=[[depth, round(litres, 6)] for depth, litres in shape.table],
            length=shape.length,
            breadth=shape.breadth,
            rim=shape.rim,
            stop=shape.stop,
            pump_needs=shape.pump_needs,
            low=shape.low,
            hot=HOT,
            cold=COLD,
            humid=HUMID,
            apart=min(5.0, shape.trips_at - shape.stop - 0.5),
            points=[list(pair) for pair in CURVE],
        )
    ]
    parts += [
        _BAY.format(name=name, start=300 * number, end=300 * (number + 1), surface=SURFACE)
        for number, name in enumerate(BAYS)
    ]
    parts += [_BUS.format(name=name) for name in PERIODS]
    for number, (name, kind, bus, more) in enumerate(_probes(shape)):
        parts.append(
            _PROBE.format(
                name=name, kind=kind, bus=bus, channel=f"P{number}", every=PERIODS[bus], more=more
            )
        )
    return "".join(parts)


def _probes(shape: Shape) -> Iterator[tuple[str, str, str, str]]:
    """Name, kind, bus, and what else is said of each probe."""
    zero, per_unit = level_line(shape)
    level = f"zero = {zero}\nper_unit = {per_unit}\nrecord = 300\nresolution = 0.5"
    # What its data sheet says, which is not quite what it does.
    level += f'\ntemperature = "{WATER}"\nzero_per_kelvin = {PER_KELVIN}'
    yield LEVEL, "level", TRAY_BUS, level
    yield FLOAT, "float", TRAY_BUS, f"trips_at = {shape.trips_at}\nrecord = 3600"
    yield FLOW, "flow", TRAY_BUS, "runs_from = 0.3\nzero = 0.0\nper_unit = 0.01\nrecord = 3600"
    yield CURRENT, "pump current", TRAY_BUS, "runs_from = 0.4\nrecord = 3600"
    for place in AIR:
        yield f"RH {place}", "humidity", AIR_BUS, f'place = "{place}"'
        yield f"T {place}", "temperature", AIR_BUS, f'place = "{place}"'
    yield SURFACE, "temperature", AIR_BUS, 'place = "on the dry face"'
    yield WATER, "temperature", AIR_BUS, 'place = "water"'
    for site in SITES:
        where = f'bay = "{site.bay}"\nheight = {site.height}\ndepth = {DEPTH}\n'
        reads = 'curve = "invented wood"\ntemperature = "T dry face"'
        yield site.name, "pins", WOOD_BUS, where + reads
