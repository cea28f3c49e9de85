"""The questions of `longsoak new` about buses, and what is plugged in to choose from."""

from collections.abc import Mapping, Sequence

import click

from longsoak.cli.newquestions import a_number, one_of, until_right
from longsoak.rigfile.newrig.answers import (
    DRIVERS,
    ROLE_WORDS,
    Answers,
    BusAnswer,
    Role,
    usual_options,
)
from longsoak.rigfile.newrig.probes import plan_probes
from longsoak.service.plugged import Chip, Plugged

_SERIAL = ("lines", "scpi", "modbus", "sdi12")
_SAYS = {
    "lines": "lines of text over a serial port, as the front end in deploy/frontend",
    "scpi": "a bench meter with a scanner card (SCPI)",
    "modbus": "Modbus RTU, or over the network",
    "sdi12": "SDI-12 by an adapter",
    "iio": "an analogue-to-digital converter the kernel knows",
    "onewire": "1-Wire thermometers",
    "hwmon": "chips for humidity and temperature the kernel knows",
    "gpio": "a line of this computer",
}
_OTHER = "another port, by its name"
_LATER = "not plugged in yet"


def tell_plugged(there: Plugged) -> None:
    """List what was found, each kind on a line of its own."""
    click.echo("\nPlugged into this computer:")
    if there.nothing:
        click.echo("  nothing that could be a bus. Buses can be named before they are plugged in.")
        return
    for what, found in (
        ("serial ports", there.serial),
        ("1-Wire thermometers", there.onewire),
        ("converters", [_chip(chip) for chip in there.converters]),
        ("sensors in the kernel's list", [_chip(chip) for chip in there.sensors]),
        ("chips on I2C", [f"{chip.name} at {chip.seat}" for chip in there.i2c]),
        ("chips with lines", there.gpio),
    ):
        if found:
            click.echo(f"  {what}: {', '.join(found)}")


def ask_buses(answers: Answers, there: Plugged) -> Mapping[Role, BusAnswer]:
    """What reads each role that has a probe."""
    probes = plan_probes(answers)
    ports: dict[str, str] = {}  # which driver owns a port that was named
    found: dict[Role, BusAnswer] = {}
    for role in Role:
        if not any(probe.role is role for probe in probes):
            continue
        click.echo(f"\nWhat reads {ROLE_WORDS[role]}?")
        usual = _usual(role, there)
        words = {_SAYS[driver]: driver for driver in DRIVERS[role]}
        driver = words[one_of("Which", list(words), default=_SAYS[usual])]
        found[role] = _bus(role, driver, there, ports)
    return found


def _usual(role: Role, there: Plugged) -> str:
    """The driver of which something is plugged in, else the usual one."""
    have = {
        "onewire": there.onewire,
        "hwmon": _humid(there),
        "iio": there.converters if role is Role.LEVEL else (),
        "gpio": there.gpio,
    }
    serial = [driver for driver in DRIVERS[role] if driver in _SERIAL and there.serial]
    near = [driver for driver in DRIVERS[role] if have.get(driver)]
    return DRIVERS[role][0] if DRIVERS[role][0] in near else (*near, *serial, DRIVERS[role][0])[0]


def _bus(role: Role, driver: str, there: Plugged, ports: dict[str, str]) -> BusAnswer:
    usual = usual_options(role, driver)
    if driver in _SERIAL:
        port = _port(driver, str(usual["port"]), there.serial, ports)
        return BusAnswer(driver, {"port": port})
    if driver == "onewire":
        return BusAnswer(driver, {}, tuple({"id": found} for found in there.onewire))
    if driver == "hwmon":
        return BusAnswer(driver, {}, _sensed(role, there))
    if driver == "iio":
        options = _of_chip("device", there.converters) or usual
        return BusAnswer(driver, options)
    chip = there.gpio[0] if len(there.gpio) == 1 else str(usual["chip"])
    if len(there.gpio) > 1:
        chip = one_of("  On which chip", list(there.gpio), default="1")
    number = int(a_number("  Which line of it", low=0, high=1023, default=17))
    return BusAnswer(
        driver, {"chip": chip}, ({"line": number, "active": "low", "bias": "pull up"},)
    )


def _port(driver: str, usual: str, there: Sequence[str], ports: dict[str, str]) -> str:
    def read(typed: str) -> str:
        if not typed or not typed.isprintable():
            raise ValueError(f"Write the name of a port, such as {usual}.")
        if ports.get(typed, driver) != driver:
            raise ValueError(f"{typed} is taken by {ports[typed]}: two drivers can't share a port.")
        return typed

    port = ""
    if there:
        said = one_of("  On which port", [*there, _OTHER, f"{_LATER}: {usual}"], default="1")
        port = usual if said.startswith(_LATER) else "" if said == _OTHER else said
        if port and ports.get(port, driver) != driver:
            click.echo(f"  {port} is taken by {ports[port]}: two drivers can't share a port.")
            port = ""
    port = port or until_right("  On which port", read, usual)
    ports[port] = driver
    return port


def _of_chip(key: str, chips: Sequence[Chip]) -> dict[str, object]:
    if not chips:
        return {}
    chip = chips[0]
    if len(chips) > 1:
        words: dict[str, Chip] = {_chip(each): each for each in chips}
        chip = words[one_of("  Which of them", list(words), default="1")]
    alike = sum(each.name == chip.name for each in chips) > 1
    seat: dict[str, object] = {"seat": chip.seat} if alike and chip.seat else {}
    return {key: chip.name, **seat}


def _humid(there: Plugged) -> list[Chip]:
    return [chip for chip in there.sensors if "humidity1" in chip.channels]


def _sensed(role: Role, there: Plugged) -> tuple[Mapping[str, object], ...]:
    """Addresses of chips that measure air, humidity first.

    Thermometers elsewhere are not guessed: the computer's own are listed there too.
    """
    if role is not Role.AIR:
        return ()
    found: list[Mapping[str, object]] = []
    for chip in _humid(there):
        if "temp1" not in chip.channels:
            continue
        alike = sum(each.name == chip.name for each in there.sensors) > 1
        seat: dict[str, object] = {"seat": chip.seat} if alike and chip.seat else {}
        here = {"chip": chip.name, **seat}
        found += [here | {"channel": "humidity1"}, here | {"channel": "temp1"}]
    return tuple(found)


def _chip(chip: Chip) -> str:
    seat = f" at {chip.seat}" if chip.seat else ""
    return f"{chip.name}{seat} ({', '.join(chip.channels)})"
