"""What is plugged in, found in trees laid out as the kernel lays them out."""

from pathlib import Path

from longsoak.service.plugged import Chip, Plugged, plugged


def lay(root: Path) -> tuple[Path, Path]:
    """Two ports, two thermometers, a converter, a sensor and a fan, chips on I2C and lines."""
    sys_root, dev_root = root / "sys", root / "dev"
    by_id = dev_root / "serial" / "by-id"
    by_id.mkdir(parents=True)
    (dev_root / "ttyUSB0").touch()
    (dev_root / "ttyACM0").touch()
    (by_id / "usb-meter-port0").symlink_to("../../ttyUSB0")
    (dev_root / "gpiochip0").touch()
    wire = sys_root / "bus" / "w1" / "devices"
    for name in ("28-0316a2795c13", "28-0316a2794bff", "w1_bus_master1"):
        (wire / name).mkdir(parents=True)
    chip = sys_root / "devices" / "i2c-1" / "1-0048"
    converter = chip / "iio:device0"
    converter.mkdir(parents=True)
    (converter / "name").write_text("ads1015\n")
    for channel in (0, 1):
        (converter / f"in_voltage{channel}_raw").write_text("0\n")
    listed = sys_root / "bus" / "iio" / "devices"
    listed.mkdir(parents=True)
    (listed / "iio:device0").symlink_to("../../../devices/i2c-1/1-0048/iio:device0")
    on_i2c = sys_root / "bus" / "i2c" / "devices"
    on_i2c.mkdir(parents=True)
    (chip / "name").write_text("ads1015\n")
    (on_i2c / "1-0048").symlink_to("../../../devices/i2c-1/1-0048")
    (on_i2c / "i2c-1").mkdir()
    for place, name, files in (
        (0, "sht3x", ("humidity1_input", "temp1_input")),
        (1, "pwmfan", ("fan1_input",)),
    ):
        folder = sys_root / "class" / "hwmon" / f"hwmon{place}"
        folder.mkdir(parents=True)
        (folder / "name").write_text(f"{name}\n")
        for file in files:
            (folder / file).write_text("0\n")
        (folder / "device").symlink_to(f"../../../devices/i2c-1/1-004{4 + place}")
    return sys_root, dev_root


def test_each_thing_is_found_by_the_name_a_rig_file_gives_it(tmp_path: Path) -> None:
    sys_root, dev_root = lay(tmp_path)
    found = plugged(sys_root, dev_root)
    assert found == Plugged(
        serial=(str(dev_root / "serial/by-id/usb-meter-port0"), str(dev_root / "ttyACM0")),
        onewire=("28-0316a2794bff", "28-0316a2795c13"),
        converters=(Chip("ads1015", "1-0048", ("voltage0", "voltage1")),),
        sensors=(Chip("sht3x", "1-0044", ("temp1", "humidity1")),),
        i2c=(Chip("ads1015", "1-0048", ()),),
        gpio=(str(dev_root / "gpiochip0"),),
    )


def test_a_computer_with_nothing_plugged_in_has_nothing(tmp_path: Path) -> None:
    assert plugged(tmp_path / "sys", tmp_path / "dev").nothing


def test_the_real_trees_are_read_without_a_fault() -> None:
    found = plugged()
    assert all(port.startswith("/dev/") for port in found.serial)
