"""What is plugged into this computer, as the kernel lists it: ports, sensors, converters, lines."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

_WIRE = "[0-9a-f][0-9a-f]-" + "[0-9a-f]" * 12
_CONVERTED = "in_voltage*_raw"
_SENSED = ("temp*_input", "humidity*_input")


@dataclass(frozen=True, slots=True)
class Chip:
    """A chip the kernel has a driver for: its name, where it sits, and its channels."""

    name: str
    seat: str | None
    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Plugged:
    """All that was found. `i2c` are chips on I2C, known to a driver or only declared."""

    serial: tuple[str, ...] = ()
    onewire: tuple[str, ...] = ()
    converters: tuple[Chip, ...] = ()
    sensors: tuple[Chip, ...] = ()
    i2c: tuple[Chip, ...] = ()
    gpio: tuple[str, ...] = ()

    @property
    def nothing(self) -> bool:
        """Whether nothing at all was found."""
        return self == Plugged()


def plugged(sys_root: Path = Path("/sys"), dev_root: Path = Path("/dev")) -> Plugged:
    """Look for what is plugged in; opens no port and asks no sensor.

    Parameters
    ----------
    sys_root, dev_root : Path
        Where the kernel lists its devices.
    """
    return Plugged(
        serial=tuple(_serial(dev_root)),
        onewire=tuple(each.name for each in _found(sys_root / "bus/w1/devices", _WIRE)),
        converters=tuple(_chips(sys_root / "bus/iio/devices", "iio:device*", (_CONVERTED,))),
        sensors=tuple(_chips(sys_root / "class/hwmon", "hwmon*", _SENSED)),
        i2c=tuple(
            Chip(_name(each) or "unknown", each.name, ())
            for each in _found(sys_root / "bus/i2c/devices", "[0-9]*-*")
        ),
        gpio=tuple(_gpio(dev_root)),
    )


def _serial(dev_root: Path) -> Iterator[str]:
    """Ports by the names that stay, then those that have no such name."""
    named = _found(dev_root / "serial/by-id", "*")
    yield from map(str, named)
    have = {each.resolve() for each in named}
    if dev_root == Path("/dev"):
        from serial.tools.list_ports import comports

        others = [Path(port.device) for port in comports() if port.hwid != "n/a"]
    else:
        others = [*_found(dev_root, "ttyUSB*"), *_found(dev_root, "ttyACM*")]
    yield from (str(each) for each in sorted(others) if each.resolve() not in have)


def _gpio(dev_root: Path) -> Iterator[str]:
    """Chips by their label, which stays the same when they are numbered anew, else by device."""
    for device in _found(dev_root, "gpiochip*"):
        yield _label(device) or str(device)


def _label(device: Path) -> str | None:
    try:
        import gpiod

        with gpiod.Chip(str(device)) as chip:
            return chip.get_info().label or None
    except (ImportError, OSError, ValueError):
        return None


def _chips(folder: Path, pattern: str, channels: tuple[str, ...]) -> Iterator[Chip]:
    for each in _found(folder, pattern):
        name = _name(each)
        if not name:
            continue
        found = tuple(
            path.name.removeprefix("in_").removesuffix("_raw").removesuffix("_input")
            for channel in channels
            for path in _found(each, channel)
        )
        if found:
            yield Chip(name, _seat(each), found)


def _seat(folder: Path) -> str | None:
    """Where a chip sits: what its link `device` leads to, or the folder it is listed in."""
    for link, level in ((folder / "device", 0), (folder, 1)):
        try:
            target = link.readlink()
        except OSError:
            continue
        return target.name if level == 0 else target.parent.name
    return None


def _name(folder: Path) -> str:
    try:
        return (folder / "name").read_text("ascii", errors="replace").strip()
    except OSError:
        return ""


def _found(folder: Path, pattern: str) -> list[Path]:
    try:
        return sorted(folder.glob(pattern))
    except OSError:
        return []
