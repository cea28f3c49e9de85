r"""A bench meter with a scanner card, spoken to in SCPI (IEEE 488.2, SCPI-99) over serial or TCP.

One channel is asked at a time, so that one pair of pins is energised at a time. An answer is a
bare number and doesn't say which channel it is for. Only the order ties the two together, so after
every silence or garble the driver makes sure that it and the meter are in step again: a meter
answers in order, hence all that comes before the answer to ``*IDN?`` is old.

Whether the last channel stays closed after its measurement is up to the meter. If it does, let the
query open it again, for instance ``MEAS:RES? (@{channel});:ROUT:OPEN:ALL``: current that flows for
months corrodes the pins.
"""

import re
from collections.abc import Iterator, Sequence
from math import isfinite

from pydantic import BaseModel, ConfigDict, Field, field_validator
from serial.serialutil import Timeout

from longsoak.driver import BusSettings, Channel
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers.transport.quoting import quoted
from longsoak_drivers.transport.stream import ByteStream
from longsoak_drivers.transport.wire import Wire

LONGEST_LINE = 256  # bytes with the line end; an identity can be long, a number can't
STALE_LINES = 4  # old answers that may stand before the one to *IDN?
BOOT = 2.0  # s: many boards start anew when their port is opened, and are deaf meanwhile
PATIENCE = 4  # time limits a meter that didn't answer in one is given to finish and tell its name

# SCPI-99, volume 1, 7.2.1 (section from memory): what stands for "not a number". Its 9.9E37 for
# infinity is kept as a value: it says that nothing conducts.
NOT_A_NUMBER = 9.91e37

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_ERROR = re.compile(r'([+-]?\d+) *, *"(.*)"', re.ASCII)
_IDENTITY = re.compile(r"[ -~]+(,[ -~]*){3}")


class Options(Wire):
    """What a ``[[buses]]`` table with ``driver = "scpi"`` may say."""

    baud: int = Field(default=9600, ge=300, le=4_000_000, description="Speed in bit/s")
    timeout: float = Field(
        default=3.0,
        ge=0.1,
        le=60,
        allow_inf_nan=False,
        description="Longest wait for an answer in s; a high resistance takes the longest",
    )
    query: str = Field(
        default="MEAS:RES? (@{channel})",
        max_length=200,
        description="What asks for one channel; {channel} stands for its number",
    )

    @field_validator("query")
    @classmethod
    def _asks_for_a_channel(cls, query: str) -> str:
        if "{channel}" not in query or "?" not in query:
            raise ValueError("expected a question with {channel} in it, ending its command in ?")
        if not re.fullmatch(r"[ -~]+", query):
            raise ValueError("expected plain printable characters on one line")
        return query


class Address(BaseModel):
    """Where a probe is: its channel on the scanner card."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    channel: int = Field(
        ge=0,
        le=99_999,
        description="Channel number as the meter counts",
        examples=[101],
    )


def decode(line: bytes, *, probe: str, unit: str) -> Sample | Missing:
    """Turn one answer into a sample, or say why it can't be one. Never raises.

    Parameters
    ----------
    line : bytes
        One answer, line end included; shorter if the time limit or the length limit cut it.
    probe : str
        The probe that was asked.
    unit : str
        UCUM code of the number; the answer carries none.
    """
    if not line.endswith(b"\n"):
        if len(line) >= LONGEST_LINE:
            return Missing(
                probe, Absence.UNREADABLE, f"{len(line)} bytes without a line end, {quoted(line)}"
            )
        came = f"only {quoted(line)}" if line else "nothing"
        return Missing(probe, Absence.NO_ANSWER, f"{came} came before the time limit")
    text = line.decode("ascii", errors="replace").strip()
    if not _NUMBER.fullmatch(text) or not isfinite(number := float(text)):
        return Missing(probe, Absence.UNREADABLE, f"{quoted(line)} is not a number")
    if number == NOT_A_NUMBER:
        return Missing(probe, Absence.UNREADABLE, "the meter answered 9.91E37, its not-a-number")
    return Sample(probe, number, unit)


def decode_identity(line: bytes) -> str | None:
    """Return the identity in an answer to ``*IDN?``; None if it isn't one.

    IEEE 488.2 gives it four fields between commas, which no measured number has.
    """
    text = line.decode("ascii", errors="replace").strip()
    return text if line.endswith(b"\n") and _IDENTITY.fullmatch(text) else None


def decode_error(line: bytes) -> tuple[int, str] | None:
    """Return number and text of an answer to ``SYST:ERR?``; None if it isn't one."""
    match = _ERROR.fullmatch(line.decode("ascii", errors="replace").strip())
    return (int(match[1]), match[2]) if match and line.endswith(b"\n") else None


