"""Runs in the virtual machine: polls the shipped drivers and prints what they said, as JSON.

It judges nothing; test_kernel.py does, outside.
"""

import json
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable
from pathlib import Path
from time import monotonic

from drivers.ptys import settings
from kernel import stub
from kernel.bridge import Bridge, HumidityChip
from kernel.wires import POWER_UP, Thermometer, WireChip
from longsoak.driver import BusDriver
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Missing, Sample
from longsoak_drivers import gpio, hwmon, iio, onewire
from waiting import wait_for

MODULES = ("i2c-dev", "uhid", "hid-cp2112", "lm75", "sht3x", "ti-ads1015", "ds2482", "w1_therm")
FIRST_LM75, SECOND_LM75, FIRST_ADC, SECOND_ADC = 0x48, 0x4C, 0x49, 0x4A
HUMIDITY, WIRE = 0x44, 0x18
TRIES = 4
THERMOMETERS = Path("/sys/bus/w1/devices")


def tell(what: str, **facts: object) -> None:
    sys.stdout.write(json.dumps({"what": what, **facts}) + "\n")
    sys.stdout.flush()


def plain(got: Sample | Missing) -> object:
    if isinstance(got, Sample):
        return [got.value, got.unit]
    return f"{got.why}: {got.detail}"


def said(bus: BusDriver, probes: Iterable[str]) -> dict[str, object]:
    """What a poll brought, or the sentence with which the bus was lost."""
    try:
        return {got.probe: plain(got) for got in bus.poll(list(probes))}
    except BusError as error:
        return {"bus": str(error)}


def read(bus: BusDriver, probes: Iterable[str]) -> dict[str, object]:
    """Values of all probes, as soon as there are. For what is behind the bridge: see stub.py."""
    probes = list(probes)
    got: dict[str, object] = {}

    def all_there() -> bool:
        got.update(said(bus, probes))
        return not any(isinstance(value, str) for value in got.values())

    wait_for(all_there, what="values of all probes")
    return got


def opened(open_it: Callable[[], BusDriver]) -> BusDriver | str:
    try:
        return open_it()
    except BusError as error:
        return str(error)


def temperatures(number: int) -> None:
    """Two chips of one name; they are taken away and come back in another order."""
    first, second = stub.seat(number, FIRST_LM75), stub.seat(number, SECOND_LM75)
    for address, value in ((FIRST_LM75, 0x1580), (SECOND_LM75, 0xF580)):
        stub.set_register(number, address, value)
        stub.announce(number, address, "lm75")
    channels: dict[str, dict[str, object]] = {
        "first": {"chip": "lm75", "seat": first, "channel": "temp1"},
        "second": {"chip": "lm75", "seat": second, "channel": "temp1"},
        "either": {"chip": "lm75", "channel": "temp1"},
    }
    bus = hwmon.open_bus(settings(channels))
    tell("lm75", described=bus.describe(), said=said(bus, channels), seats=[first, second])
    stub.set_register(number, FIRST_LM75, 0x1900)
    tell("lm75 warmer", said=said(bus, ["first"]))

    def numbers() -> list[str]:
        return [
            folder.name
            for where in (first, second)
            for folder in sorted((stub.DEVICES / where / "hwmon").glob("hwmon*"))
        ]

    before = numbers()
    stub.unbind("lm75", first)
    one_away = said(bus, ["first", "second"])
    stub.unbind("lm75", second)
    none = said(bus, ["first", "second"])
    stub.bind("lm75", second)
    stub.bind("lm75", first)
    tell(
        "lm75 away and back",
        one_away=one_away,
        none=none,
        back=said(bus, ["first", "second"]),
        numbers=[before, numbers()],
    )

    polls = 0

    def more_polls() -> None:
        before = polls
        wait_for(lambda: polls > before + 2, what="more polls")

    def disturb() -> None:
        for _ in range(10):
            stub.unbind("lm75", first)
            more_polls()
            stub.bind("lm75", first)
            more_polls()

    disturbing = threading.Thread(target=disturb)
    disturbing.start()
    seen: dict[str, int] = {}
    while disturbing.is_alive():
        text = json.dumps(said(bus, ["first", "second"]))
        seen[text] = seen.get(text, 0) + 1
        polls += 1
    tell("lm75 while it comes and goes", seen=seen, after=said(bus, ["first"]))


