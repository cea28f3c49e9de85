"""Voltage channels of an analogue-to-digital converter, through Linux IIO files.

A channel is ``in_voltage0_raw`` times its scale, ``in_voltage0_scale`` or the chip's
``in_voltage_scale``, after adding an offset where there is one; that gives mV (Linux,
Documentation/ABI/testing/sysfs-bus-iio).

With a divider the channel reads pins::

    excitation ---[ pins, R ]---+---[ resistor ]--- ground
                                |
                              input, V

so that R = resistor * (excitation / V - 1). The converter's own input stands beside the resistor:
6 MOhm there make 3.75 MOhm of a resistor of 10 MOhm. With the pins to ground instead, resistor and
pins change places. Where the excitation is measured on a channel of its own, a supply that sags
takes nothing from the result.

At an end of its counts the converter can't tell how far beyond the voltage is; where the rig file
says how far it counts, such a reading is no value.
"""

import re
from collections.abc import Iterator, Sequence
from math import inf, isfinite
from pathlib import Path
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from longsoak.driver import BusSettings
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers.transport.kernelfile import read_bytes

# No current came through the pins. The number is the one SCPI-99 gives to infinity, so that an
# open circuit is the same value whichever bus saw it.
OPEN_CIRCUIT = 9.9e37  # Ohm

CHANNEL = r"^voltage[0-9]{1,3}$"
_NUMBER = re.compile(rb"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*")


class Divider(BaseModel):
    """The fixed half of a voltage divider whose other half is a pair of pins.

    Of `excitation` and `excitation_channel` one is given; `resistance` takes what either says.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    resistor: float = Field(
        gt=0,
        le=1e12,
        allow_inf_nan=False,
        description="From the input to the end where the pins are not, in Ohm",
        examples=[1e6],
    )
    excitation: float | None = Field(
        default=None,
        gt=0,
        le=60,
        allow_inf_nan=False,
        description="Voltage across pins and resistor, in V",
        examples=[5],
    )
    excitation_channel: str | None = Field(
        default=None,
        pattern=CHANNEL,
        description="In place of excitation: the channel that measures it",
        examples=["voltage3"],
    )
    pins_to: Literal["supply", "ground"] = Field(
        default="supply", description="Where the pins' far end is, supply or ground"
    )
    input_impedance: float = Field(
        default=inf,
        gt=0,
        description="From the converter's input to ground, in Ohm, as its data sheet has it",
        examples=[6e6],
    )

    @model_validator(mode="after")
    def _one_excitation(self) -> Self:
        if (self.excitation is None) is (self.excitation_channel is None):
            raise ValueError("expected either excitation (in V) or excitation_channel")
        return self

    def resistance(self, volts: float, *, excitation: float) -> float:
        """Resistance of the pins in Ohm from the voltage at the input and the excitation, in V.

        No current through the pins is an open circuit; no voltage across them, or less by a
        rounding of the converter, is no resistance at all.
        """
        rest = excitation - volts
        across_pins, across_resistor = (rest, volts) if self.pins_to == "supply" else (volts, rest)
        if across_pins <= 0:
            return 0.0
        if across_resistor <= 0:
            return OPEN_CIRCUIT
        leak = volts / self.input_impedance
        current = across_resistor / self.resistor
        current += leak if self.pins_to == "supply" else -leak
        return min(across_pins / current, OPEN_CIRCUIT) if current > 0 else OPEN_CIRCUIT


class Options(BaseModel):
    """What a ``[[buses]]`` table with ``driver = "iio"`` may say."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    root: Path = Field(
        default=Path("/sys/bus/iio/devices"),
        strict=False,  # a TOML string, not a Path
        description="Folder in which the kernel lists its converters",
    )
    device: str = Field(
        pattern=r"^[!-~]{1,64}$",
        description='The converter\'s name, as its file "name" gives it',
        examples=["ads1015"],
    )
    seat: str | None = Field(
        default=None,
        pattern=r"^[!-.0-~]{1,64}$",
        description="Where it sits, if two share the name: bus and address on I2C",
        examples=["1-0048"],
    )
    highest: int | None = Field(
        default=None,
        gt=0,
        lt=2**32,
        description="Highest count it can give, to tell a voltage beyond its range from one at its "
        "end: 2047 for 12 bits with a sign, 32767 for 16",
        examples=[32767],
    )

    @property
    def words(self) -> str:
        """The converter as a sentence names it."""
        return repr(self.device) + (f" at {self.seat}" if self.seat else "")


