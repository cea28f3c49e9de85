"""Chips behind the kernel's files that fail or go, each under the worker that lives with it.

The tree is a folder laid out as the kernel does it, and changed under a running worker; what a
read of a file fails with is put in where the file is read, for no folder here can fail so.
"""

import errno
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest

from longsoak.driver import BusKind
from longsoak.vocabulary.sample import Absence, Sample
from longsoak_drivers import hwmon, iio, onewire
from longsoak_drivers.transport import kernelfile
from service.faultbench import Addresses, _soon, working  # noqa: F401 - a fixture

pytestmark = pytest.mark.usefixtures("_soon")

LAYER, AIR = "28-0316a2795c13", "28-000005e2fdc3"
THERMOMETERS: Addresses = {"layer": {"id": LAYER}, "air": {"id": AIR}}
CHIP: Addresses = {"T": {"chip": "sht3x", "channel": "temp1"}}
INPUT: Addresses = {"V": {"channel": "voltage0"}}
# Memory and checksum of the first: Maxim application note 27 (second hand). The others' checksums
# are computed.
WARM = "91 01 4b 46 7f ff 0c 10 70", 25062
POWER_UP = "50 05 4b 46 7f ff 0c 10 1c", 85000


def put(path: Path, content: str) -> None:
    """Write a file at once, as far as a reader can tell."""
    path.parent.mkdir(parents=True, exist_ok=True)
    new = path.with_name(f".{path.name}")
    new.write_text(content)
    new.replace(path)


def put_thermometer(root: Path, number: str, memory: str, millidegrees: int) -> None:
    verdict = "YES" if onewire.crc8(bytes.fromhex(memory)) == 0 else "NO"
    told = f"{memory} : crc={memory[-2:]} {verdict}\n{memory} t={millidegrees}\n"
    put(root / number / "w1_slave", told)


def thermometers(folder: Path) -> Path:
    for number in (LAYER, AIR):
        put_thermometer(folder / "w1", number, *WARM)
    return folder / "w1"


def test_what_a_thermometer_holds_after_power_up_is_told_and_no_value(tmp_path: Path) -> None:
    """85 and 127.94 degC with byte 6 still 0c (Linux, Documentation/w1/slaves/w1_therm.rst)."""
    root = thermometers(tmp_path)
    warm = Sample("air", 25.062, "Cel")
    underfed = "ff 07 4b 46 7f ff 0c 10"
    underfed += f" {onewire.crc8(bytes.fromhex(underfed)):02x}"
    with working(onewire, THERMOMETERS, root=root) as told:
        told.value(warm)
        put_thermometer(root, AIR, *POWER_UP)
        assert "its 85 degC is what it holds after power-up" in told.missing("air", Absence.REFUSED)
        put_thermometer(root, AIR, *WARM)
        told.value(warm)
        put_thermometer(root, AIR, underfed, 127937)
        assert "its 127.94 degC is what" in told.missing("air", Absence.REFUSED)
        put_thermometer(root, AIR, *WARM)
        told.value(warm)
        assert told.samples == {warm, Sample("layer", 25.062, "Cel")}


def test_a_wrong_checksum_of_a_thermometer_is_told_and_leaves_the_other(tmp_path: Path) -> None:
    root = thermometers(tmp_path)
    with working(onewire, THERMOMETERS, root=root) as told:
        told.value(Sample("air", 25.062, "Cel"))
        put_thermometer(root, AIR, WARM[0].replace("91", "90"), 25000)
        assert "the memory read as 90 01" in told.missing("air", Absence.BAD_CHECKSUM)
        told.value(Sample("layer", 25.062, "Cel"))
        put_thermometer(root, AIR, *WARM)
        told.value(Sample("air", 25.062, "Cel"))
        assert {sample.value for sample in told.samples} == {25.062}


def test_a_thermometer_that_vanishes_is_named_and_read_again_when_it_is_back(
    tmp_path: Path,
) -> None:
    """It is known by its number: what another one at the same place holds is not its value."""
    root = thermometers(tmp_path)
    with working(onewire, THERMOMETERS, root=root) as told:
        told.value(Sample("air", 25.062, "Cel"))
        (root / AIR / "w1_slave").unlink()
        assert f"no thermometer {AIR}" in told.missing("air", Absence.NO_ANSWER)
        (root / AIR).rmdir()
        put_thermometer(root, "28-00000000beef", *POWER_UP)
        told.forget()
        assert f"no thermometer {AIR}" in told.missing("air", Absence.NO_ANSWER)
        told.value(Sample("layer", 25.062, "Cel"))
        put_thermometer(root, AIR, *WARM)
        told.value(Sample("air", 25.062, "Cel"))
        assert {sample.value for sample in told.samples} == {25.062}


