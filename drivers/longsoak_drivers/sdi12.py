"""Sensors on an SDI-12 bus, through a serial adapter that makes the bus's break and parity.

A measurement is two questions: ``0MC!`` starts it, the answer ``00013`` says that sensor 0 has 3
values ready in 1 s; the sensor announces them with its address once they are; ``0D0!`` and, if they
don't fit into one answer, ``0D1!`` and so on bring them: ``0+3.14+2.718+1.414Ipz``. With MC each
answer ends in a checksum of three characters (SDI-12 specification 1.4, sections 4.4.5 to 4.4.12;
from memory).

One measurement serves all probes of its sensor. Sensors are asked one after the other: many are
fed by the bus, and most take their time.

An answer says which sensor it comes from, but not which of its measurements. One that comes more
than a time limit and a half late could be taken for another's; sensors are bound to far less, but
an adapter on the network may not be: give it a long `timeout`.
"""

import re
from collections.abc import Iterator, Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field
from serial.serialutil import Timeout

from longsoak.driver import BusSettings
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers.transport.noise import is_noise
from longsoak_drivers.transport.quoting import quoted
from longsoak_drivers.transport.stream import ByteStream
from longsoak_drivers.transport.wire import Wire

LONGEST_LINE = 96  # bytes: 75 of values, the address, the checksum and the line end, and some more
MOST_ANSWERS = 10  # D0 to D9
BOOT = 2.0  # s: many adapters start anew when their port is opened, and greet
TRIES = 3  # of a question that got no answer, as the specification has it
MARGIN = 1.0  # s past the announced time for the sensor to say that it is ready

_STARTED = re.compile(rb"(?P<sensor>[0-9A-Za-z])(?P<seconds>\d{3})(?P<values>\d)\r\n")
# Version of the standard, then maker, model, its version, and perhaps a number; padded with blanks.
_IDENTITY = re.compile(rb"[0-9A-Za-z]\d\d(?P<words>[ -~]{17,30})\r\n")
_VALUES = re.compile(rb"[0-9A-Za-z](?P<values>([+-]\d{0,7}\.?\d{0,7})*)")
# A sign and at most seven digits, with a point among them or none.
_VALUE = re.compile(rb"[+-](?=[\d.]{1,8}\Z)(?!\d{8})(\d+\.?\d*|\.\d+)")


class Options(Wire):
    """What a ``[[buses]]`` table with ``driver = "sdi12"`` may say."""

    baud: int = Field(
        default=9600,
        ge=300,
        le=4_000_000,
        description="Speed of the adapter's own port in bit/s, not the bus's 1200",
    )
    timeout: float = Field(
        default=1.0,
        ge=0.1,
        le=60,
        allow_inf_nan=False,
        description="Longest wait for an answer to begin and end, in s",
    )
    longest: float = Field(
        default=30.0,
        ge=0,
        le=999,
        allow_inf_nan=False,
        description="Longest measurement that is waited for, in s",
    )
    ending: Literal["", "\r", "\n", "\r\n"] = Field(
        default="",
        description="What the adapter wants after each command's !, if its manual says so",
    )


class Address(BaseModel):
    """Where a probe is: a sensor, and which of its values."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    sensor: str = Field(
        pattern=r"^[0-9A-Za-z]$",
        description="The sensor's address on the bus: one digit or letter",
        examples=["0"],
    )
    value: int = Field(
        default=1, ge=1, le=9, description="Which of the measurement's values, from 1"
    )
    measurement: int = Field(
        default=0, ge=0, le=9, description="Which measurement: 0 is M, 1 to 9 are M1 to M9"
    )
    checked: bool = Field(
        default=True,
        description="Whether the sensor adds checksums (MC); false only for sensors older than "
        "version 1.3 of the standard",
    )

    @property
    def command(self) -> str:
        """What starts its measurement."""
        number = str(self.measurement) if self.measurement else ""
        return f"{self.sensor}M{'C' if self.checked else ''}{number}!"


def crc(data: bytes) -> bytes:
    """Return the checksum of an answer as the three characters that end it.

    x16 + x15 + x2 + 1, reflected, from 0. Source: SDI-12 specification 1.4, 4.4.12 (second hand).
    """
    value = 0
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return bytes(0x40 | part & 0x3F for part in (value >> 12, value >> 6, value))


class Unusable(Exception):  # noqa: N818 - an answer, as far as the bus goes
    """What a sensor sent, or didn't, can't be used; why, and a sentence."""

    def __init__(self, why: Absence, says: str) -> None:
        super().__init__(why, says)
        self.why = why
        self.says = says


def decode_start(line: bytes, *, sensor: str) -> tuple[int, int]:
    """Seconds until a measurement is ready, and how many values it has.

    Raises
    ------
    Unusable
        It is no such answer, or another sensor's.
    """
    match = _STARTED.fullmatch(line)
    if not match:
        raise Unusable(*_unfit(line, "an answer to the start of a measurement"))
    if match["sensor"] != sensor.encode("ascii"):
        raise Unusable(
            Absence.UNREADABLE, f"{quoted(line)} answers for another sensor than {sensor}"
        )
    return int(match["seconds"]), int(match["values"])


def decode_identity(line: bytes, *, sensor: str) -> str | None:
    """What a sensor calls itself in its answer to ``aI!``; None if it isn't one."""
    match = _IDENTITY.fullmatch(line)
    if not match or line[:1] != sensor.encode("ascii"):
        return None
    return " ".join(match["words"].decode("ascii").split())


