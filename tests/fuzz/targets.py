"""What is fuzzed: one function per parser, which takes any bytes and fails if a promise is broken.

The promises: nothing but a `BusError` escapes; a sample's value stands in the bytes, as
`fuzz.oracles` reads them; a missing reading says why in one printable line; every wait ends.
"""

import math
from collections.abc import Callable
from contextlib import suppress
from typing import Literal, get_args

from fuzz import oracles, polls
from fuzz.checks import proper, same
from longsoak_drivers import hwmon, iio, lines, modbus, onewire, registerbus, scpi, sdi12
from longsoak_drivers.registers import RegisterType

WAYS: tuple[Literal["supply", "ground"], ...] = ("supply", "ground")

Target = Callable[[bytes], None]


def of_lines(data: bytes) -> None:
    """A text line with a checksum."""
    got = lines.decode(data, name="P3", probe="p")
    expected = oracles.line_value(data, name="P3")
    sample = proper(got, probe="p")
    if sample is not None:
        assert (sample.value, sample.unit) == expected, (got, expected)
    elif expected is not None and len(data) <= lines.LONGEST_LINE:
        unit = expected[1]
        assert not 0 < len(unit) <= 16 or not all("!" <= letter <= "~" for letter in unit), got


def of_scpi(data: bytes) -> None:
    """A meter's line: a number, an identity or an error."""
    got = scpi.decode(data, probe="p", unit="Ohm")
    if proper(got, probe="p") is not None or oracles.number(data.rstrip(b"\r\n")) is not None:
        same(got, oracles.meter_value(data))
    identity, error = scpi.decode_identity(data), scpi.decode_error(data)
    if identity is not None:
        assert data.endswith(b"\n")
        assert identity.encode("ascii") in data
        assert identity.count(",") >= 3
    if error is not None:
        number, text = error
        assert data.endswith(b"\n")
        assert f'"{text}"'.encode("ascii", errors="replace").replace(b"?", b"") or number == 0
        assert identity is None or "," in text


def of_registers(data: bytes) -> None:
    """Registers, of every type, in both orders."""
    order, words = data[:1], data[1:]
    registers = [int.from_bytes(words[i : i + 2], "big") for i in range(0, len(words), 2)]
    for kind in get_args(RegisterType):
        little = order > b"\x7f" and kind not in ("int16", "uint16")
        address = modbus.Address(
            device=1,
            input=0,
            type=kind,
            word_order="little" if little else "big",
            scale=0.1,
            offset=-40.0,
        )
        whole = b"".join(register.to_bytes(2, "big") for register in registers)
        value = oracles.register_value(whole, kind=kind, little=little)
        expected = None if value is None else value * 0.1 - 40.0
        expected = expected if expected is not None and math.isfinite(expected) else None
        same(registerbus.decode(registers, address=address, probe="p", unit="%"), expected)


def of_onewire(data: bytes) -> None:
    """The file of a thermometer."""
    got = onewire.decode(data, probe="p")
    if proper(got, probe="p") is not None:
        same(got, oracles.thermometer_value(data))


def of_hwmon(data: bytes) -> None:
    """The file of a channel."""
    for channel, parts in (("temp1", 1000), ("humidity12", 1000), ("in0", 1), ("curr1", 1)):
        got = hwmon.decode(data, channel=channel, probe="p")
        if proper(got, probe="p") is not None:
            number = oracles.number(data.strip())
            assert number is not None, got
            same(got, number / parts)


def of_iio(data: bytes) -> None:
    """The three files of a converter's channel, split at ``|``, and pins behind a divider there."""
    raw, scale, offset = (*data.split(b"|"), b"", b"")[:3]
    numbers = [oracles.number(content.strip()) for content in (raw, scale, offset)]
    got = iio.decode(raw, scale=scale, offset=offset, probe="p")
    sample = proper(got, probe="p")
    if sample is not None:
        a, b, c = numbers
        assert a is not None, got
        assert b is not None, got
        assert c is not None, got
        same(got, (a + c) * b)
        for impedance in (math.inf, 6e6):
            for way in WAYS:
                behind(sample.value / 1000, impedance=impedance, way=way)


def behind(volts: float, *, impedance: float, way: Literal["supply", "ground"]) -> None:
    """Ohm's law the other way round: the pins found put the same voltage at the input."""
    divider = iio.Divider(resistor=1e6, excitation=5, input_impedance=impedance, pins_to=way)
    pins = divider.resistance(volts, excitation=5)
    assert 0 <= pins <= iio.OPEN_CIRCUIT, pins
    if 0 < pins < iio.OPEN_CIRCUIT:
        up, down = (1 / pins, 1e-6) if way == "supply" else (1e-6, 1 / pins)
        again = 5 * up / (up + down + 1 / impedance)
        assert math.isclose(again, volts, rel_tol=1e-9, abs_tol=1e-300), (pins, again, volts)


def of_sdi12(data: bytes) -> None:
    """A sensor's line: the start of a measurement, or values with a checksum and without."""
    with suppress(sdi12.Unusable):
        seconds, number = sdi12.decode_start(data, sensor="0")
        assert data == b"0%03d%d\r\n" % (seconds, number)
    for checked in (True, False):
        with suppress(sdi12.Unusable):
            values = sdi12.decode_values(data, sensor="0", checked=checked)
            assert values == oracles.sdi12_values(data, sensor="0", checked=checked)


TARGETS: dict[str, Target] = {
    "lines": of_lines,
    "lines_poll": polls.of_lines,
    "scpi": of_scpi,
    "scpi_poll": polls.of_scpi,
    "registers": of_registers,
    "modbus_poll": polls.of_modbus_rtu,
    "modbus_tcp_poll": polls.of_modbus_tcp,
    "sdi12": of_sdi12,
    "sdi12_poll": polls.of_sdi12,
    "onewire": of_onewire,
    "hwmon": of_hwmon,
    "iio": of_iio,
}
