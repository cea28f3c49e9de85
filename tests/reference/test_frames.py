"""Frames, checksums and number formats of the open standards the drivers speak.

The standards themselves were not read: each block says where its values come from.
"""

import pytest
from pymodbus.framer import FramerRTU

from drivers.ptys import Recorded
from longsoak.vocabulary.sample import Missing, Sample
from longsoak_drivers import modbus, scpi, sdi12
from longsoak_drivers.registerbus import ModbusBus
from longsoak_drivers.registers import Address

# Modbus over serial line: the specification's example 02 07 -> 0x1241 is from memory, and so is
# the request 11 03 006B 0003 with its reply; the checksums of all of them are computed, and agree
# with two independent libraries.
MODBUS_FRAMES = [
    "02 07 41 12",
    "01 03 00 00 00 0a c5 cd",
    "01 03 00 00 00 01 84 0a",
    "11 03 00 6b 00 03 76 87",
    "11 03 06 ae 41 56 52 43 40 49 ad",
    "01 04 02 ff ff b8 80",
    "01 83 02 c0 f1",
]


@pytest.mark.parametrize("frame", MODBUS_FRAMES)
def test_the_modbus_checksum_matches_the_remembered_frames(frame: str) -> None:
    data = bytes.fromhex(frame)
    crc = FramerRTU.compute_CRC(data[:-2])
    assert crc.to_bytes(2, "big") == data[-2:]


def asked(reply: str, **address: object) -> tuple[list[bytes], Sample | Missing]:
    """What the shipped driver sends and makes of the reply."""
    port = Recorded(bytes.fromhex(reply))
    bus = ModbusBus(
        port,
        options=modbus.Options.model_validate({"port": "/dev/x", "retries": 0}),
        addresses={"p": Address.model_validate(address)},
        units={"p": "1"},
    )
    (got,) = bus.poll(["p"])
    return port.sent, got


def test_the_driver_asks_and_understands_as_in_the_remembered_frames() -> None:
    sent, got = asked("01 04 02 ff ff b8 80", device=1, input=0)
    assert sent == [bytes.fromhex("01 04 00 00 00 01 31 ca")]  # computed
    assert got == Sample("p", -1.0, "1")
    sent, got = asked("01 83 02 c0 f1", device=1, holding=0)
    assert sent == [bytes.fromhex("01 03 00 00 00 01 84 0a")]
    assert isinstance(got, Missing)
    assert "exception 2: it has no such register" in got.detail


# SDI-12 specification 1.4, 4.4.12: the answers and their three characters from memory; they agree
# with the checksum computed by an independent library.
SDI12_SUMS = [
    ("0+3.14", "OqZ"),
    ("0+3.14+2.718+1.414", "Ipz"),
    ("0+1.11+2.22+3.33+4.44+5.55+6.66", "I]q"),
    ("0+7.77+8.88+9.99", "IvW"),
    # Computed only.
    ("0", "AP@"),
    ("0+3.14-2.5", "Org"),
]


@pytest.mark.parametrize(("body", "characters"), SDI12_SUMS)
def test_the_sdi_12_checksum_matches_the_remembered_answers(body: str, characters: str) -> None:
    assert sdi12.crc(body.encode()) == characters.encode()
    line = f"{body}{characters}\r\n".encode()
    values = sdi12.decode_values(line, sensor="0", checked=True)
    signed = body[1:].replace("-", "+-").split("+")[1:]
    assert values == [float(value) for value in signed]


def test_the_start_of_an_sdi_12_measurement_is_read_as_the_standard_has_it() -> None:
    # atttn<CR><LF>: address, seconds, number of values; from memory.
    assert sdi12.decode_start(b"00013\r\n", sensor="0") == (1, 3)
    assert sdi12.decode_start(b"z1239\r\n", sensor="z") == (123, 9)


# IEEE 488.2, 8.7.2 to 8.7.4, the three formats of decimal numbers, and SCPI-99 volume 1, 7.2.1,
# infinity; all from memory.
NUMBERS = [
    ("0", 0.0),
    ("+12", 12.0),
    ("-7", -7.0),
    ("12.5", 12.5),
    ("-.5", -0.5),
    ("+4.12000000E+05", 412_000.0),
    ("-1.5E-3", -0.0015),
    ("+9.9E+37", 9.9e37),
    ("-9.90000000E+37", -9.9e37),
]


@pytest.mark.parametrize(("text", "value"), NUMBERS)
def test_a_meters_numbers_are_read_in_every_format(text: str, value: float) -> None:
    got = scpi.decode(f"{text}\n".encode(), probe="p", unit="Ohm")
    assert got == Sample("p", value, "Ohm")


def test_a_meters_not_a_number_is_no_number() -> None:
    # SCPI-99 volume 1, 7.2.1: 9.91E37; from memory.
    got = scpi.decode(b"+9.91000000E+37\n", probe="p", unit="Ohm")
    assert isinstance(got, Missing)
