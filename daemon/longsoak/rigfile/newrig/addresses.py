"""Addresses of probes that nobody has looked up yet: right in form, to be corrected."""

import json
from collections.abc import Iterator, Mapping
from itertools import count
from string import ascii_lowercase, ascii_uppercase, digits

from longsoak.vocabulary.rig import Kind

_SENSORS = digits + ascii_lowercase + ascii_uppercase
_LETTER = {Kind.PINS: "P", Kind.REFERENCE: "R"}
_AIR_FROM = 200  # first Modbus device that measures air
_TRAY = 240  # Modbus device at the tray
Address = Mapping[str, object]


def address_key(driver: str, address: Address) -> str:
    """The same for two addresses that mean one input."""
    if driver == "iio":
        return str(address.get("channel"))
    if driver in ("lines", "scpi", "onewire", "gpio"):
        return json.dumps(next((address[k] for k in _ID if k in address), None))
    return json.dumps(dict(address), sort_keys=True)


_ID = ("name", "channel", "id", "line")


def made_up(driver: str, kind: Kind) -> Iterator[Address]:
    """Addresses for probes of a kind that are not in air, one after the other."""
    for n in count():
        match driver, kind:
            case "lines", _:
                yield {"name": f"{_LETTER.get(kind, 'X')}{n + 1}"}
            case "scpi", _:
                yield {"channel": 101 + n}
            case "modbus", Kind.PINS | Kind.REFERENCE:
                yield {"device": 1 + n // 30_000, "input": 2 * (n % 30_000), "type": "float32"}
            case "modbus", Kind.TEMPERATURE:
                yield {"device": 10 + n % 190, "input": n // 190, "scale": 0.1}
            case "modbus", Kind.FLOAT:
                yield {"device": _TRAY + 1, "discrete": n}
            case "modbus", _:
                yield {"device": _TRAY, "input": n}
            case "onewire", _:
                yield {"id": f"28-{n + 1:012x}"}
            case "hwmon", _:
                yield {"chip": "tmp102", "seat": f"{1 + n // 4}-{0x48 + n % 4:04x}"} | {
                    "channel": "temp1"
                }
            case "iio", Kind.PINS | Kind.REFERENCE:
                yield {
                    "channel": f"voltage{n}",
                    "divider": {"resistor": 1_000_000, "excitation": 5},
                }
            case "iio", _:
                yield {"channel": f"voltage{n}"}
            case "sdi12", _:
                yield {"sensor": _SENSORS[n // 9 % len(_SENSORS)], "value": n % 9 + 1} | (
                    {"measurement": n // (9 * len(_SENSORS))} if n >= 9 * len(_SENSORS) else {}
                )
            case _:
                yield {"line": 17 + n, "active": "low", "bias": "pull up"}


def made_up_air(driver: str) -> Iterator[tuple[Address, Address]]:
    """Addresses of humidity and temperature of one sensor in air, one sensor after the other."""
    for n in count():
        match driver:
            case "modbus":
                device = {"device": _AIR_FROM + n}
                yield device | {"input": 0, "scale": 0.1}, device | {"input": 1, "scale": 0.1}
            case "sdi12":
                sensor = {"sensor": _SENSORS[-1 - n]}
                yield sensor | {"value": 1}, sensor | {"value": 2}
            case _:
                chip = {"chip": "sht3x", "seat": f"{1 + n // 2}-{0x44 + n % 2:04x}"}
                yield chip | {"channel": "humidity1"}, chip | {"channel": "temp1"}
