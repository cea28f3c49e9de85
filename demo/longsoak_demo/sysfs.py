"""Simulated sysfs trees: 1-Wire thermometers, an analogue-to-digital converter, an air chip.

The kernel would measure whenever a file is read; plain files can't, so they are written anew all
the time, each under another name first and then renamed: a reader never meets half a file.
"""

import shutil
from math import floor
from pathlib import Path

from longsoak_demo.bench import Bench, wired
from longsoak_demo.places import CHIP, LEVEL_PER_MV, LEVEL_ZERO, SHOP, TRAY_ADC, WIRE

CONVERTER = "ads1015"
_MV_PER_STEP = 2.0  # at its 4.096 V range
_FULL_SCALE = 2047
_AIR_SEAT, _CONVERTER_SEAT = "1-0044", "1-0048"  # of the chips: I2C bus and address


def crc8(data: bytes) -> int:
    """Return the 1-Wire checksum of `data`: x8 + x5 + x4 + 1, least significant bit first."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0x8C if crc & 1 else 0)
    return crc


def thermometer_file(temperature: float) -> str:
    """Content of ``w1_slave``, two lines, for a 12-bit thermometer at `temperature` in degC."""
    steps = floor(temperature * 16 + 0.5)
    low, high = (steps & 0xFFFF).to_bytes(2, "little")
    # Alarm limits 75 and 70 degC, 12 bits, and the count that remains in a chip of this family.
    scratchpad = bytes([low, high, 0x4B, 0x46, 0x7F, 0xFF, 0x10 - (low & 0x0F), 0x10])
    crc = crc8(scratchpad)
    text = " ".join(f"{byte:02x}" for byte in (*scratchpad, crc))
    return f"{text} : crc={crc:02x} YES\n{text} t={steps * 1000 // 16}\n"


def broken_wire_file() -> str:
    """Content of ``w1_slave`` when nothing pulls the line down: all ones, checksum wrong."""
    ones = bytes([0xFF] * 9)
    text = ones.hex(" ")
    return f"{text} : crc={crc8(ones[:8]):02x} NO\n{text} t=-62\n"


class Thermometers:
    """The 1-Wire tree under `root`."""

    def __init__(self, bench: Bench, root: Path) -> None:
        self._bench = bench
        self._root = root

    def refresh(self) -> None:
        """Write every thermometer's file anew; one that is cut off has no folder."""
        if WIRE in self._bench.unplugged:
            shutil.rmtree(self._root, ignore_errors=True)
            return
        for place in wired(WIRE):
            folder = self._root / str(place.address["id"])
            if self._bench.silent(place):
                shutil.rmtree(folder, ignore_errors=True)
                continue
            if self._bench.open_wire(place):
                content = broken_wire_file()
            else:
                content = thermometer_file(self._bench.reading(place))
            write(folder / "w1_slave", content)


class Converter:
    """The IIO tree under `root`, with the level sender on its first channel."""

    def __init__(self, bench: Bench, root: Path) -> None:
        self._bench = bench
        self._root = root
        (self._level,) = wired(TRAY_ADC)

    def refresh(self) -> None:
        """Write the channel's file anew."""
        if TRAY_ADC in self._bench.unplugged:
            shutil.rmtree(self._root, ignore_errors=True)
            return
        folder = self._root / "iio:device0"
        if not (folder / "name").exists():
            # The kernel lists a device by a link into the folder of its chip.
            sits = Path(_CONVERTER_SEAT) / folder.name
            (self._root / sits).mkdir(parents=True, exist_ok=True)
            folder.symlink_to(sits)
            write(folder / "in_voltage_scale", f"{_MV_PER_STEP:.9f}\n")
            write(folder / "name", CONVERTER + "\n")  # last: a driver looks for it first
        raw = folder / f"in_{self._level.address['channel']}_raw"
        if self._bench.silent(self._level):
            raw.unlink(missing_ok=True)
            return
        # An input with a broken wire is held at ground by its resistor.
        millivolts = 0.0
        if not self._bench.open_wire(self._level):
            millivolts = (self._bench.reading(self._level) - LEVEL_ZERO) / LEVEL_PER_MV
        steps = min(max(round(millivolts / _MV_PER_STEP), -_FULL_SCALE - 1), _FULL_SCALE)
        write(raw, f"{steps}\n")


class AirChip:
    """The hwmon tree under `root`, with one chip for humidity and temperature.

    Values are in thousandths (Linux, Documentation/hwmon/sysfs-interface.rst).
    """

    def __init__(self, bench: Bench, root: Path) -> None:
        self._bench = bench
        self._root = root

    def refresh(self) -> None:
        """Write the channels' files anew; a chip that is cut off has no folder."""
        if SHOP in self._bench.unplugged:
            shutil.rmtree(self._root, ignore_errors=True)
            return
        folder, on_it = self._root / "hwmon0", wired(SHOP)
        if any(self._bench.silent(place) or self._bench.open_wire(place) for place in on_it):
            self._root.mkdir(exist_ok=True)  # the kernel goes on listing the others
            shutil.rmtree(folder, ignore_errors=True)
            return
        for place in on_it:
            thousandths = round(self._bench.reading(place) * 1000)
            write(folder / f"{place.address['channel']}_input", f"{thousandths}\n")
        if not (folder / "name").exists():
            (folder / "device").symlink_to(f"../../../{_AIR_SEAT}")
            write(folder / "name", CHIP + "\n")  # last: a driver looks for it first


def write(path: Path, content: str) -> None:
    """Put `content` at `path` in one go."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f".{path.name}.new")
    draft.write_text(content, encoding="ascii")
    draft.replace(path)
