"""What an answer says, read by other code than the drivers': a sample must agree with it.

Each function knows only the format, from the source it names, and nothing of how a driver goes
about it. All return None where there is no value.
"""

import math
import re
import struct
from collections.abc import Iterator
from decimal import Decimal, InvalidOperation


def number(text: bytes) -> float | None:
    """The number in plain decimal or scientific notation, exactly as written.

    IEEE 488.2, 7.7.2, decimal numeric program data (NRf), from memory. Decimal takes "nan", "inf"
    and "1_0" too, which aren't in it; so the letters are looked at first.
    """
    if not text or any(byte not in b"0123456789+-.eE" for byte in text):
        return None
    digits, letter, power = text.decode("ascii").replace("E", "e").partition("e")
    if letter and not re.fullmatch("[+-]?[0-9]+", power):
        return None
    try:
        mantissa = Decimal(digits)
        # Beyond a Decimal's own range of powers, and far beyond a float's; no text here is longer
        # than the few hundred digits that could make up for it.
        shift = min(max(int(power or "0"), -9999), 9999)
        value = float(mantissa.scaleb(shift))
    except InvalidOperation:
        return None
    return value if math.isfinite(value) else None


def line_value(line: bytes, *, name: str) -> tuple[float, str] | None:
    """Value and unit of ``name,value,unit*hh``; NMEA 0183 checksum, from memory."""
    if not line.endswith(b"\n"):
        return None
    bare = line.rstrip(b"\r\n")
    total = 0
    for byte in bare[:-3]:
        total ^= byte
    if bare[-3:-2] != b"*" or bare[-2:].upper() != f"{total:02X}".encode():
        return None
    fields = bare[:-3].split(b",")
    if len(fields) != 3 or fields[0] != name.encode("ascii"):
        return None
    value = number(fields[1])
    return None if value is None else (value, fields[2].decode("latin-1"))


def meter_value(line: bytes) -> float | None:
    """The number that is all of a line, between white space.

    White space is all below the exclamation mark (IEEE 488.2, 7.4.1.2); SCPI-99's 9.91E37 is no
    number (7.2.1). Both from memory.
    """
    if not line.endswith(b"\n"):
        return None
    value = number(line.strip(bytes(range(33))))
    return None if value == 9.91e37 else value


def crc16(data: bytes, *, start: int = 0xFFFF) -> bytes:
    """CRC-16 of Modbus over serial line V1.02, 6.2.2 (from memory), low byte first.

    From 0 it is the one of SDI-12 too (second hand).
    """
    crc = start
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")


def rtu_payloads(heard: bytes, *, head: bytes) -> Iterator[bytes]:
    """The data bytes of each whole answer in what was heard, wherever it starts.

    `head` is device, function and number of bytes, as it must be. Modbus application protocol
    V1.1b3, 6.1 to 6.4 (from memory): these three, the bytes, CRC.
    """
    size = head[2] + 5
    for start in range(len(heard) - size + 1):
        frame = heard[start : start + size]
        if frame.startswith(head) and crc16(frame[:-2]) == frame[-2:]:
            yield frame[3:-2]


def mbap(question: bytes, body: bytes) -> bytes:
    """Put the header of an answer to `question` before device, function and the rest.

    Modbus messaging on TCP/IP V1.0b, 3.1.3 (from memory): the question's number, two zeros, the
    number of bytes that follow.
    """
    return question[:2] + b"\0\0" + len(body).to_bytes(2, "big") + body


def mbap_payloads(heard: bytes, *, question: bytes, head: bytes) -> Iterator[bytes]:
    """The same as `rtu_payloads` over the network: only answers to this very question count."""
    size = head[2] + 9
    for start in range(len(heard) - size + 1):
        frame = heard[start : start + size]
        if frame.startswith(mbap(question, head + bytes(head[2]))[:6] + head):
            yield frame[9:]


def sdi12_values(line: bytes, *, sensor: str, checked: bool) -> list[float] | None:
    """The values in an answer to ``aD0!``; none if it is no such answer.

    SDI-12 specification 1.4, 4.4.5 to 4.4.12 (from memory): the address, signed numbers one after
    the other, and with MC three characters of six bits of the CRC each, the high ones first.
    """
    if not line.startswith(sensor.encode("ascii")) or not line.endswith(b"\r\n"):
        return None
    body = line[:-2]
    if checked:
        body, three = body[:-3], body[-3:]
        rest = int.from_bytes(crc16(body, start=0), "little")
        if three != bytes(64 + (rest >> shift) % 64 for shift in (12, 6, 0)):
            return None
    signed = body[1:].replace(b"+", b" +").replace(b"-", b" -").split(b" ")
    values = [number(part) for part in signed[1:]]
    if signed[0] or any(value is None for value in values):
        return None
    return [value for value in values if value is not None]


LAYOUTS = {
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "float32": ">f",
    "int64": ">q",
    "uint64": ">Q",
    "float64": ">d",
}


def register_value(payload: bytes, *, kind: str, little: bool) -> float | None:
    """The number in two to eight bytes, big-endian, the words in turn from the last if `little`.

    None for one that no float of 53 bits holds whole.
    """
    if little and len(payload) % 2 == 0:
        payload = b"".join(payload[i : i + 2] for i in reversed(range(0, len(payload), 2)))
    layout = LAYOUTS[kind]
    if len(payload) != struct.calcsize(layout):
        return None
    number = struct.unpack(layout, payload)[0]
    if isinstance(number, int) and abs(number) > 1 << 53:
        return None
    value = float(number)
    return value if math.isfinite(value) else None


def crc8(data: bytes) -> int:
    """Remainder of the bits, in the order of the wire, by x8 + x5 + x4 + 1; 0 if all is well.

    Maxim application note 27, second hand.
    """
    rest = 0
    for byte in data:
        for bit in range(8):
            rest = (rest << 1 | (byte >> bit & 1)) & 0x1FF
            if rest & 0x100:
                rest ^= 0x131
    return rest


def thermometer_value(content: bytes) -> float | None:
    """The degrees in a ``w1_slave`` file; torvalds/linux, w1_therm.rst (read)."""
    lines = content.split(b"\n")
    if len(lines) < 2 or not lines[0].endswith(b"YES") or any(x.strip() for x in lines[2:]):
        return None
    try:
        memory = bytes.fromhex(lines[0][:27].decode("ascii"))
        _, _, digits = lines[1].partition(b"t=")
        value = int(digits.decode("ascii"))
    except ValueError:
        return None
    if len(memory) != 9 or crc8(memory) != 0 or not any(memory):
        return None
    return value / 1000
