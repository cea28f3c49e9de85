"""Sixty-four probes on four buses, all asked together, and two more buses that hang."""

import os
from collections.abc import Iterator
from pathlib import Path

from whole.thermorig import HEAD, rom, show

EACH = 16  # probes a bus
BUSES = ("lines", "modbus", "onewire", "iio")
SILENT, STUCK = "silent", "stuck"  # a port that never answers; a file the kernel never gives
ASKED = "asked"  # the file in which the hardware notes when passes began

_PROBE = """
[[probes]]
name = "{name}"
kind = "{kind}"
bay = "panel"
depth = {depth}
height = {height}
bus = "{bus}"
address = {{ {address} }}
every = {every}
"""
_PINS = """curve = "Douglas-fir (coast)"
temperature = "onewire 0"
"""


def ports(folder: Path) -> dict[str, Path]:
    """The pseudo-terminals under `folder`."""
    return {name: folder / f"port-{name}" for name in ("lines", "modbus", SILENT)}


def rig_text(folder: Path, *, hung: bool = False, every: int = 1, more: str = "") -> str:
    """The rig file of the hardware in `folder`, with the buses that hang or without.

    Each probe is asked every `every` seconds; `more` is added at the end.
    """
    head, _, _ = HEAD.partition("[[buses]]")
    port = ports(folder)
    parts = [
        head,
        f'[[buses]]\nname = "lines"\ndriver = "lines"\nport = "{port["lines"]}"\n',
        f'[[buses]]\nname = "modbus"\ndriver = "modbus"\nport = "{port["modbus"]}"\nbaud = 19200\n',
        f'[[buses]]\nname = "onewire"\ndriver = "onewire"\nroot = "{folder / "w1"}"\n',
        f'[[buses]]\nname = "iio"\ndriver = "iio"\nroot = "{folder / "iio"}"\ndevice = "adc"\n',
        *_healthy(every),
    ]
    if hung:
        parts += [
            f'[[buses]]\nname = "{SILENT}"\ndriver = "lines"\nport = "{port[SILENT]}"\n',
            f'[[buses]]\nname = "{STUCK}"\ndriver = "onewire"\nroot = "{folder / STUCK}"\n',
            *(_probe(SILENT, n, "temperature", f'name = "S{n}"', every) for n in range(4)),
            *(_probe(STUCK, n, "temperature", f'id = "{rom(n)}"', every) for n in range(4)),
        ]
    return "".join([*parts, more])


def _healthy(every: int) -> Iterator[str]:
    divider = "{ resistor = 1000000, excitation = 5 }"
    for n in range(EACH):
        yield _probe("lines", n, "pins", f'name = "P{n}"', every) + _PINS
        yield _probe("modbus", n, "humidity", f"device = 1, input = {n}, scale = 0.1", every)
        yield _probe("onewire", n, "temperature", f'id = "{rom(n)}"', every)
        channel = f'channel = "voltage{n}", divider = {divider}'
        yield _probe("iio", n, "pins", channel, every) + _PINS


def _probe(bus: str, number: int, kind: str, address: str, every: int) -> str:
    place = 10 * (*BUSES, SILENT, STUCK).index(bus) + 10
    return _PROBE.format(
        name=f"{bus} {number}",
        kind=kind,
        depth=place,
        height=20 + 10 * number,
        bus=bus,
        address=address,
        every=every,
    )


def lay_out_files(folder: Path) -> None:
    """What of the hardware is files: thermometers, a converter, and thermometers that hang."""
    for number in range(EACH):
        show(folder, number, 20 + number / 8)
    converter = folder / "iio" / "iio:device0"
    converter.mkdir(parents=True)
    (converter / "name").write_text("adc\n")
    (converter / "in_voltage_scale").write_text("0.125\n")
    for number in range(EACH):
        (converter / f"in_voltage{number}_raw").write_text(f"{400 + number}\n")
    for number in range(4):
        device = folder / STUCK / rom(number)
        device.mkdir(parents=True)
        os.mkfifo(device / "w1_slave")  # nobody writes to it, so opening it waits for ever