def voltages(number: int) -> None:
    """Two converters of one name, pins behind a divider, an input beyond its range."""
    first, second = stub.seat(number, FIRST_ADC), stub.seat(number, SECOND_ADC)
    for address, count in ((FIRST_ADC, 1000), (SECOND_ADC, -500)):
        stub.set_register(number, address, count << 4 & 0xFFFF)
        stub.announce(number, address, "ads1015")
    divider = {"resistor": 1e6, "excitation": 2.5, "input_impedance": 6e6}
    channels: dict[str, dict[str, object]] = {
        "level": {"channel": "voltage0"},
        "pins": {"channel": "voltage1", "divider": divider},
        "none": {"channel": "voltage9"},
    }

    def at(seat: str) -> BusDriver:
        return iio.open_bus(settings(channels, device="ads1015", seat=seat, highest=2047))

    either = opened(lambda: iio.open_bus(settings(channels, device="ads1015")))
    one, other = at(first), at(second)
    tell(
        "ads1015",
        described=one.describe(),
        said=said(one, channels),
        other=said(other, ["level"]),
        either=either,
        seats=[first, second],
    )
    stub.set_register(number, FIRST_ADC, 0x7FF0)
    tell("ads1015 beyond its range", said=said(one, ["level", "pins"]))
    stub.set_register(number, FIRST_ADC, 1500 << 4)
    for where in (first, second):
        stub.unbind("ads1015", where)
    away, refused = said(one, ["level"]), opened(lambda: at(first))
    for where in (second, first):
        stub.bind("ads1015", where)
    tell(
        "ads1015 away and back",
        away=away,
        refused=refused,
        held=[said(one, ["level"]), said(other, ["level"])],
        again=[said(at(first), ["level"]), said(at(second), ["level"])],
    )


def humidity(bridge: Bridge) -> None:
    """A humidity chip that answers, stops answering, and answers again."""
    number = stub.bus("CP2112")
    chip = HumidityChip(humidity=64.25, temperature=21.5)
    bridge.chips[HUMIDITY] = chip
    stub.announce(number, HUMIDITY, "sht3x")
    channels: dict[str, dict[str, object]] = {
        "humidity": {"chip": "sht3x", "channel": "humidity1"},
        "temperature": {"chip": "sht3x", "channel": "temp1"},
    }
    bus = hwmon.open_bus(settings(channels))
    there = read(bus, channels)
    chip.humidity, chip.temperature = 97.5, -3.0
    changed = read(bus, channels)
    del bridge.chips[HUMIDITY]
    silent = said(bus, channels)
    bridge.chips[HUMIDITY] = chip
    back = read(bus, channels)
    hung, took = hanging(bridge, bus, "humidity")
    tell("sht3x", there=there, changed=changed, silent=silent, back=back)
    tell("sht3x hangs", hung=hung, took=took, after=read(bus, channels))


def thermometers(bridge: Bridge) -> None:
    """Two thermometers; one is truly hot, then both lose their supply, then one is cut off."""
    layer, air = (
        Thermometer(0x31A2795C13, sixteenths=0x0191),
        Thermometer(0x5E2FDC3, sixteenths=-162),
    )
    chip = WireChip(layer, air)
    bridge.chips[WIRE] = chip
    stub.announce(stub.bus("CP2112"), WIRE, "ds2482")
    for one in (layer, air):
        wait_for((THERMOMETERS / one.name / "w1_slave").exists, what="a thermometer", limit=60)
    channels: dict[str, dict[str, object]] = {
        "layer": {"id": layer.name},
        "air": {"id": air.name},
    }
    bus = onewire.open_bus(settings(channels))
    there = read(bus, channels)
    layer.sixteenths = POWER_UP
    hot = read(bus, ["layer"])
    layer.supplied = False
    starved = said(bus, ["layer"])
    layer.supplied = True
    chip.thermometers.remove(air)
    cut = said(bus, channels)
    wait_for(lambda: not (THERMOMETERS / air.name).exists(), what="the kernel to notice", limit=60)
    tell(
        "thermometers",
        described=bus.describe(),
        there=there,
        hot=hot,
        starved=starved,
        cut=cut,
        noticed=said(bus, channels),
        file=(THERMOMETERS / layer.name / "w1_slave").read_text(),
    )


def hanging(bridge: Bridge, bus: BusDriver, probe: str) -> tuple[object, float]:
    """What is said while the bridge takes questions and answers none, and how long that took, s."""
    began = monotonic()
    bridge.hangs = True
    hung = said(bus, [probe])
    bridge.hangs = False
    return hung, monotonic() - began