def decode_values(line: bytes, *, sensor: str, checked: bool) -> list[float]:
    """Values in one answer to ``aD0!``; none if the sensor has none ready.

    Raises
    ------
    Unusable
        The checksum is wrong, it is no such answer, or another sensor's.
    """
    if not line.endswith(b"\r\n"):
        raise Unusable(*_unfit(line, "an answer with values"))
    body = line[:-2]
    if checked:
        body, sum_ = body[:-3], body[-3:]
        if sum_ != crc(body):
            raise Unusable(Absence.BAD_CHECKSUM, f"{quoted(line)} doesn't match its checksum")
    match = _VALUES.fullmatch(body)
    if not match:
        raise Unusable(Absence.UNREADABLE, f"{quoted(line)} is not an address and signed values")
    if body[:1] != sensor.encode("ascii"):
        raise Unusable(
            Absence.UNREADABLE, f"{quoted(line)} answers for another sensor than {sensor}"
        )
    signed = re.findall(rb"[+-][^+-]*", match["values"])
    if not all(_VALUE.fullmatch(value) for value in signed):
        raise Unusable(Absence.UNREADABLE, f"{quoted(line)} holds something that is no number")
    return [float(value) for value in signed]


def _unfit(line: bytes, expected: str) -> tuple[Absence, str]:
    if is_noise(line):
        return Absence.BAD_CHECKSUM, f"{quoted(line)} is no line of text"
    if not line.endswith(b"\n") and len(line) >= LONGEST_LINE:
        return Absence.UNREADABLE, f"{len(line)} bytes without a line end, {quoted(line)}"
    if not line.endswith(b"\n"):
        came = f"only {quoted(line)}" if line else "nothing"
        return Absence.NO_ANSWER, f"{came} came before the time limit"
    return Absence.UNREADABLE, f"{quoted(line)} is not {expected}"


