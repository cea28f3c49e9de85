"""Lines of a GPIO chip through libgpiod: switches, buttons, flow meters that give pulses.

A float is read as it stands, 1 or 0, debounced by the kernel. Behind I2C or USB the kernel can't;
there a change counts once it is still there after the debounce time. Edges are counted too: a float
that changed many times since the last poll is bouncing or has a loose wire, and what it says at
this instant is chance.

A flow meter is read as a frequency in Hz, from the kernel's own times of its edges and their
running numbers, so that neither a late poll nor an edge the kernel dropped falsifies it.
"""

import errno
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import Literal, NamedTuple

import gpiod
from gpiod.edge_event import EdgeEvent
from gpiod.line import Bias, Clock, Direction, Edge, Value
from pydantic import BaseModel, ConfigDict, Field

from longsoak.driver import BusSettings, Switch
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample

MOST_CHANGES = 10  # of a float between two polls; waves move one, but not more often than that
PRESS = 0.05  # s a button must be held: longer than a contact bounces, shorter than anybody presses
BUFFER = 1024  # edges the kernel keeps between two polls

_BIAS = {"none": Bias.AS_IS, "pull up": Bias.PULL_UP, "pull down": Bias.PULL_DOWN}
# What the library makes of an errno: EINVAL and EOPNOTSUPP are no OSError there.
_FAILURES = (OSError, ValueError, NotImplementedError)
_WHO = "longsoak"  # told to others who want the line
_RISING = EdgeEvent.Type.RISING_EDGE
_NEVER = threading.Event()  # waited on for as long as a line has to stand still

Config = dict[Iterable[int | str] | int | str, gpiod.LineSettings | None]


class Options(BaseModel):
    """What a ``[[buses]]`` table with ``driver = "gpio"`` may say."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    chip: str = Field(
        pattern=r"^[!-~]([ -~]{0,250}[!-~])?$",
        description="The chip's label, or its device such as /dev/gpiochip0; a label stays the "
        "same when chips are numbered anew",
        examples=["pinctrl-bcm2711"],
    )
    debounce: float = Field(
        default=0.5,
        ge=0,
        le=5,
        allow_inf_nan=False,
        description="How long a float must stand still to count as changed, in s",
    )


class Address(BaseModel):
    """Where a probe is: a line of the chip."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    line: int | str = Field(
        description="Number of the line on its chip, or its name there",
        examples=[17],
    )
    active: Literal["high", "low"] = Field(
        default="high",
        description="Which level is 1: low for a switch to ground with a pull-up",
    )
    bias: Literal["none", "pull up", "pull down"] = Field(
        default="none",
        description="Resistor that the chip puts on the line; many chips have none, and the kernel "
        "does not tell",
    )
    pulses: bool = Field(
        default=False, description="Whether pulses are counted, as a flow meter gives them"
    )
    press: bool = Field(
        default=False,
        description="Whether a press that came and went since the last poll is told at this one, "
        "as of a button",
    )


class OutputAddress(BaseModel):
    """Where an output is: a line of the chip.

    A line that nobody holds is an input on most chips. The wiring has to make that "off": a
    resistor that holds the driver of a lamp or valve off, and a valve that closes by its spring.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    line: int | str = Field(
        description="Number of the line on its chip, or its name there",
        examples=[22],
    )
    active: Literal["high", "low"] = Field(
        default="high", description="Which level is on: low for a driver that pulls to ground"
    )


class LastEdge(NamedTuple):
    """The last edge seen of a line: its running number and the kernel's time, ns."""

    number: int
    at: int


def frequency(edges: Sequence[EdgeEvent], before: LastEdge | None) -> float | None:
    """Pulses per second, from the rising edges since the last poll.

    Parameters
    ----------
    edges : sequence of EdgeEvent
        Rising edges in the order they came; those between the first and the last don't matter.
    before : LastEdge or None
        The edge before them, if the wheel was turning already at the last poll.

    Returns
    -------
    float or None
        Hz; 0 where no edge came. None for a single edge with none before it.
    """
    if not edges:
        return 0.0
    first = before or LastEdge(edges[0].line_seqno, edges[0].timestamp_ns)
    pulses, ns = edges[-1].line_seqno - first.number, edges[-1].timestamp_ns - first.at
    return pulses * 1e9 / ns if pulses > 0 and ns > 0 else None


class Way(NamedTuple):
    """What the kernel can do for a chip's lines."""

    debounce: bool
    edges: bool


