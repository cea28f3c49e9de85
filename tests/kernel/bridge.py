"""A pretended CP2112, a USB chip with an I2C bus and eight GPIO lines, for a real kernel's driver.

The kernel lets a program be a HID device (/dev/uhid). Its own driver hid-cp2112 takes this one for
the chip, and makes of it an I2C bus and a GPIO chip like any other: above them all is real.

The reports' layout: Linux, drivers/hid/hid-cp2112.c and include/uapi/linux/uhid.h (read).
"""

import os
import struct
import threading
from time import monotonic
from typing import Protocol

_DESTROY, _OUTPUT, _GET, _GET_REPLY, _CREATE, _INPUT, _SET, _SET_REPLY = 1, 6, 9, 10, 11, 12, 13, 14
_BUS_USB, _VENDOR, _PRODUCT = 0x03, 0x10C4, 0xEA90
_EVENT = 4380  # bytes, the longest the kernel hands over

# Reports, of which the answers to an I2C transfer have to be described to the kernel.
_GPIO_CONFIG, _GPIO_GET, _VERSION, _I2C_CONFIG, _LOCK = 0x02, 0x03, 0x05, 0x06, 0x20
_READ, _WRITE_READ, _SEND_READ, _READ_ANSWER = 0x10, 0x11, 0x12, 0x13
_WRITE, _ASK_STATUS, _STATUS = 0x14, 0x15, 0x16
_DESCRIPTION = (
    bytes.fromhex("06 00 ff 09 01 a1 01 15 00 26 ff 00 75 08 95 3f")  # 63 bytes, of any value
    + bytes([0x85, _READ_ANSWER, 0x09, 0x01, 0x81, 0x02])
    + bytes([0x85, _STATUS, 0x09, 0x02, 0x81, 0x02])
    + b"\xc0"
)
_FEATURES = {
    _GPIO_CONFIG: bytes([_GPIO_CONFIG, 0, 0, 0, 0]),
    _VERSION: bytes([_VERSION, 0x0C, 3]),
    _I2C_CONFIG: struct.pack(">BIBBHHBH", _I2C_CONFIG, 100_000, 2, 0, 0, 0, 0, 1),
    _LOCK: bytes([_LOCK, 0]),
}
# s. The kernel looks every 40 ms or so, and once more, at once, where it saw a change.
SHORTEST = 0.02
_COMPLETE, _NOT_ACKNOWLEDGED = (2, 5), (3, 0)


class Chip(Protocol):
    """A chip on the I2C bus."""

    def write(self, data: bytes) -> None:
        """Take what the bus sends."""

    def read(self, length: int) -> bytes:
        """Give what the bus asks for."""


class Bridge:
    """The chip, from being plugged in until it is pulled.

    Attributes
    ----------
    levels : int
        Level of each line, a bit each.
    pulsing : int or None
        A line that changes its level about as often as the kernel looks.
    rises : list of float
        When it rose, s, CLOCK_MONOTONIC.
    hangs : bool
        Whether it takes questions and answers none.
    chips : dict of int to Chip
        What sits on the I2C bus, by address. Another address is not acknowledged.
    """

    def __init__(self) -> None:
        self.levels = 0
        self.pulsing: int | None = None
        self.rises: list[float] = []
        self.hangs = False
        self.chips: dict[int, Chip] = {}
        self._changed = 0.0
        self._read = b""
        self._status = _COMPLETE
        self._file = os.open("/dev/uhid", os.O_RDWR)
        created = struct.pack(
            "<I128s64s64sHHIIII",
            *(_CREATE, b"bridge", b"", b"", len(_DESCRIPTION), _BUS_USB, _VENDOR, _PRODUCT, 0, 0),
        )
        os.write(self._file, created + _DESCRIPTION)
        threading.Thread(target=self._serve, daemon=True).start()

    def pull(self) -> None:
        """Pull it out."""
        os.write(self._file, struct.pack("<I", _DESTROY))

    def _serve(self) -> None:
        while True:
            event = os.read(self._file, _EVENT)
            kind = int.from_bytes(event[:4], "little")
            if self.hangs:
                continue
            if kind == _GET:
                number, report = struct.unpack_from("<IB", event, 4)
                self._give(number, report)
            elif kind == _SET:
                os.write(self._file, struct.pack("<I4sH", _SET_REPLY, event[4:8], 0))
            elif kind == _OUTPUT:
                (size,) = struct.unpack_from("<H", event, 4 + 4096)
                self._take(event[4 : 4 + size])

    def _give(self, number: int, report: int) -> None:
        data = _FEATURES.get(report, b"")
        if report == _GPIO_GET:
            now = monotonic()
            if self.pulsing is not None and now - self._changed >= SHORTEST:
                self._changed = now
                self.levels ^= 1 << self.pulsing
                if self.levels >> self.pulsing & 1:
                    self.rises.append(now)
            data = bytes([_GPIO_GET, self.levels])
        head = struct.pack("<IIHH", _GET_REPLY, number, 0 if data else 5, len(data))
        os.write(self._file, head + data)

    def _take(self, report: bytes) -> None:
        kind = report[0]
        if kind == _ASK_STATUS:
            self._answer(bytes([_STATUS, *self._status, 0, 0]) + struct.pack(">H", len(self._read)))
        elif kind == _SEND_READ:
            part, self._read = self._read[:61], self._read[61:]
            self._answer(bytes([_READ_ANSWER, 0, len(part)]) + part)
        elif kind in (_READ, _WRITE_READ, _WRITE):
            chip = self.chips.get(report[1] >> 1)
            self._status = _COMPLETE if chip else _NOT_ACKNOWLEDGED
            self._read = b""
            if chip and kind == _WRITE:
                chip.write(report[3 : 3 + report[2]])
            elif chip:
                if kind == _WRITE_READ:
                    chip.write(report[5 : 5 + report[4]])
                self._read = chip.read(int.from_bytes(report[2:4], "big"))

    def _answer(self, report: bytes) -> None:
        whole = report.ljust(64, b"\0")
        os.write(self._file, struct.pack("<IH", _INPUT, len(whole)) + whole)


class HumidityChip:
    """An SHT3x: takes a command of two bytes, gives words of two bytes with a checksum each.

    Source of layout, conversion and checksum: its data sheet, second hand.
    """

    def __init__(self, *, humidity: float, temperature: float) -> None:
        self.humidity = humidity
        self.temperature = temperature
        self._command = 0

    def write(self, data: bytes) -> None:
        """Take a command."""
        self._command = int.from_bytes(data[:2], "big")

    def read(self, length: int) -> bytes:
        """Give the measurement, or words of zeros for anything else."""
        words = [0] * (length // 3)
        if self._command >> 8 in (0x24, 0x2C):  # measure, without and with holding the clock
            words = [
                round((self.temperature + 45) / 175 * 65535),
                round(self.humidity / 100 * 65535),
            ]
        return b"".join(word.to_bytes(2, "big") + bytes([_sum(word)]) for word in words)


def _sum(word: int) -> int:
    """CRC-8 of a word: x8 + x5 + x4 + 1, starting at FF."""
    crc = 0xFF
    for byte in word.to_bytes(2, "big"):
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ (0x31 if crc & 0x80 else 0)) & 0xFF
    return crc