class Address(BaseModel):
    """Where a probe is: a channel, and the divider behind which its pins stand."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    channel: str = Field(
        pattern=CHANNEL,
        description="Channel as the kernel names it: voltage and its number",
        examples=["voltage0"],
    )
    divider: Divider | None = Field(
        default=None,
        description="For pins: the fixed half of their divider",
        examples=[{"resistor": 1000000, "excitation": 5}],
    )


def decode(
    raw: bytes, *, scale: bytes, offset: bytes, probe: str, highest: int | None = None
) -> Sample | Missing:
    """Turn the content of a channel's files into mV. Never raises.

    Parameters
    ----------
    raw, scale, offset : bytes
        Content of the three files; the product is in mV.
    probe : str
        The probe that is read.
    highest : int or None
        Highest count the converter can give; its lowest is one beyond the same below zero.
    """
    files = {"raw": raw, "scale": scale, "offset": offset}
    numbers = []
    for name, content in files.items():
        if not _NUMBER.fullmatch(content) or not isfinite(number := float(content)):
            return Missing(
                probe, Absence.UNREADABLE, f"its {name} file holds {content[:40]!r}, not a number"
            )
        numbers.append(number)
    if highest is not None and not -highest - 1 < numbers[0] < highest:
        return Missing(
            probe,
            Absence.UNREADABLE,
            f"its input is beyond its range: it counted {numbers[0]:.0f}, an end of its "
            f"{-highest - 1} to {highest}. Give the channel a wider range, or the divider another "
            "resistor",
        )
    millivolts = (numbers[0] + numbers[2]) * numbers[1]
    if not isfinite(millivolts):
        return Missing(probe, Absence.UNREADABLE, f"raw and scale make no voltage: {files}")
    return Sample(probe, millivolts, "mV")


def find_device(options: Options) -> Path:
    """Return the folder of the one converter that is meant.

    Never by number: numbers follow the order in which the chips were found at this boot.

    Raises
    ------
    BusError
        There is none, or more than one.
    """
    root = options.root
    if not root.is_dir():
        raise BusError(
            f"{root}: there is no such folder, so the kernel knows no converter. Check that its "
            "driver is loaded (on a Raspberry Pi: a dtoverlay line for the chip) and restart."
        )
    names = {folder: _name(folder) for folder in sorted(root.glob("iio:device*"))}
    found = [
        folder
        for folder, called in names.items()
        if called == options.device and options.seat in (None, _seat(folder))
    ]
    if len(found) > 1:
        raise BusError(
            f"{root}: {len(found)} converters are called {options.device!r}, at "
            f"{', '.join(_seat(folder) for folder in found)}, so it can't be told which is meant. "
            "Say it with seat in the bus's table."
        )
    if not found:
        there = ", ".join(f"{called} at {_seat(folder)}" for folder, called in names.items())
        raise BusError(
            f"{root}: no converter is called {options.words}; there are: {there or 'none'}. Check "
            "its wires and its supply, or the name in the rig file."
        )
    return found[0]


def _seat(folder: Path) -> str:
    """Where a converter sits: its folder is listed by a link into the folder of its chip."""
    try:
        # Read, not followed: on its way through the tree that fails if the chip goes meanwhile.
        return folder.readlink().parent.name
    except OSError:
        return "no seat"


def _name(folder: Path) -> str:
    try:
        return read_bytes(folder / "name").decode("ascii", errors="replace").strip()
    except OSError:  # it went away between listing and reading, or the kernel hangs over it
        return ""


class Converter:
    """One converter, found by name.

    Parameters
    ----------
    folder : Path
        Its folder.
    options : Options
        What it is called.
    addresses : dict
        Probe to its address.
    """

    def __init__(self, folder: Path, *, options: Options, addresses: dict[str, Address]) -> None:
        self._folder = folder
        self._seat = _seat(folder)
        self._options = options
        self._addresses = addresses

    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        """Read each channel once. See `longsoak.driver.BusDriver.poll`."""
        # The name and the seat again, not only the folder: after the chip went and came, the
        # number may belong to another one.
        if (_name(self._folder), _seat(self._folder)) != (self._options.device, self._seat):
            raise BusError(
                f"{self._folder}: the converter {self._options.words} is gone. Check its wires and "
                "its supply."
            )
        for probe in probes:
            yield self._read(probe)

    def describe(self) -> str:
        """Say which converter was found where."""
        return f"converter {self._options.device} at {self._seat}"

    def close(self) -> None:
        """Nothing is kept open between polls."""

    def _read(self, probe: str) -> Sample | Missing:
        address = self._addresses[probe]
        got = self._voltage(probe, address.channel)
        if address.divider is None or isinstance(got, Missing):
            return got
        excitation = address.divider.excitation
        if excitation is None:
            # Right after the pins, so that both saw the same supply.
            measured = self._voltage(probe, address.divider.excitation_channel or "")
            if isinstance(measured, Missing):
                return measured
            excitation = measured.value / 1000
            if excitation <= 0:
                return Missing(
                    probe, Absence.UNREADABLE, f"its excitation measures {excitation:g} V"
                )
        ohms = address.divider.resistance(got.value / 1000, excitation=excitation)
        return Sample(probe, ohms, "Ohm")

    def _voltage(self, probe: str, channel: str) -> Sample | Missing:
        own, shared = f"in_{channel}", "in_voltage"
        try:
            raw = read_bytes(self._folder / f"{own}_raw")
            scale = self._first(f"{own}_scale", f"{shared}_scale")
            offset = self._first(f"{own}_offset", f"{shared}_offset")
        except FileNotFoundError:
            return Missing(
                probe, Absence.NO_ANSWER, f"{self._options.device} has no channel {channel}"
            )
        except OSError as error:
            return Missing(
                probe, Absence.NO_ANSWER, f"reading {self._options.device} {channel}: {error}"
            )
        if scale is None:
            return Missing(
                probe, Absence.UNREADABLE, f"{self._options.device} gives no scale for {channel}"
            )
        return decode(
            raw,
            scale=scale,
            offset=offset or b"0",
            probe=probe,
            highest=self._options.highest,
        )

    def _first(self, *names: str) -> bytes | None:
        for name in names:
            path = self._folder / name
            if path.exists():
                return read_bytes(path)
        return None


def open_bus(settings: BusSettings) -> Converter:
    """Find the converter by its name. See `longsoak.driver.BusKind.open_bus`.

    Raises
    ------
    BusError
        There is none of this name, or several.
    """
    options = Options.model_validate(dict(settings.options))
    addresses = {c.probe: Address.model_validate(dict(c.address)) for c in settings.channels}
    folder = find_device(options)
    return Converter(folder, options=options, addresses=addresses)
