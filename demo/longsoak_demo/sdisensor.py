"""The simulated SDI-12 sensor over the water, behind a serial adapter.

It answers as the standard has it (SDI-12 specification 1.4, section 4.4; from memory): that it is
there, what it is, and a measurement that is started first, announced when it is ready, and fetched
after. The adapter makes the bus's break and its parity; over its own port it speaks plain text.
"""

import asyncio
import re
from pathlib import Path

from longsoak_demo.bench import Bench, wired
from longsoak_demo.places import OVER_WATER
from longsoak_demo.ptyport import PtyPort

# Version of the standard, then maker (8 characters), model (6), its version (3).
IDENTITY = "14INVENTEDAIR-RH001"
_READY_WITHIN = 1  # s, as it promises
_TAKES = 0.3  # s, as it really does: it may be early, never late
_LONGEST = 16  # characters of a command; all it knows are shorter
_COMMAND = re.compile(r"([0-9A-Za-z?])(|I|MC?[1-9]?|D[0-9])")


def checksum(text: str) -> str:
    """Return the three characters that end a checked answer: CRC-16, six bits to a character.

    Source: SDI-12 specification 1.4, 4.4.12 (second hand).
    """
    crc = 0
    for character in text:
        crc ^= ord(character)
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return "".join(chr(0x40 + (crc >> shift & 0x3F)) for shift in (12, 6, 0))


class SdiSensor:
    """Answers ``0MC!``, announces itself, and answers ``0D0!``, as long as the bench lets it.

    Parameters
    ----------
    bench : Bench
        Where the values come from.
    link : Path
        The adapter's port.
    """

    def __init__(self, bench: Bench, link: Path) -> None:
        self.port = PtyPort(link, self._heard)
        self._bench = bench
        self._places = sorted(wired(OVER_WATER), key=lambda place: place.address["value"])
        self._address = str(self._places[0].address["sensor"])
        self._came = ""
        self._measuring: asyncio.TimerHandle | None = None
        self._values = ""
        self._checked = False

    def _heard(self, data: bytes) -> None:
        *commands, rest = (self._came + data.decode("ascii", errors="replace")).split("!")
        self._came = rest[-_LONGEST:]
        for command in commands:
            # An adapter may be sent line ends, and a break can come through as a zero.
            self._obey(command.strip("\r\n\0 "))

    def _obey(self, command: str) -> None:
        match = _COMMAND.fullmatch(command)
        if not match or match[1] not in (self._address, "?"):
            return
        self._interrupt()
        if self._cut_off():
            return
        asked = match[2]
        if asked == "":
            self._say("")
        elif match[1] == "?":
            return  # only "who is there" may be asked of whoever it is
        elif asked == "I":
            self._say(IDENTITY)
        elif asked.startswith("M"):
            self._start(checked="C" in asked, known=not asked[-1].isdigit())
        else:
            self._give(self._values if asked == "D0" else "")

    def _start(self, *, checked: bool, known: bool) -> None:
        """Begin to measure; of the further measurements M1 to M9 it has none."""
        self._values, self._checked = "", checked
        if not known:
            self._say("0000")
            return
        self._say(f"{_READY_WITHIN:03d}{len(self._places)}")
        self._measuring = asyncio.get_running_loop().call_later(_TAKES, self._ready)

    def _ready(self) -> None:
        self._measuring = None
        if self._cut_off():
            return
        self._values = "".join(f"{self._bench.reading(place):+.2f}" for place in self._places)
        self._say("")

    def _give(self, values: str) -> None:
        body = self._address + values
        self._say(values + checksum(body) if self._checked else values)

    def _interrupt(self) -> None:
        """A question to a sensor that measures ends the measurement, and it has no values."""
        if self._measuring is not None:
            self._measuring.cancel()
            self._measuring = None

    def _cut_off(self) -> bool:
        """Whether it is silent. It has one cable for all it measures."""
        return any(self._bench.silent(p) or self._bench.open_wire(p) for p in self._places)

    def _say(self, words: str) -> None:
        self.port.send(f"{self._address}{words}\r\n".encode("ascii"))
