"""The demo's rig file, written from the same list the faked instruments are wired by."""

import json
from collections.abc import Iterator, Mapping
from pathlib import Path

from longsoak_demo import places, tray
from longsoak_demo.airbus import BAUD
from longsoak_demo.places import PLACES, PORTS, Place
from longsoak_demo.sysfs import CONVERTER

# Seconds. Far shorter than a real rig's, so that something is seen soon after the start.
_EVERY = {
    "pins": 10,
    "reference resistor": 5,  # a meter pulled out is noticed by it first
    "humidity": 5,
    "temperature": 5,
    "level": 1,
    "float": 1,
    "flow": 2,
    "pump current": 2,
    "polarisation": 30,
}

_HEAD = """\
# The demo's rig: two renders on timber panels, side by side. Everything it measures is invented.
# This file is written anew at every start of the demo, so changes to it are lost; copy it to start
# a rig file of your own. Lengths are in mm, times in s.

[rig]
name = "render pair"
invented = true
{page}
[specimen]
height = {height}
width = {width}
underside = {underside}     # above the tray's floor
edges = {{ top = "sealed", bottom = "open", left = "guarded", right = "guarded" }}
between_bays = ["sealed"]
"""

_BAY = """
[[bays]]
name = {name}
from = {start}
to = {end}
layers = [
  {{ name = {render}, material = {material}, thickness = {thickness} }},
  {{ name = "timber panel", material = "timber", thickness = {panel} }},
]
"""

_RESERVOIR = """
# On a real rig the cut-outs against running dry and overfilling are wired, not left to a program;
# mains near water is work for a licensed electrician, to the local code.
[reservoir]
name = "catch tray"
level = "water level"
float = "high float"
depth_table = [[0, 0], [{rim:g}, {litres:g}]]  # mm, L
length = 1200
breadth = 340
rim = {rim:g}
stop = {stop:g}          # a top-up ends here
pump_needs = {pump:g}     # the pump sucks air below this

[room]
temperature = "air dry T"
humidity = "air dry RH"
"""

_LIMIT = """
# Declared before the wetting begins, so that nobody can move it once the readings are in. The
# figure is common practice, not a standard's.
[[limits]]
name = "the panel stays dry"
quantity = "dowel"
layer = "timber panel"
depth = [{deepest}, {deepest}]  # the deepest pins
at_most = 20  # % MC
window = 0.05  # h, so that a demo of minutes is judged; a test of months has its 24
phases = ["wetting"]
rule = "consumer's risk"
risk = 0.05
source = "common practice: timber below 20 %"
"""

_TAIL = """
# Alarms have sensible settings without a word here; this is how one is changed.
# [[alarms]]
# watch = "overfill"
# setpoint = 100
# deadband = 3

# Notices need a mail server or a broker, so the demo sends none.
# [notices.mail]
# host = "localhost"
# port = 25
# from = "rig@example.org"
# to = ["keeper@example.org"]
"""


def rig_text(folder: Path, *, page: str | None) -> str:
    """The rig file of a demo laid out in `folder`; `page` is the address of its pages, if any."""
    head = _HEAD.format(
        page=f"page = {_quoted(page)}\n" if page else "",
        height=places.HEIGHT,
        width=places.BAY_WIDTH * len(places.BAYS),
        underside=places.UNDERSIDE,
    )
    bays = [
        _BAY.format(
            name=_quoted(bay),
            start=number * places.BAY_WIDTH,
            end=(number + 1) * places.BAY_WIDTH,
            render=_quoted(f"{bay} render"),
            material=_quoted("cork" if bay.startswith("cork") else "lime"),
            thickness=places.RENDER,
            panel=places.PANEL,
        )
        for number, bay in enumerate(places.BAYS)
    ]
    reservoir = _RESERVOIR.format(
        rim=tray.RIM, litres=tray.RIM * tray.PER_MM, stop=tray.STOP, pump=tray.PUMP_NEEDS
    )
    parts = [head, *bays, reservoir, *_buses(folder.resolve())]
    parts.append(
        "\n# A real rig leaves `every` out: pins are then read every 15 minutes, air once a minute."
    )
    limit = _LIMIT.format(deepest=max(places.DEPTHS))
    return "\n".join([*parts, *(_probe(place) for place in PLACES), limit, _TAIL])


def _buses(folder: Path) -> Iterator[str]:
    port = {bus: _quoted(str(folder / "ports" / name)) for bus, name in PORTS.items()}
    settings = {
        places.METER: f'driver = "scpi"\nport = {port[places.METER]}\nmost = 100e9',
        places.FRONT_END: f'driver = "lines"\nport = {port[places.FRONT_END]}\nmost = 100e9',
        places.AIR_BUS: f'driver = "modbus"\nport = {port[places.AIR_BUS]}\nbaud = {BAUD}',
        places.WIRE: f'driver = "onewire"\nroot = {_quoted(str(folder / "w1"))}',
        places.TRAY_ADC: (
            f'driver = "iio"\nroot = {_quoted(str(folder / "iio"))}\ndevice = {_quoted(CONVERTER)}'
        ),
        places.OVER_WATER: f'driver = "sdi12"\nport = {port[places.OVER_WATER]}',
        places.SHOP: f'driver = "hwmon"\nroot = {_quoted(str(folder / "hwmon"))}',
    }
    for bus in places.BUSES:
        yield f"[[buses]]\nname = {_quoted(bus)}\n{settings[bus]}\n"


def _probe(place: Place) -> str:
    lines = [
        "[[probes]]",
        f"name = {_quoted(place.name)}",
        f"kind = {_quoted(place.kind)}",
    ]
    if place.bay and place.depth is not None:
        lines.append(f"bay = {_quoted(place.bay)}")
        lines.append(f"depth = {place.depth}\nheight = {place.height}")
    if place.where:
        lines.append(f"place = {_quoted(place.where)}")
    lines.append(f"bus = {_quoted(place.bus)}")
    lines.append(f"address = {_inline(place.address)}")
    lines += _of_kind(place)
    lines.append(f"every = {_EVERY[place.kind]}")
    return "\n".join(lines) + "\n"


def _of_kind(place: Place) -> list[str]:
    if place.kind == "pins" and place.bay:
        curve, warmth = "Douglas-fir (coast)", places.timber_probe(place.bay)
        return [
            f"curve = {_quoted(curve)}",
            f"temperature = {_quoted(warmth)}",
            'sits_in = "dowel"',
            "without_temperature = { last_good = 6 }",
        ]
    if place.kind == "reference resistor":
        return [f"nominal = {places.REFERENCE_OHMS:.0e}  # Ohm"]
    if place.kind == "level":
        return [f"zero = {places.LEVEL_ZERO}\nper_unit = {places.LEVEL_PER_MV}  # mm per mV"]
    if place.kind == "float":
        return [f"trips_at = {tray.FLOAT_TRIPS:g}"]
    if place.kind == "flow":
        return [f"runs_from = {tray.RUNS_FLOW:g}  # L/min"]
    if place.pair is not None:
        return [f"pair = {_quoted(place.pair)}"]
    if place.kind == "pump current":
        return [
            "# A clamp around one wire of the cable: on mains, work for a licensed electrician.",
            f"runs_from = {tray.RUNS_CURRENT:g}  # A; the pump draws less while it sucks air",
        ]
    return []


def _inline(table: Mapping[str, int | float | str]) -> str:
    items = (f"{key} = {_quoted(v) if isinstance(v, str) else v}" for key, v in table.items())
    return "{ " + ", ".join(items) + " }"


def _quoted(text: str) -> str:
    """A TOML basic string; JSON's escapes are TOML's too, except for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
