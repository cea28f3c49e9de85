"""A rig of 1-Wire thermometers in a faked sysfs tree, polled fast: the shipped driver reads it."""

from pathlib import Path

HEAD = """
[rig]
name = "thermometers"
invented = true

[specimen]
height = 420
width = 600
underside = 110
edges = { top = "sealed", bottom = "open", left = "guarded", right = "guarded" }
between_bays = []

[[bays]]
name = "panel"
from = 0
to = 600
layers = [{ name = "panel", material = "timber", thickness = 180 }]

[[buses]]
name = "wood"
driver = "onewire"
root = "w1"
"""
PROBE = """
[[probes]]
name = "T{number}"
kind = "temperature"
bay = "panel"
depth = 90
height = {height}
bus = "wood"
every = 0.2
address = {{ id = "{rom}" }}
"""


def rom(number: int) -> str:
    """The id of thermometer `number`."""
    return f"28-{number:012x}"


def lay_out(folder: Path, *, probes: int = 4, more: str = "") -> Path:
    """Write the rig file and the thermometers; return the rig file."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(probes):
        show(folder, number, 20.0 + number)
    text = HEAD.replace('"w1"', f'"{folder / "w1"}"')
    text += "".join(PROBE.format(number=n, height=20 + 10 * n, rom=rom(n)) for n in range(probes))
    rig_file = folder / "rig.toml"
    rig_file.write_text(text + more)
    return rig_file


def show(folder: Path, number: int, celsius: float) -> None:
    """Let thermometer `number` read `celsius`, as the kernel would print it."""
    device = folder / "w1" / rom(number)
    device.mkdir(parents=True, exist_ok=True)
    raw = round(celsius * 16)
    scratch = [raw & 0xFF, raw >> 8 & 0xFF, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10]
    crc = 0
    for byte in scratch:  # x8 + x5 + x4 + 1, reflected
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x8C if crc & 1 else 0)
    shown = " ".join(f"{byte:02x}" for byte in [*scratch, crc])
    text = f"{shown} : crc={crc:02x} YES\n{shown} t={round(raw / 16 * 1000)}\n"
    fresh = device / "fresh"
    fresh.write_text(text)
    fresh.replace(device / "w1_slave")


TRAY = """
[reservoir]
name = "tray"
level = "water level"
depth_table = [[0, 0], [150, 61.2]]
length = 1200
breadth = 340
rim = 150
stop = 100
pump_needs = 25

[[buses]]
name = "tray"
driver = "iio"
root = "{root}"
device = "ads1015"

[[probes]]
name = "water level"
kind = "level"
bus = "tray"
every = 0.2
address = {{ channel = "voltage0" }}
zero = -20.0
per_unit = 0.1

[[alarms]]
watch = "overfill"
on_delay = 0.5
off_delay = 0.5
"""


def tray(folder: Path) -> str:
    """What a rig file needs for a tray whose level comes from a faked converter."""
    pour(folder, 70.0)
    return TRAY.format(root=folder / "iio")


def pour(folder: Path, millimetres: float) -> None:
    """Let the water stand at `millimetres`."""
    device = folder / "iio" / "iio:device0"
    device.mkdir(parents=True, exist_ok=True)
    (device / "name").write_text("ads1015\n")
    (device / "in_voltage_scale").write_text("1.0\n")
    fresh = device / "fresh"
    fresh.write_text(f"{round((millimetres + 20) / 0.1)}\n")
    fresh.replace(device / "in_voltage0_raw")