class SdiBus:
    """One adapter with the sensors behind it.

    Parameters
    ----------
    port : ByteStream
        The open port; this driver closes it.
    addresses : dict
        Probe to its address.
    units : dict of str to str
        Probe to the UCUM code of its samples; the answers carry none.
    timeout, longest : float
        Longest wait for an answer, and for a measurement, s.
    where : str
        The port's name, for `describe`.
    ending : str
        What the adapter wants after each command.
    """

    def __init__(
        self,
        port: ByteStream,
        *,
        addresses: dict[str, Address],
        units: dict[str, str],
        timeout: float,
        longest: float,
        where: str,
        ending: str = "",
    ) -> None:
        self._port = port
        self._addresses = addresses
        self._units = units
        self._timeout = timeout
        self._longest = longest
        self._where = where
        self._ending = ending.encode("ascii")
        self._silent: set[str] = set()  # sensors that let their last question go by
        port.drain(quiet=0.1, longest=BOOT)
        self._sensors = sorted({address.sensor for address in addresses.values()})
        # Those that answered, with what they call themselves.
        self._there = {sensor: "" for sensor in self._sensors if self._is_there(sensor)}

    def identify(self) -> None:
        """Ask the sensors that are there what they call themselves, for `describe`."""
        for sensor in self._there:
            self._there[sensor] = decode_identity(self._ask(f"{sensor}I!"), sensor=sensor) or ""

    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        """Ask each sensor once for all its probes. See `longsoak.driver.BusDriver.poll`."""
        measured: dict[str, list[float] | Unusable] = {}
        for probe in probes:
            address = self._addresses[probe]
            if address.command not in measured:
                measured[address.command] = self._measure(address)
            yield self._sample(probe, address, measured[address.command])

    def describe(self) -> str:
        """Say which sensors answered when the bus was opened."""
        named = [
            f"{sensor} ({words})" if words else sensor for sensor, words in self._there.items()
        ]
        there = ", ".join(named) or "none"
        return f"of sensors {', '.join(self._sensors)} on {self._where} these answered: {there}"

    def close(self) -> None:
        """Release the port."""
        self._port.close()

    def _is_there(self, sensor: str) -> bool:
        there = self._ask(f"{sensor}!") == f"{sensor}\r\n".encode("ascii")
        if not there:
            self._silent.add(sensor)
        return there

    def _measure(self, address: Address) -> list[float] | Unusable:
        tries = 1 if address.sensor in self._silent else TRIES
        for left in reversed(range(tries)):
            try:
                values = self._values(address)
            except Unusable as unusable:
                self._port.drain(quiet=self._timeout / 2, longest=self._timeout)
                if not left:
                    if unusable.why is Absence.NO_ANSWER:
                        self._silent.add(address.sensor)
                    return unusable
            else:
                break
        self._silent.discard(address.sensor)
        return values

    def _values(self, address: Address) -> list[float]:
        sensor = address.sensor
        seconds, promised = decode_start(self._ask(address.command), sensor=sensor)
        if seconds > self._longest:
            raise Unusable(
                Absence.REFUSED,
                f"sensor {sensor} takes {seconds} s to measure, more than longest = "
                f"{self._longest:g} in the rig file lets it",
            )
        if seconds:
            self._wait_until_ready(sensor, seconds)
        values: list[float] = []
        for number in range(MOST_ANSWERS):
            if len(values) >= promised:
                break
            line = self._ask(f"{sensor}D{number}!")
            more = decode_values(line, sensor=sensor, checked=address.checked)
            if not more:
                break
            values += more
        if len(values) != promised:
            raise Unusable(
                Absence.UNREADABLE,
                f"sensor {sensor} promised {promised} values and gave {len(values)}",
            )
        return values

    def _wait_until_ready(self, sensor: str, seconds: int) -> None:
        """Wait for the sensor to announce its values; without a word, as long as it said."""
        time = Timeout(seconds + MARGIN)
        announced = f"{sensor}\r\n".encode("ascii")
        while time.time_left() > 0:
            if self._port.read_until(b"\n", limit=LONGEST_LINE) == announced:
                return

    def _ask(self, question: str) -> bytes:
        """Send one question and return the line that answers it, without the adapter's echo."""
        asked = question.encode("ascii")
        sent = asked + self._ending
        self._port.drain(quiet=0.01, longest=self._timeout)
        self._port.write(sent)
        line = self._port.read_until(b"\n", limit=LONGEST_LINE)
        if line == sent and line.endswith(b"\n"):  # its echo is a line of its own
            line = self._port.read_until(b"\n", limit=LONGEST_LINE)
        return line.removeprefix(sent).removeprefix(asked)

    def _sample(
        self, probe: str, address: Address, measured: list[float] | Unusable
    ) -> Sample | Missing:
        if isinstance(measured, Unusable):
            return Missing(probe, measured.why, f"sensor {address.sensor}: {measured.says}")
        if address.value > len(measured):
            return Missing(
                probe,
                Absence.NO_ANSWER,
                f"sensor {address.sensor} has {len(measured)} values in this measurement, "
                f"no number {address.value}",
            )
        return Sample(probe, measured[address.value - 1], self._units[probe])


def open_bus(settings: BusSettings) -> SdiBus:
    """Open the port and see which sensors are there. See `longsoak.driver.BusKind.open_bus`.

    Raises
    ------
    BusError
        The port can't be opened. A silent sensor is no reason: its probes say so themselves.
    """
    options = Options.model_validate(dict(settings.options))
    port = options.opened(baud=options.baud, timeout=options.timeout)
    try:
        bus = SdiBus(
            port,
            addresses={c.probe: Address.model_validate(dict(c.address)) for c in settings.channels},
            units={channel.probe: channel.unit for channel in settings.channels},
            timeout=options.timeout,
            longest=options.longest,
            where=options.where,
            ending=options.ending,
        )
        bus.identify()
    except BaseException:
        port.close()
        raise
    return bus