def lines() -> None:
    """A float, a flow meter, two who want the same line, a chip that hangs or is pulled out."""
    bridge = plugged()
    channels: dict[str, dict[str, object]] = {
        "float": {"line": 0, "active": "low"},
        "flow": {"line": 3, "pulses": True},
    }

    def held(debounce: float) -> BusDriver:
        return gpio.open_bus(settings(channels, chip="cp2112_gpio", debounce=debounce))

    bus = held(1.0)
    low = said(bus, ["float"])
    bridge.levels |= 1
    threading.Timer(0.3, setattr, (bridge, "levels", 0)).start()
    touched = said(bus, ["float"])
    bridge.levels |= 1
    wait_for(lambda: said(bus, ["float"]) != low, what="the float to stand still", limit=10)
    tell(
        "float",
        described=bus.describe(),
        low=low,
        touched=touched,
        high=said(bus, ["float"]),
        taken=opened(lambda: held(1.0)),
        no_line=opened(lambda: gpio.open_bus(settings({"float": {"line": 8}}, chip="cp2112_gpio"))),
        no_chip=opened(lambda: gpio.open_bus(settings(channels, chip="pinctrl"))),
    )
    still = said(bus, ["flow"])
    turning = flow(bridge, bus, rises=25)
    # The kernel may look at the last rise only now.
    wait_for(lambda: said(bus, ["flow"]) == still, what="the meter to stand still")
    tell("flow", still=still, **turning, after=said(bus, ["flow"]))
    bus.close()
    gpio.BUFFER = 16  # what overflows after minutes otherwise
    bus = held(0)
    tell("flow, more than the kernel keeps", **flow(bridge, bus, rises=60))
    bridge.pulsing = 0
    seen = len(bridge.rises)
    wait_for(lambda: len(bridge.rises) > seen + 12, what="the float to bounce", limit=20)
    bouncing = said(bus, ["float"])
    bridge.pulsing = None
    tell("float bounces", bouncing=bouncing)
    hung, took = hanging(bridge, bus, "float")
    bus.close()
    bus = held(0.05)
    tell("gpio hangs", hung=hung, took=took, again=said(bus, ["flow"]))
    bridge.pull()
    wait_for(lambda: not list(Path("/dev").glob("gpiochip*")), what="the chip to go", limit=10)
    gone = said(bus, ["float"])
    bus.close()
    refused = opened(lambda: held(0.05))
    again = plugged()
    tell("chip pulled", gone=gone, refused=refused, again=said(held(0.05), channels))
    again.pull()


def plugged() -> Bridge:
    """A bridge whose lines are there."""
    wait_for(lambda: not list(Path("/dev").glob("gpiochip*")), what="the last chip to go")
    bridge = Bridge()
    wait_for(lambda: list(Path("/dev").glob("gpiochip*")), what="the chip to come")
    return bridge


def flow(bridge: Bridge, bus: BusDriver, *, rises: int) -> dict[str, object]:
    """Let the meter turn, and read it; with the frequency at which its line did rise."""
    bridge.rises.clear()
    bridge.pulsing = 3
    wait_for(lambda: len(bridge.rises) >= rises, what="the meter to turn", limit=60)
    bridge.pulsing = None
    took = bridge.rises[-1] - bridge.rises[0]
    true = (len(bridge.rises) - 1) / took
    return {"said": said(bus, ["flow"]), "true": true, "rises": len(bridge.rises)}


def main(tree: str, version: str) -> None:
    addresses = ",".join(hex(a) for a in (FIRST_LM75, SECOND_LM75, FIRST_ADC, SECOND_ADC))
    # 1-Wire is searched every second, and who is not found is gone after two.
    wanted = (["wire", "timeout=1", "slave_ttl=2"], ["i2c-stub", f"chip_addr={addresses}"])
    for module in (*wanted, *([module] for module in MODULES)):
        subprocess.run(["modprobe", "-d", tree, "-S", version, *module], check=True)
    tell("kernel", version=Path("/proc/sys/kernel/osrelease").read_text().strip())
    number = stub.bus("SMBus stub")
    temperatures(number)
    voltages(number)
    bridge = plugged()
    humidity(bridge)
    thermometers(bridge)
    bridge.pull()
    # The kernel's driver of the bridge (in 6.1 and 6.12) sleeps with a lock held when a line is
    # asked for. The thread that asked may then die at its next page fault: not its own fault.
    for _ in range(TRIES):
        if subprocess.run([sys.executable, __file__], check=False).returncode != -signal.SIGSEGV:
            break


if __name__ == "__main__":
    if len(sys.argv) == 1:
        lines()
    else:
        main(*sys.argv[1:])
        sys.stdout.write("done\n")