class Lines:
    """The lines of one chip that carry probes.

    Parameters
    ----------
    request : gpiod.LineRequest
        The lines of probes, held; this driver releases them.
    outputs : Outputs or None
        The lines of outputs, held likewise.
    addresses : dict
        Probe to its address.
    where : str
        The chip's name, for sentences.
    way : Way
        What the chip can do.
    debounce : float
        How long a float must stand still to count as changed, s, where the chip does not see to it.
    """

    def __init__(
        self,
        request: gpiod.LineRequest,
        *,
        outputs: "Outputs | None" = None,
        addresses: dict[str, Address],
        where: str,
        way: Way,
        debounce: float,
    ) -> None:
        self._request = request
        self._outputs = outputs
        self._addresses = addresses
        self._where = where
        self._way = way
        self._debounce = debounce
        self._settled: dict[str, Value] = {}
        offsets = dict(zip(request.lines, request.offsets, strict=True))
        self._probes = {offsets[address.line]: probe for probe, address in addresses.items()}
        self._edges: dict[str, list[EdgeEvent]] = {probe: [] for probe in addresses}
        self._last: dict[str, LastEdge] = {}

    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        """Read each line once. See `longsoak.driver.BusDriver.poll`."""
        for probe in probes:
            try:
                self._collect()
                value = self._value(probe)
            except _FAILURES as error:
                raise BusError(
                    f"{self._where}: reading it failed ({error.args[-1]}). Check that the chip "
                    "is still there, and its supply if it sits on a wire of its own."
                ) from error
            edges, self._edges[probe] = self._edges[probe], []
            if self._addresses[probe].pulses:
                yield self._flow(probe, edges)
                continue
            if self._addresses[probe].press and any(e.event_type is _RISING for e in edges):
                value = Value.ACTIVE
            yield self._float(probe, value, edges)

    def switch(self, output: str, *, on: bool) -> None:
        """Switch an output. See `longsoak.driver.Switching`."""
        if self._outputs is None:
            raise BusError(f"{self._where}: no output was declared on it.")
        self._outputs.switch(output, on=on)

    def describe(self) -> str:
        """Say how many lines are held on which chip."""
        number = len(self._addresses)
        edges = "" if self._way.edges else ", without edges"
        return f"{number} line{'' if number == 1 else 's'} of {self._where}{edges}"

    def close(self) -> None:
        """Release the lines."""
        if self._outputs is not None:
            self._outputs.close()
        with suppress(OSError):  # the chip may be gone; the handle is freed
            self._request.release()

    def _value(self, probe: str) -> Value:
        """The level of a line; of a float, one at which it stands still."""
        line = self._addresses[probe].line
        value = self._request.get_value(line)
        if self._way.debounce or self._addresses[probe].pulses:
            return value
        settled = self._settled.setdefault(probe, value)
        if value is not settled:
            last = self._edges[probe][-1:]
            _NEVER.wait(PRESS if self._addresses[probe].press else self._debounce)
            again = self._request.get_value(line)
            self._collect()
            if again is value and self._edges[probe][-1:] == last:
                self._settled[probe] = value
        return self._settled[probe]

    def _collect(self) -> None:
        """Take the edges that wait, for whichever line they are; keep a line's first and last."""
        while self._way.edges and self._request.wait_edge_events(timeout=0):
            for edge in self._request.read_edge_events():
                self._edges[self._probes[edge.line_offset]][1:] = [edge]

    def _flow(self, probe: str, edges: list[EdgeEvent]) -> Sample | Missing:
        hertz = frequency(edges, self._last.pop(probe, None))
        if edges:
            self._last[probe] = LastEdge(edges[-1].line_seqno, edges[-1].timestamp_ns)
        if hertz is None:
            return Missing(probe, Absence.NO_ANSWER, "a first pulse came; a rate takes two")
        return Sample(probe, hertz, "Hz")

    def _float(self, probe: str, value: Value, edges: list[EdgeEvent]) -> Sample | Missing:
        before = self._last.get(probe)
        changes = edges[-1].line_seqno - (before.number if before else 0) if edges else 0
        if edges:
            self._last[probe] = LastEdge(edges[-1].line_seqno, edges[-1].timestamp_ns)
        if changes > MOST_CHANGES:
            return Missing(
                probe,
                Absence.UNREADABLE,
                f"it changed {changes} times since it was looked at last: a loose wire, or the "
                "float bounces on waves; give it a longer debounce or a still place",
            )
        return Sample(probe, float(value is Value.ACTIVE), "1")


class Outputs:
    """The lines of one chip that switch something, held with all of them off at first.

    Parameters
    ----------
    request : gpiod.LineRequest
        The lines, held; this driver releases them.
    lines : mapping
        Output to its line.
    where : str
        The chip's name, for sentences.
    """

    def __init__(
        self, request: gpiod.LineRequest, *, lines: Mapping[str, int | str], where: str
    ) -> None:
        self._request = request
        self._lines = lines
        self._where = where

    def switch(self, output: str, *, on: bool) -> None:
        """Set the line of an output."""
        try:
            self._request.set_value(self._lines[output], Value.ACTIVE if on else Value.INACTIVE)
        except _FAILURES as error:
            raise BusError(
                f"{self._where}: {output} could not be switched ({error.args[-1]}). See whether it "
                "is off, and check that the chip is still there."
            ) from error

    def close(self) -> None:
        """Switch all off, then let the lines go: some chips hold the level a line had last."""
        for line in self._lines.values():
            with suppress(*_FAILURES, gpiod.RequestReleasedError):
                self._request.set_value(line, Value.INACTIVE)
        with suppress(OSError):
            self._request.release()


