"""What is fuzzed: one function per parser, which takes any bytes and fails if a promise is broken.

The promises: nothing but a `BusError` escapes; a sample's value stands in the bytes, as
`fuzz.oracles` reads them; a missing reading says why in one printable line; every wait ends.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress

from fuzz import oracles
from fuzz.streams import Piece, Wire, one_clock
from longsoak.driver import Channel
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Missing, Sample
from longsoak_drivers import hwmon, iio, lines, modbus, onewire, scpi

TIMEOUT = 0.5  # s, of every port here
BUS_SLACK = 0.1  # s: gaps between frames and the like

Target = Callable[[bytes], None]


def proper(got: Sample | Missing, *, probe: str) -> Sample | None:
    """The sample, if it is one; fails if the item is none for `probe`."""
    assert got.probe == probe, got
    if isinstance(got, Sample):
        assert math.isfinite(got.value), got
        assert got.unit, got
        return got
    assert got.detail, got
    return None


def same(got: Sample | Missing, value: float | None, *, probe: str = "p") -> None:
    """Fail unless the item is a sample of just this value, or missing where there is none."""
    sample = proper(got, probe=probe)
    assert (sample and sample.value) == value, (got, value)


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
    kinds: tuple[modbus.RegisterType, ...] = ("int16", "uint16", "int32", "uint32", "float32")
    order, words = data[:1], data[1:]
    registers = [int.from_bytes(words[i : i + 2], "big") for i in range(0, len(words), 2)]
    for kind in kinds:
        little = order > b"\x7f" and kind not in ("int16", "uint16")
        address = modbus.Address(
            device=1, input=0, type=kind, word_order="little" if little else "big", scale=0.1
        )
        whole = b"".join(register.to_bytes(2, "big") for register in registers)
        value = oracles.register_value(whole, kind=kind, little=little)
        expected = None if value is None or not math.isfinite(value * 0.1) else value * 0.1
        same(modbus.decode(registers, address=address, probe="p", unit="%"), expected)


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
        pins = iio.Divider(resistor=1e6, excitation=5).resistance(a_volt(sample), excitation=5)
        assert 0 <= pins <= iio.OPEN_CIRCUIT, pins
        # Ohm's law the other way round: the same pins put the same voltage at the input.
        again = 5 * 1e6 / (1e6 + pins)
        volts = min(max(a_volt(sample), 0.0), 5.0)
        assert math.isclose(again, volts, rel_tol=1e-9, abs_tol=1e-30), (pins, volts)


def a_volt(sample: Sample) -> float:
    """Volts of a sample in mV."""
    return sample.value / 1000


def pieces(data: bytes, *, complete: Callable[[bytes], bytes]) -> list[list[Piece]]:
    """What a port brings, question by question, as fuzzed bytes lay it down.

    Each piece is a byte of manners, a byte of size, and its bytes. `complete` puts on what a
    fuzzer would take long to find: a checksum, a line end.
    """
    turns: list[list[Piece]] = []
    with_next = False
    while len(data) > 1:
        manners, size = data[0], data[1] & 0x3F
        body, data = data[2 : 2 + size], data[2 + size :]
        piece = Piece(
            complete(body) if manners & 0x08 else body,
            after=(0.0, 0.6, 1.6, 0.0)[manners & 3] * TIMEOUT,
            apart=0.4 * TIMEOUT if manners & 3 == 3 else 0.0,
            for_ever=bool(manners & 0x04),
            lost=manners & 0xE0 == 0xE0,
        )
        if with_next and turns:
            turns[-1].append(piece)
        else:
            turns.append([piece])
        with_next = bool(manners & 0x10)
    return turns


def wire(turns: Sequence[list[Piece]]) -> Wire:
    """A wire that answers one question after the other, and is silent after that."""
    left = iter(turns)
    return Wire(lambda _: next(left, []), timeout=TIMEOUT)


def polled(
    items: Iterable[Sample | Missing],
    probes: Sequence[str],
    line: Wire,
    *,
    within: float,
    holds: Callable[[Sample], bool],
) -> None:
    """Go through a poll: one item per probe, each in time, each sample borne out by `holds`."""
    answers = iter(items)
    with suppress(BusError):  # what came before a bus was lost holds
        for probe in probes:
            began = line.now
            got = next(answers)
            assert line.now - began <= within, f"{probe} took {line.now - began:g} s: {got}"
            sample = proper(got, probe=probe)
            assert sample is None or holds(sample), (got, line.line, line.since.hex(" "))
        assert next(answers, None) is None


def of_lines_poll(data: bytes) -> None:
    """A front end's port through two polls."""
    names = {"p": "P3", "q": "T1"}

    def complete(body: bytes) -> bytes:
        return body + b"*" + lines.checksum(body) + b"\n"

    line = wire(pieces(data, complete=complete))
    bus = lines.LineBus(line, names=names, timeout=TIMEOUT, where="port")
    assert line.now <= lines.BOOT + BUS_SLACK

    def holds(sample: Sample) -> bool:
        return oracles.line_value(line.line, name=names[sample.probe]) == (
            sample.value,
            sample.unit,
        )

    for probes in (["p", "q"], ["q", "p"]):
        polled(bus.poll(probes), probes, line, within=2 * TIMEOUT + BUS_SLACK, holds=holds)


