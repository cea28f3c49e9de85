"""An invented box with four thermometer inputs on a serial port.

The question is the input's letter, A to D. The answer has four bytes: the letter, the temperature
in hundredths of a degree Celsius as 16 bits with a sign, high byte first, and the XOR of the three.
"""

import termios
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Literal

import serial
from pydantic import BaseModel, ConfigDict, Field

from longsoak.driver import BusSettings
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample

LENGTH = 4  # bytes of an answer


class Options(BaseModel):
    """What a ``[[buses]]`` table with ``driver = "fourtemps"`` may say."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    port: str = Field(min_length=1, description="Serial port", examples=["/dev/serial/by-id/box"])
    timeout: float = Field(
        default=0.5, ge=0.05, le=60, description="Longest wait for an answer, in s"
    )


class Address(BaseModel):
    """Where a probe is: an input of the box."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    input: Literal["A", "B", "C", "D"] = Field(description="Letter of the input", examples=["A"])


def decode(answer: bytes, *, letter: str, probe: str) -> Sample | Missing:
    """Turn an answer into a temperature, or say why it can't be one. Never raises."""
    if len(answer) < LENGTH:
        return Missing(probe, Absence.NO_ANSWER, f"{answer!r} came before the time limit")
    if answer[0] ^ answer[1] ^ answer[2] ^ answer[3]:
        return Missing(probe, Absence.BAD_CHECKSUM, f"{answer!r} doesn't match its last byte")
    if answer[0] != ord(letter):
        return Missing(probe, Absence.UNREADABLE, f"{answer!r} does not answer for {letter}")
    hundredths = int.from_bytes(answer[1:3], "big", signed=True)
    return Sample(probe, hundredths / 100, "Cel")


class Box:
    """The box on its port."""

    def __init__(self, options: Options, letters: dict[str, str]) -> None:
        self._where = options.port
        self._letters = letters
        with self._told("opening"):
            self._serial = serial.Serial(
                options.port,
                timeout=options.timeout,
                write_timeout=options.timeout,
                exclusive=True,
            )

    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        """Ask each probe once."""
        for probe in probes:
            yield self.ask(probe)

    def ask(self, probe: str) -> Sample | Missing:
        """Ask one probe."""
        letter = self._letters[probe]
        with self._told("asking"):
            self._serial.write(letter.encode("ascii"))
            got = decode(self.read(), letter=letter, probe=probe)
            if isinstance(got, Missing):
                self.drain()
        return got

    def read(self) -> bytes:
        """Read one answer, within the port's time limit."""
        return self._serial.read(LENGTH)

    def drain(self) -> None:
        """Let pass by what still comes: it would be taken for the next answer."""
        for _ in range(3):
            if not self._serial.read(1000):
                break

    def describe(self) -> str:
        """Say where the box is."""
        return f"box with {len(self._letters)} thermometers at {self._where}"

    def close(self) -> None:
        """Release the port."""
        with suppress(OSError, termios.error):
            self._serial.close()

    @contextmanager
    def _told(self, doing: str) -> Iterator[None]:
        try:
            yield
        except (OSError, termios.error) as error:
            raise BusError(
                f"{self._where}: {doing} failed ({error}). Check the cable, and that no other "
                "program is the owner of this port."
            ) from error


def open_bus(settings: BusSettings) -> Box:
    """Open the port; a `BusError` says why it can't be opened now."""
    options = Options.model_validate(dict(settings.options))
    letters = {c.probe: Address.model_validate(dict(c.address)).input for c in settings.channels}
    return Box(options, dict(letters))
