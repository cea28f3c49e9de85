"""The rig that is there many times: 32 thermometers and 32 pairs of pins at their usual periods."""

from pathlib import Path

from servers import HOST
from whole.thermorig import HEAD, rom, show

EACH = 32  # probes a bus
PROBES = 2 * EACH
PERIODS = {"wood": 60.0, "pins": 900.0}  # s, as a rig file has them that says nothing of it
ALARM = "above:T0"

_TEMPERATURE = """
[[probes]]
name = "T{n}"
kind = "temperature"
bay = "panel"
depth = 90
height = {high}
bus = "wood"
address = {{ id = "{rom}" }}
"""
_PINS = """
[[probes]]
name = "P{n}"
kind = "pins"
bay = "panel"
depth = 30
height = {high}
bus = "pins"
curve = "Douglas-fir (coast)"
temperature = "T0"
address = {{ channel = "voltage{n}", divider = {{ resistor = 1000000, excitation = 5 }} }}
"""
_BUS = """
[[buses]]
name = "pins"
driver = "iio"
root = "{root}"
device = "adc"
"""
_REST = """
[[alarms]]
watch = "above"
probe = "T0"
setpoint = 60
cause = "invented"
consequence = "invented"
actions = ["invented"]
within = 3600
priority = "medium"

[notices.mqtt]
host = "{host}"
port = {mqtt}
prefix = "{prefix}"

[forward.mqtt]

[forward.database]
url = "{url}"
bucket = "fleet"
"""


def prefix_of(name: str) -> str:
    """The first part of a rig's topics."""
    return f"fleet/{name.replace(' ', '-')}"


def lay_out_files(folder: Path) -> None:
    """The thermometers and the converter, which all rigs read."""
    for n in range(EACH):
        show(folder, n, 18 + n / 16)
    converter = folder / "iio" / "iio:device0"
    converter.mkdir(parents=True)
    (converter / "name").write_text("adc\n")
    (converter / "in_voltage_scale").write_text("0.125\n")
    for n in range(EACH):
        (converter / f"in_voltage{n}_raw").write_text(f"{400 + n}\n")


def rig_text(folder: Path, name: str, *, mqtt: int, url: str) -> str:
    """The rig file of one of them."""
    head = HEAD.replace('"thermometers"', f'"{name}"\npage = "http://{HOST}:8460/"')
    head = head.replace('root = "w1"', f'root = "{folder / "w1"}"')
    pins = (
        f'\n[[buses]]\nname = "pins"\ndriver = "iio"\nroot = "{folder / "iio"}"\ndevice = "adc"\n'
    )
    probes = [_TEMPERATURE.format(n=n, high=10 + 10 * n, rom=rom(n)) for n in range(EACH)]
    probes += [_PINS.format(n=n, high=10 + 10 * n) for n in range(EACH)]
    rest = _REST.format(host=HOST, mqtt=mqtt, prefix=prefix_of(name), url=url)
    return "".join([head, pins, *probes, rest])
