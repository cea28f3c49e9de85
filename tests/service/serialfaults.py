"""Serial lines that misbehave: bits of one speed read at another, and a port held back.

Checksums are computed apart from the code under test.
"""

import os
import termios
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import ModuleType, SimpleNamespace

from drivers.ptys import Device
from longsoak.vocabulary.sample import Sample
from service.faultbench import Addresses, Says

BITS = 10  # of a character: start, eight of data, stop


def misread(data: bytes, *, sent: int, read: int) -> bytes:
    """What a receiver at `read` bit/s takes from characters sent back to back at `sent` bit/s.

    A receiver waits for the line to fall, samples the middle of each of its own bits, and takes
    the character whatever its stop bit is, as Linux does unless it is told otherwise; after a
    stop bit that is no stop it waits for the line to rise. Eight data bits, lowest first, no
    parity. Computed from the definition of the asynchronous character.
    """
    line = [level for byte in data for level in (0, *((byte >> n) & 1 for n in range(8)), 1)]

    def level(at: float) -> int:
        place = int(at * sent)
        return line[place] if place < len(line) else 1

    step = 1 / (read * 64)  # s between two looks for the line to fall
    end = len(line) / sent
    got = bytearray()
    at = 0.0
    while at < end:
        if level(at):
            at += step
            continue
        got.append(sum(level(at + (1.5 + n) / read) << n for n in range(8)))
        at += 9.5 / read
        while at < end and not level(at):
            at += step
    return bytes(got)


def rtu(body: str) -> bytes:
    """A Modbus RTU frame from its bytes in hexadecimal: CRC-16, reflected A001, from FFFF."""
    data = bytes.fromhex(body)
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return data + crc.to_bytes(2, "little")


def summed_line(body: bytes) -> bytes:
    """A line with the checksum of NMEA 0183: the exclusive or of its bytes in two digits."""
    total = 0
    for byte in body:
        total ^= byte
    return body + b"*%02X\r\n" % total


P3: Addresses = {"pins": {"name": "P3"}}
LINE = summed_line(b"P3,412000,Ohm")
GOOD = Sample("pins", 412000.0, "Ohm")
T1: Addresses = {"T": {"device": 1, "input": 0}}
ASKED, ANSWER = rtu("01 04 00 00 00 01"), rtu("01 04 02 00 07")
SEVEN = Sample("T", 7.0, "Cel")


def front_end() -> Says:
    return Says({b"?P3": LINE})


def one_register() -> Says:
    return Says({ASKED: ANSWER})


@contextmanager
def output_stopped(device: Device) -> Iterator[None]:
    """Hold back what is sent to a device, as a handshake line does that is left hanging."""
    line = os.open(device.path, os.O_RDWR | os.O_NOCTTY)
    termios.tcflow(line, termios.TCOOFF)
    try:
        yield
    finally:
        with suppress(termios.error):  # the device may be gone by now
            termios.tcflow(line, termios.TCOON)
        os.close(line)


def replaced(module: ModuleType, **names: object) -> SimpleNamespace:
    """A module with some of its names replaced, for one importer alone."""
    return SimpleNamespace(**(vars(module) | names))