def of_scpi_poll(data: bytes) -> None:
    """A meter's port through its opening and two polls."""
    channels = {
        probe: Channel(probe, "Ohm", {"channel": number}) for probe, number in (("p", 1), ("q", 2))
    }
    opening = [[], [Piece(b"INVENTED,METER,0,1\n")], []]
    turns = pieces(data, complete=lambda body: body + b"\n")
    line = wire([*opening, *turns])
    meter = scpi.Meter(line, channels=channels, query="MEAS:RES? (@{channel})", where="port")
    # In step again, the question, in step once more, and what the meter says of it: each line
    # has the time limit, and so has each settling its second.
    longest = (2 * (scpi.STALE_LINES + scpi.PATIENCE) + 2) * TIMEOUT + 2 * 1.0 + BUS_SLACK
    for probes in (["p", "q"], ["q", "p"]):
        polled(
            meter.poll(probes),
            probes,
            line,
            within=longest,
            holds=lambda sample: oracles.meter_value(line.line) == sample.value,
        )


MODBUS = {
    "p": modbus.Address(device=1, input=0),
    "q": modbus.Address(device=1, holding=8, type="float32", word_order="little", scale=0.5),
    "r": modbus.Address(device=3, discrete=0),
    "s": modbus.Address(device=3, coil=1),
    "t": modbus.Address(device=1, input=2, type="uint32"),
}


def modbus_holds(sample: Sample, heard: bytes) -> bool:
    """Whether a whole answer to this very question is in what was heard, and says so."""
    address = MODBUS[sample.probe]
    function, _, amount = address.question
    size = 1 if function < 3 else 2 * amount
    for payload in oracles.modbus_payloads(
        heard, device=address.device, function=function, size=size
    ):
        if function < 3:
            value: float | None = float(payload[0] & 1)
        else:
            little = address.word_order == "little"
            value = oracles.register_value(payload, kind=address.type, little=little)
        if value is not None and value * address.scale == sample.value:
            return True
    return False


def of_modbus_poll(data: bytes) -> None:
    """A bus of two devices through two polls."""
    line = wire(pieces(data, complete=lambda body: body + oracles.crc16(body)))
    options = modbus.Options(port="port", timeout=TIMEOUT, retries=1)
    bus = modbus.ModbusBus(
        line, options=options, addresses=MODBUS, units=dict.fromkeys(MODBUS, "%")
    )
    # Quiet before, the answer and the last byte of it, and twice the limit after; two tries.
    longest = 2 * (1 + 2 + 2) * TIMEOUT + BUS_SLACK
    with one_clock(line):
        for probes in (list(MODBUS), list(reversed(MODBUS))):
            polled(
                bus.poll(probes),
                probes,
                line,
                within=longest,
                holds=lambda sample: modbus_holds(sample, line.since),
            )


TARGETS: dict[str, Target] = {
    "lines": of_lines,
    "lines_poll": of_lines_poll,
    "scpi": of_scpi,
    "scpi_poll": of_scpi_poll,
    "registers": of_registers,
    "modbus_poll": of_modbus_poll,
    "onewire": of_onewire,
    "hwmon": of_hwmon,
    "iio": of_iio,
}