def find_chip(chip: str, *, devices: Path = Path("/dev")) -> str:
    """Return the device of a chip that is named by its device or its label.

    Raises
    ------
    BusError
        There is none of this label, or more than one.
    """
    if chip.startswith("/"):
        return chip
    labels: dict[str, str] = {}
    for device in sorted(devices.glob("gpiochip*")):
        with suppress(OSError), gpiod.Chip(str(device)) as found:
            labels[str(device)] = found.get_info().label
    alike = [device for device, label in labels.items() if label == chip]
    if len(alike) == 1:
        return alike[0]
    there = ", ".join(f"{label} ({device})" for device, label in labels.items()) or "none"
    which = f"{len(alike)} GPIO chips have" if alike else "no GPIO chip has"
    raise BusError(
        f"{which} the label {chip!r}; there are: {there}. Name one of them in the rig file, by its "
        "device if need be, and check that this user belongs to the group gpio."
    )


# Behind I2C or USB a line is read by a thread that may sleep, and Linux (6.1 at least) debounces in
# an interrupt only: EINVAL. An expander whose interrupt wire is not connected has no edges: ENXIO.
_WAYS = (Way(True, True), Way(False, True), Way(False, False))
_NOT_THIS_WAY = (errno.EINVAL, errno.ENXIO, errno.EOPNOTSUPP)


def _request(
    chip: str, *, addresses: dict[str, Address], debounce: float
) -> tuple[gpiod.LineRequest, Way]:
    """Take the lines in the best way the chip has."""
    for way in _WAYS:
        config: Config = {
            address.line: _settings(address, way, debounce) for address in addresses.values()
        }
        try:
            request = gpiod.request_lines(
                chip, config=config, consumer=_WHO, event_buffer_size=BUFFER
            )
        except _FAILURES as error:
            if way is _WAYS[-1] or error.args[0] not in _NOT_THIS_WAY:
                raise
        else:
            return request, way
    raise AssertionError("the last way returns or raises")


def _settings(address: Address, way: Way, debounce: float) -> gpiod.LineSettings:
    edges = Edge.RISING if address.pulses else Edge.BOTH
    wait = (PRESS if address.press else debounce) if way.debounce and not address.pulses else 0
    return gpiod.LineSettings(
        direction=Direction.INPUT,
        edge_detection=edges if way.edges else Edge.NONE,
        bias=_BIAS[address.bias],
        active_low=address.active == "low",
        debounce_period=timedelta(seconds=wait),
        event_clock=Clock.MONOTONIC,
    )


def open_bus(settings: BusSettings) -> Lines:
    """Take the lines for this process alone. See `longsoak.driver.BusKind.open_bus`.

    Raises
    ------
    BusError
        There is no such chip or line, no permission, or another program holds a line.
    """
    options = Options.model_validate(dict(settings.options))
    addresses = {c.probe: Address.model_validate(dict(c.address)) for c in settings.channels}
    chip = find_chip(options.chip)
    named = [str(address.line) for address in addresses.values()]
    lines = f"line{'' if len(named) == 1 else 's'} {', '.join(named)}"
    try:
        request, way = _request(chip, addresses=addresses, debounce=options.debounce)
    except FileNotFoundError as error:
        raise BusError(
            f"{chip}: there is no such chip, or it has no "
            f"{lines} ({error.strerror}). Compare with what the command "
            "gpioinfo lists."
        ) from error
    except PermissionError as error:
        raise BusError(
            f"{chip}: this user may not use it. Add the user to the group that owns it (gpio on "
            "a Raspberry Pi) and log in again."
        ) from error
    except _FAILURES as error:
        raise BusError(
            f"{chip}: its {lines} can't be taken ({error.args[-1]}). Another program may "
            "hold one, or the chip has no such line or bias: gpioinfo tells."
        ) from error
    if any(address.pulses for address in addresses.values()) and not way.edges:
        request.release()
        raise BusError(
            f"{chip}: it tells no edges, so pulses can't be counted on it. Put the flow meter on "
            "another chip, or connect this one's interrupt wire."
        )
    try:
        outputs = _outputs(settings.switches, chip=chip)
    except _FAILURES as error:
        request.release()
        lines = ", ".join(switch.output for switch in settings.switches)
        raise BusError(
            f"{chip}: the lines of {lines} can't be taken as outputs ({error.args[-1]}). Another "
            "program may hold one, or the chip has no such line: gpioinfo tells."
        ) from error
    return Lines(
        request,
        outputs=outputs,
        addresses=addresses,
        where=chip,
        way=way,
        debounce=options.debounce,
    )


def _outputs(switches: Sequence[Switch], *, chip: str) -> Outputs | None:
    if not switches:
        return None
    found = {s.output: OutputAddress.model_validate(dict(s.address)) for s in switches}
    config: Config = {
        address.line: gpiod.LineSettings(
            direction=Direction.OUTPUT,
            active_low=address.active == "low",
            output_value=Value.INACTIVE,
        )
        for address in found.values()
    }
    lines = {output: address.line for output, address in found.items()}
    return Outputs(gpiod.request_lines(chip, config=config, consumer=_WHO), lines=lines, where=chip)
