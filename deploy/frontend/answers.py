"""Questions to answers: the lines FRAMES.md describes. Knows nothing of ports.

Every scan holds the check channels too: before a pair is measured, the resistor, the open and the
shorted channel are, unless that was just now. What they show to be wrong is refused by name
instead of being sent as a value.
"""

import time

import settings
from board import Board
from checking import CHECKS, EMF, is_name
from measure import Meter, Reading

LONGEST = 40  # bytes that are kept of a line; no question has as many
OPEN_CIRCUIT = "9.9E37"  # the number SCPI-99 has for infinity
REFERENCE_OFF = 0.05  # share the reference may be off its value before no reading is believed
SHORT_OFF = 300.0  # Ohm a short may be off nothing
MATTERS = 10  # a leak or an offset that far from a reading is no matter to it


class FrontEnd:
    """Answers questions one at a time; with `wrong` settings it refuses all of them."""

    def __init__(self, board: Board, wrong: bool = False) -> None:
        self._meter = Meter(board)
        self._wrong = wrong
        # Check channel to when it was read, ticks in ms, and its reading.
        self._checks: dict[str, tuple[int, Reading]] = {}

    def answer(self, line: bytes) -> bytes | None:
        """The answer to one line without its end, with its line end; None if it is no question."""
        name = asked(line)
        if name is None:
            return None
        if self._wrong:
            return framed(name, "error", "settings")
        channel = name[: -len(EMF)] if name.endswith(EMF) else name
        if channel not in settings.CHANNELS:
            return framed(name, "error", "no such name")
        try:
            reading, word = self._read(channel)
        except Exception:
            # A fault of the program in one answer must not cost the others theirs.
            return framed(name, "error", "fault")
        if channel != name:
            return _emf(name, reading, word)
        if word is not None:
            return framed(name, "error", word)
        return framed(name, number(reading.ohm), "Ohm")

    def idle(self) -> None:
        """Forget old checks; called now and then, for the tick counter wraps after some days."""
        for check in CHECKS:
            if not self._fresh(check):
                self._checks.pop(check, None)

    def _fresh(self, check: str) -> bool:
        if check not in self._checks:
            return False
        age = time.ticks_diff(time.ticks_ms(), self._checks[check][0])
        return 0 <= age <= settings.CHECK_AGE

    def _read(self, channel: str) -> tuple[Reading, str | None]:
        if channel in CHECKS:
            reading = self._check(channel)
            return reading, reading.word
        for check in CHECKS:
            if not self._fresh(check):
                self._check(check)
        reading = self._meter.measure(*settings.CHANNELS[channel])
        return reading, self._doubt(reading.ohm) or reading.word  # the cause before what it causes

    def _check(self, check: str) -> Reading:
        reading = self._meter.measure(*settings.CHANNELS[check])
        if check == "OPEN" and reading.word in ("polarised", "saturated"):
            # A leak to ground shows one way only; no electrodes make a voltage here.
            reading.word = None
        self._checks[check] = time.ticks_ms(), reading
        return reading

    def _doubt(self, ohm: float | None) -> str | None:
        """Name the check channel that forbids to believe a resistance, or None."""
        reference, leak, short = [self._checks[check][1] for check in CHECKS]
        if reference.word is not None or reference.ohm is None:
            return "reference channel"
        if abs(reference.ohm / settings.REFERENCE - 1) > REFERENCE_OFF:
            return "reference channel"
        if leak.word is not None:
            return "open channel"
        if ohm is not None and leak.ohm is not None and ohm * MATTERS > leak.ohm:
            return "open channel"
        if short.word is not None or short.ohm is None:
            return "short channel"
        off = abs(short.ohm)
        if ohm is not None and off > SHORT_OFF and abs(ohm) < MATTERS * off:
            return "short channel"
        return None


def _emf(name: str, reading: Reading, word: str | None) -> bytes:
    """The line that tells an electromotive force, also one too large for a resistance."""
    if reading.ohm is None:
        return framed(name, "error", "open")
    if word not in (None, "polarised"):
        return framed(name, "error", word)
    return framed(name, "%.1f" % (reading.emf * 1000), "mV")


def asked(line: bytes) -> str | None:
    """The name in a question, or None if the line is none."""
    if line[:1] != b"?" or not 2 <= len(line) <= 25:
        return None
    name = "".join(chr(byte) for byte in line[1:])
    return name if is_name(name) else None


def number(ohm: float | None) -> str:
    """A resistance as text, to a tenth of an ohm where that says something."""
    if ohm is None:
        return OPEN_CIRCUIT
    return f"{ohm:.1f}" if abs(ohm) < 10_000 else f"{ohm:.0f}"


def framed(name: str, value: str, unit: str) -> bytes:
    """One line with the checksum of NMEA 0183 and its line end."""
    body = (name + "," + value + "," + unit).encode()
    total = 0
    for byte in body:
        total ^= byte
    return body + b"*%02X\r\n" % total


class Lines:
    """Cuts what comes into lines; of one that grows too long it keeps no more than the start."""

    def __init__(self) -> None:
        self._got = b""

    def take(self, byte: bytes) -> bytes | None:
        """Take one byte; return the line it ended, without its end, or None."""
        if byte != b"\n":
            if len(self._got) < LONGEST:
                self._got += byte
            return None
        line, self._got = self._got, b""
        return line.rstrip(b"\r")