class Meter:
    """One meter on one port.

    Parameters
    ----------
    port : ByteStream
        The open port; this driver closes it.
    channels : dict
        Probe to its channel of the rig file.
    query : str
        Question with ``{channel}`` in it.
    where : str
        The port's name, for messages.
    boot : float
        How long it is asked who it is before there is nobody, s.

    Raises
    ------
    BusError
        Nothing answers ``*IDN?``.
    """

    def __init__(
        self,
        port: ByteStream,
        *,
        channels: dict[str, Channel],
        query: str,
        where: str,
        boot: float = 0.0,
    ) -> None:
        self._port = port
        self._channels = channels
        self._query = query
        self._where = where
        self._in_step = True
        # The empty line ends whatever a program before this one left half said.
        port.write(b"\n")
        self._settle()
        # A board that starts anew with each opening would never be through if it were given up
        # and opened again after its first silence. The last question comes when it has started: the
        # wait for the first may outlast the start.
        time = Timeout(boot)
        identity, starting = None, True
        while identity is None and starting:
            starting = time.time_left() > 0
            identity = self._identify()
        if identity is None:
            raise BusError(
                f"{where}: nothing answered *IDN?. Check that the meter is on, that its serial "
                "interface is chosen, and that its speed is the one in the rig file."
            )
        self._identity = identity
        port.write(b"*CLS\n")  # errors from before are none of ours

    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        """Ask each probe once. See `longsoak.driver.BusDriver.poll`."""
        for probe in probes:
            yield self._ask(probe)

    def describe(self) -> str:
        """Say what the meter calls itself."""
        return f"{self._identity} on {self._where}"

    def close(self) -> None:
        """Release the port."""
        self._port.close()

    def _ask(self, probe: str) -> Sample | Missing:
        if not self._in_step:
            self._resync()
        channel = self._channels[probe]
        number = Address.model_validate(dict(channel.address)).channel
        self._send(self._query.replace("{channel}", str(number)))
        got = decode(self._line(), probe=probe, unit=channel.unit)
        if isinstance(got, Sample):
            return got
        self._resync()
        return self._explain(got)

    def _explain(self, got: Missing) -> Missing:
        """Replace a silence or garble by the meter's own error, if it has one."""
        self._send("SYST:ERR?")
        error = decode_error(self._line())
        if error is None:
            self._in_step = False
            return got
        number, text = error
        if number == 0:
            return got
        self._send("*CLS")
        if -500 < number <= -400:
            # A query error (SCPI-99 volume 2, chapter 21, from memory): the meter was still busy
            # when *IDN? cut in. It refused nothing.
            return got
        return Missing(got.probe, Absence.REFUSED, f"the meter reports {number}, {text!r}")

    def _resync(self) -> None:
        """Read on until the meter has told its name again; all before that is stale.

        Raises
        ------
        BusError
            It doesn't, or another meter does.
        """
        self._settle()
        identity = self._identify(silences=PATIENCE)
        if identity == self._identity:
            self._in_step = True
            return
        now = f"answers as {identity!r}" if identity else "doesn't answer *IDN?"
        raise BusError(
            f"{self._where}: after a failed reading the meter {now}, expected "
            f"{self._identity!r}. Check its cable and its supply."
        )

    def _identify(self, *, silences: int = 1) -> str | None:
        """Ask for the name; give up after some time limits without a line."""
        self._send("*IDN?")
        for _ in range(STALE_LINES + silences):
            line = self._line()
            identity = decode_identity(line)
            if identity is not None:
                return identity
            silences -= not line
            if silences <= 0:
                break
        return None

    def _settle(self) -> None:
        self._port.drain(quiet=0.05, longest=1.0)

    def _send(self, command: str) -> None:
        self._port.write(command.encode("ascii") + b"\n")

    def _line(self) -> bytes:
        return self._port.read_until(b"\n", limit=LONGEST_LINE)


def open_bus(settings: BusSettings) -> Meter:
    """Open the port and ask the meter who it is. See `longsoak.driver.BusKind.open_bus`.

    Raises
    ------
    BusError
        The port can't be opened, or nothing answers.
    """
    options = Options.model_validate(dict(settings.options))
    channels = {channel.probe: channel for channel in settings.channels}
    port = options.opened(baud=options.baud, timeout=options.timeout)
    try:
        return Meter(
            port,
            channels=channels,
            query=options.query,
            where=options.where,
            boot=0.0 if options.tcp else BOOT,
        )
    except BaseException:
        port.close()
        raise