def test_a_1_wire_bus_that_vanishes_as_a_whole_is_down_and_comes_back(tmp_path: Path) -> None:
    root = thermometers(tmp_path)
    with working(onewire, THERMOMETERS, root=root) as told:
        told.value(Sample("air", 25.062, "Cel"))
        root.rename(tmp_path / "away")
        assert "the kernel knows no 1-Wire bus" in told.down(str(root))
        (tmp_path / "away").rename(root)
        told.value(Sample("air", 25.062, "Cel"))


def chips(folder: Path, number: int, millidegrees: int) -> Path:
    """Lay out a chip of the kernel's hwmon folder."""
    root = folder / "hwmon"
    put(root / f"hwmon{number}" / "temp1_input", f"{millidegrees}\n")
    put(root / f"hwmon{number}" / "name", "sht3x\n")
    return root


def converters(folder: Path, number: int) -> Path:
    """Lay out a converter of the kernel's IIO folder: 1000 counts of 3 mV."""
    root = folder / "iio"
    device = root / f"iio:device{number}"
    put(device / "in_voltage0_raw", "1000\n")
    put(device / "in_voltage0_scale", "3.000000000\n")
    put(device / "name", "ads1015\n")
    return root


@contextmanager
def failing(monkeypatch: pytest.MonkeyPatch, file: str, code: int) -> Iterator[None]:
    """Let the kernel fail whoever reads a file of this name, for the length of a block."""

    def read(handle: int, size: int) -> bytes:
        if Path(f"/proc/self/fd/{handle}").readlink().name == file:
            raise OSError(code, os.strerror(code))
        return os.read(handle, size)

    with monkeypatch.context() as patch:
        patch.setattr(kernelfile, "os", SimpleNamespace(**(vars(os) | {"read": read})))
        yield


# What drivers of I2C chips hand on of their bus: no acknowledge, a lost arbitration or a busy bus,
# a stretched clock (Linux, Documentation/i2c/fault-codes.rst, from memory), and what fails beside.
CODES = [errno.EREMOTEIO, errno.EAGAIN, errno.ETIMEDOUT, errno.EIO, errno.ENXIO]
# Each kind with its tree, a probe of it, options beside the folder, the file that is read, and what
# the probe reads.
KINDS: list[tuple[BusKind, Path, Addresses, dict[str, str], str, Sample]] = [
    (hwmon, Path("hwmon"), CHIP, {}, "temp1_input", Sample("T", 21.5, "Cel")),
    (iio, Path("iio"), INPUT, {"device": "ads1015"}, "in_voltage0_raw", Sample("V", 3e3, "mV")),
    (onewire, Path("w1"), {"air": {"id": AIR}}, {}, "w1_slave", Sample("air", 25.062, "Cel")),
]


@pytest.mark.parametrize(
    ("kind", "root", "addresses", "options", "file", "good"), KINDS, ids=["hwmon", "iio", "1-wire"]
)
def test_a_chip_that_does_not_answer_its_bus_is_told_in_the_kernels_words_until_it_does(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    kind: BusKind,
    root: Path,
    addresses: Addresses,
    options: dict[str, str],
    file: str,
    good: Sample,
) -> None:
    chips(tmp_path, 1, 21500)
    converters(tmp_path, 0)
    thermometers(tmp_path)
    with working(kind, addresses, root=tmp_path / root, **options) as told:
        told.value(good)
        for code in CODES:
            with failing(monkeypatch, file, code):
                assert os.strerror(code) in told.missing(good.probe, Absence.NO_ANSWER)
            told.forget()
            told.value(good)
        assert told.samples == {good}


def test_a_chip_that_comes_back_under_another_number_is_found_by_its_name(tmp_path: Path) -> None:
    root = chips(tmp_path, 1, 21500)
    with working(hwmon, CHIP, root=root) as told:
        told.value(Sample("T", 21.5, "Cel"))
        shutil.rmtree(root / "hwmon1")
        assert "no chip sht3x; there are: none" in told.missing("T", Absence.NO_ANSWER)
        # Its number is another chip's now, with a temperature of its own.
        put(root / "hwmon1" / "temp1_input", "99000\n")
        put(root / "hwmon1" / "name", "cpu_thermal\n")
        assert "there are: cpu_thermal" in told.missing("T", Absence.NO_ANSWER)
        chips(tmp_path, 3, 22000)
        told.value(Sample("T", 22.0, "Cel"))
        assert {sample.value for sample in told.samples} == {21.5, 22.0}


def test_a_converter_that_comes_back_under_another_number_is_found_by_its_name(
    tmp_path: Path,
) -> None:
    root = converters(tmp_path, 0)
    with working(iio, INPUT, root=root, device="ads1015") as told:
        told.value(Sample("V", 3000.0, "mV"))
        shutil.rmtree(root / "iio:device0")
        told.down("the converter 'ads1015' is gone")
        put(root / "iio:device0" / "name", "other\n")
        told.down("no converter is called 'ads1015'; there are: other")
        converters(tmp_path, 2)
        told.value(Sample("V", 3000.0, "mV"))
