"""Plain text lines with a checksum, as a small microcontroller sends them.

The question is ``?P3``, the answer ``P3,412000,Ohm*2E``: name, value, unit (UCUM), and the
checksum of NMEA 0183, the XOR of all bytes before ``*`` in two hexadecimal digits. A front end
that can't measure answers ``P3,error,<word>*hh``. Lines end in LF or CR LF.

Decoding (`decode`) knows nothing of ports, so it is tested on bytes alone.
"""

import re
from collections.abc import Iterator, Sequence
from functools import reduce
from math import isfinite
from operator import xor

from pydantic import BaseModel, ConfigDict, Field

from longsoak.driver import BusSettings
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers.transport.noise import is_noise
from longsoak_drivers.transport.port import Port
from longsoak_drivers.transport.quoting import quoted
from longsoak_drivers.transport.stream import ByteStream

LONGEST_LINE = 80  # bytes with the line end; a longer answer is noise
BOOT = 2.0  # s: many boards start anew when their port is opened, and greet

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


class Options(BaseModel):
    """What a ``[[buses]]`` table with ``driver = "lines"`` may say."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    port: str = Field(
        min_length=1,
        description="Serial port, best its name under /dev/serial/by-id",
        examples=["/dev/serial/by-id/usb-scanner"],
    )
    baud: int = Field(default=115200, ge=300, le=4_000_000, description="Speed in bit/s")
    timeout: float = Field(
        default=1.0,
        ge=0.05,
        le=60,
        allow_inf_nan=False,
        description="Longest wait for an answer, in s",
    )


class Address(BaseModel):
    """Where a probe is: the name the front end knows it by."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    name: str = Field(
        pattern=r"^[A-Za-z0-9_.-]{1,24}$",
        description="Name in question and answer: letters, digits, _ . and -, at most 24",
        examples=["P3"],
    )


def checksum(body: bytes) -> bytes:
    """Return the NMEA 0183 checksum of `body` as two upper case hexadecimal digits."""
    return b"%02X" % reduce(xor, body, 0)


def decode(line: bytes, *, name: str, probe: str) -> Sample | Missing:
    """Turn one answer into a sample, or say why it can't be one. Never raises.

    Parameters
    ----------
    line : bytes
        One answer, line end included; shorter if the time limit or the length limit cut it.
    name : str
        The name that was asked.
    probe : str
        The probe the answer is for; it goes onto the result.
    """
    if not line.endswith(b"\n"):
        return _unfinished(line, probe=probe)
    body, star, digits = line.rstrip(b"\r\n").rpartition(b"*")
    if not star or digits.upper() != checksum(body):
        return Missing(probe, Absence.BAD_CHECKSUM, f"{quoted(line)} doesn't match its checksum")
    fields = body.decode("ascii", errors="replace").split(",")
    if len(fields) != 3:
        return Missing(probe, Absence.UNREADABLE, f"{quoted(line)} is not name,value,unit")
    answers, value, unit = fields
    if answers != name:
        # A late answer to the question before. Taking it would file one probe's value under
        # another's name, and nothing downstream could tell.
        return Missing(
            probe, Absence.UNREADABLE, f"{quoted(line)} answers for {answers!r}, not {name!r}"
        )
    if value == "error":
        return Missing(probe, Absence.REFUSED, f"{name} reports {unit!r}")
    # Checked by pattern first: float() takes "nan", "inf" and "1_0" too.
    if not _NUMBER.fullmatch(value) or not isfinite(number := float(value)):
        return Missing(probe, Absence.UNREADABLE, f"{value!r} in {quoted(line)} is not a number")
    if not re.fullmatch(r"[!-~]{1,16}", unit):
        return Missing(probe, Absence.UNREADABLE, f"{unit!r} in {quoted(line)} is not a unit")
    return Sample(probe, number, unit)


def _unfinished(line: bytes, *, probe: str) -> Missing:
    if is_noise(line):
        return Missing(probe, Absence.BAD_CHECKSUM, f"{quoted(line)} is no line of text")
    if len(line) >= LONGEST_LINE:
        return Missing(
            probe, Absence.UNREADABLE, f"{len(line)} bytes without a line end, {quoted(line)}"
        )
    if line:
        return Missing(probe, Absence.NO_ANSWER, f"only {quoted(line)} came before the time limit")
    return Missing(probe, Absence.NO_ANSWER, "nothing came before the time limit")


class LineBus:
    """One serial port, one question and one answer at a time.

    Parameters
    ----------
    port : ByteStream
        The open port; this driver closes it.
    names : dict of str to str
        Probe to the name on the wire.
    timeout : float
        The port's time limit, s.
    where : str
        The port's name, for `describe`.
    """

    def __init__(
        self, port: ByteStream, *, names: dict[str, str], timeout: float, where: str
    ) -> None:
        self._port = port
        self._names = names
        self._timeout = timeout
        self._where = where
        port.drain(quiet=0.1, longest=BOOT)

    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        """Ask each probe once. See `longsoak.driver.BusDriver.poll`."""
        for probe in probes:
            yield self._ask(probe)

    def describe(self) -> str:
        """Say how many names are asked on which port."""
        return f"{len(self._names)} names on {self._where}"

    def close(self) -> None:
        """Release the port."""
        self._port.close()

    def _ask(self, probe: str) -> Sample | Missing:
        name = self._names[probe]
        self._port.write(f"?{name}\n".encode("ascii"))
        got = decode(
            self._port.read_until(b"\n", limit=LONGEST_LINE),
            name=name,
            probe=probe,
        )
        if isinstance(got, Missing) and got.why is not Absence.REFUSED:
            # Something may still be under way. Left in the input it would be taken for the next
            # answer, and every answer after it would be one late.
            self._port.drain(quiet=self._timeout / 2, longest=self._timeout)
        return got


def open_bus(settings: BusSettings) -> LineBus:
    """Open the port. See `longsoak.driver.BusKind.open_bus`.

    Raises
    ------
    BusError
        The port can't be opened. A front end that is silent is no reason: each of its probes
        says so for itself.
    """
    options = Options.model_validate(dict(settings.options))
    names = {c.probe: Address.model_validate(dict(c.address)).name for c in settings.channels}
    port = Port(options.port, baud=options.baud, timeout=options.timeout)
    try:
        return LineBus(port, names=names, timeout=options.timeout, where=options.port)
    except BaseException:
        port.close()
        raise
