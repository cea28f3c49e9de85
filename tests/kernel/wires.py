"""A pretended DS2482, a chip that puts a 1-Wire bus on I2C, and DS18B20 thermometers on it.

Commands and registers: Linux, drivers/w1/masters/ds2482.c and drivers/w1/slaves/w1_therm.c, and the
chips' data sheets; all from memory. The kernel's drivers, which find, address and read them, agree.
"""

from collections.abc import Callable

# Registers of the bus chip by their code, and its commands.
_STATUS, _DATA, _CHANNEL, _CONFIG = 0xF0, 0xE1, 0xD2, 0xC3
_RESET, _POINT, _SET_CONFIG, _CHOOSE = 0xF0, 0xE1, 0xD2, 0xC3
_RESET_WIRE, _WRITE_BYTE, _READ_BYTE, _BIT, _TRIPLET = 0xB4, 0xA5, 0x96, 0x87, 0x78
_PRESENT, _LEVEL, _WAS_RESET, _ONE, _ZERO, _WAY = 0x02, 0x08, 0x10, 0x20, 0x40, 0x80

_SEARCH, _MATCH, _SKIP = 0xF0, 0x55, 0xCC
_CONVERT, _READ_MEMORY, _WRITE_MEMORY = 0x44, 0xBE, 0x4E

POWER_UP = 0x0550  # 85 degC in sixteenths


def _crc(data: bytes) -> int:
    crc = 0
    for byte in data:
        for n in range(8):
            mixed = (crc ^ byte >> n) & 1
            crc = crc >> 1 ^ (0x8C if mixed else 0)
    return crc


class Thermometer:
    """A thermometer; `sixteenths` of a degree are what it measures at its next conversion."""

    def __init__(self, serial: int, *, sixteenths: int) -> None:
        body = bytes([0x28]) + serial.to_bytes(6, "little")
        self.number = body + bytes([_crc(body)])
        self.name = f"28-{serial:012x}"
        self.sixteenths = sixteenths
        self.supplied = True
        self._held, self._counted = POWER_UP, 0x0C

    def convert(self) -> None:
        """Measure; without supply it holds what it holds after power-up."""
        self._held, self._counted = POWER_UP, 0x0C
        if self.supplied:
            self._held, self._counted = self.sixteenths, 0x10 - (self.sixteenths & 0x0F)

    def memory(self) -> bytes:
        """Give the nine bytes it holds."""
        low = self._held.to_bytes(2, "little", signed=True)
        body = low + bytes([0x4B, 0x46, 0x7F, 0xFF, self._counted, 0x10])
        return body + bytes([_crc(body)])


class WireChip:
    """The bus chip; `thermometers` hang on its wire."""

    def __init__(self, *thermometers: Thermometer) -> None:
        self.thermometers = list(thermometers)
        self._registers = {_STATUS: _LEVEL | _WAS_RESET, _DATA: 0, _CHANNEL: 0, _CONFIG: 0}
        self._pointer = _STATUS
        self._selected: list[Thermometer] = []
        self._place = 0  # of the bit a search has come to
        self._take: Callable[[int], None] = self._first_byte
        self._taken = b""
        self._giving = b""

    def write(self, data: bytes) -> None:
        """Take a command of the I2C bus."""
        command, argument = data[0], data[1] if len(data) > 1 else 0
        if command == _POINT:
            self._pointer = argument
            return
        self._pointer = _STATUS
        if command == _RESET:
            self._registers[_STATUS] = _LEVEL | _WAS_RESET
        elif command == _SET_CONFIG:
            self._registers[_CONFIG] = argument & 0x0F
            self._registers[_STATUS] &= ~_WAS_RESET
            self._pointer = _CONFIG
        elif command == _CHOOSE:
            self._pointer = _CHANNEL  # it has one only, so this reads as a refusal
        elif command == _RESET_WIRE:
            self._selected = list(self.thermometers)
            self._take, self._giving = self._first_byte, b""
            self._status(_PRESENT if self._selected else 0)
        elif command == _WRITE_BYTE:
            self._take(argument)
        elif command == _READ_BYTE:
            self._registers[_DATA] = self._giving[0] if self._giving else 0xFF
            self._giving = self._giving[1:]
        elif command == _BIT:
            self._status(_ONE)  # asked for its supply, a thermometer with one answers 1
        elif command == _TRIPLET:
            self._search(bool(argument & 0x80))

    def read(self, length: int) -> bytes:
        """Give the register pointed at."""
        return bytes([self._registers[self._pointer]]) * length

    def _status(self, bits: int) -> None:
        kept = self._registers[_STATUS] & (_LEVEL | _WAS_RESET)
        self._registers[_STATUS] = kept | bits

    def _search(self, wanted: bool) -> None:
        """One bit of all numbers at once: each pulls the wire down for a 0, then for a 1."""
        place, self._place = self._place, self._place + 1
        bits = [chip.number[place // 8] >> place % 8 & 1 for chip in self._selected]
        one, zero = all(bits), not any(bits)
        way = wanted if one == zero else one
        self._selected = [
            chip for chip, bit in zip(self._selected, bits, strict=True) if bit == way
        ]
        found = (_ONE if one else 0) | (_ZERO if zero else 0) | (_WAY if way else 0)
        self._status(found)

    def _first_byte(self, byte: int) -> None:
        self._taken, self._place = b"", 0
        if byte == _MATCH:
            self._take = self._number_byte
        elif byte == _SKIP:
            self._take = self._command_byte

    def _number_byte(self, byte: int) -> None:
        self._taken += bytes([byte])
        if len(self._taken) == 8:
            self._selected = [c for c in self._selected if c.number == self._taken]
            self._take = self._command_byte

    def _command_byte(self, byte: int) -> None:
        if byte == _CONVERT:
            for chip in self._selected:
                chip.convert()
        elif byte == _READ_MEMORY and self._selected:
            self._giving = self._selected[0].memory()
        elif byte == _WRITE_MEMORY:
            self._take = lambda _: None  # limits and resolution; they stay as they are
