"""Humidity, temperature, voltage and current from chips with a Linux hwmon driver.

The kernel lists its chips as ``hwmon0``, ``hwmon1``...; each has a file ``name``, a link ``device``
to where it sits (an I2C chip: ``1-0044``, bus and address), and a file per channel in thousandths
of a unit (Linux, Documentation/hwmon/sysfs-interface.rst)::

    temp1_input      21500   thousandths of a degree Celsius
    humidity1_input  64250   thousandths of a per cent
    in1_input         1234   mV
    curr1_input        350   mA

A chip is found by its name, and by its seat where two share one; never by its number, which
follows the order in which the chips were found at this boot.
"""

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from longsoak.driver import BusSettings
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers.transport.kernelfile import read_bytes

# What a channel's number counts in, and how many of those make the unit of its sample.
_UNITS = {"temp": ("Cel", 1000), "humidity": ("%", 1000), "in": ("mV", 1), "curr": ("mA", 1)}

_NUMBER = re.compile(rb"\s*-?\d{1,9}\s*")


class Options(BaseModel):
    """What a ``[[buses]]`` table with ``driver = "hwmon"`` may say."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    root: Path = Field(
        default=Path("/sys/class/hwmon"),
        strict=False,  # a TOML string, not a Path
        description="Folder in which the kernel lists its chips",
    )


class Address(BaseModel):
    """Where a probe is: a chip, and one channel of it."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    chip: str = Field(
        pattern=r"^[!-~]{1,64}$",
        description='The chip\'s name, as its file "name" gives it',
        examples=["sht3x"],
    )
    seat: str | None = Field(
        default=None,
        pattern=r"^[!-.0-~]{1,64}$",
        description="Where it sits, if two share the name: the last part of its link device",
        examples=["1-0044"],
    )
    channel: str = Field(
        pattern=r"^(temp|humidity|in|curr)[0-9]{1,3}$",
        description="Channel as the kernel names it: temp1, humidity1, in1, curr1",
        examples=["humidity1"],
    )

    @property
    def words(self) -> str:
        """The chip as a sentence names it."""
        return self.chip if self.seat is None else f"{self.chip} at {self.seat}"


def decode(content: bytes, *, channel: str, probe: str) -> Sample | Missing:
    """Turn the content of a channel's file into Cel, %, mV or mA. Never raises.

    Parameters
    ----------
    content : bytes
        What the file held.
    channel : str
        Its channel, such as "temp1".
    probe : str
        The probe that is read.
    """
    if not _NUMBER.fullmatch(content):
        return Missing(
            probe, Absence.UNREADABLE, f"{channel} holds {content[:40]!r}, not a whole number"
        )
    unit, parts = _UNITS[channel.rstrip("0123456789")]
    return Sample(probe, int(content) / parts, unit)


class Chips:
    """All chips under one root.

    Parameters
    ----------
    root : Path
        Folder in which they are listed.
    addresses : dict
        Probe to its address.

    Raises
    ------
    BusError
        There is no such folder.
    """

    def __init__(self, root: Path, *, addresses: dict[str, Address]) -> None:
        self._root = root
        self._addresses = addresses
        there = self._listed()
        wanted = {(a.chip, a.seat) for a in addresses.values()}
        self._found = sum(
            any(name == chip and seat in (None, sits) for _, name, sits in there)
            for chip, seat in wanted
        )
        self._wanted = len(wanted)

    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        """Read each channel once. See `longsoak.driver.BusDriver.poll`."""
        # Listed anew each time: a chip that went and came has another number.
        there = self._listed()
        for probe in probes:
            yield self._read(probe, there)

    def describe(self) -> str:
        """Say how many of the chips were there."""
        return f"{self._found} of {self._wanted} chips under {self._root}"

    def close(self) -> None:
        """Nothing is kept open between polls."""

    def _listed(self) -> list[tuple[Path, str, str]]:
        """Folder, name and seat of each chip.

        Raises
        ------
        BusError
            There is no folder to list them.
        """
        try:
            folders = sorted(self._root.iterdir())
        except OSError as error:
            raise BusError(
                f"{self._root}: it can't be listed ({error.strerror}), so the kernel knows no "
                "chip. Check that a driver for it is loaded (on a Raspberry Pi: a dtoverlay line, "
                "i2c-sensor for many) and restart."
            ) from error
        found = []
        for folder in folders:
            try:
                name = read_bytes(folder / "name").decode("ascii", errors="replace").strip()
            except OSError:  # it went away between listing and reading, or the kernel hangs
                continue
            found.append((folder, name, _seat(folder)))
        return found

    def _read(self, probe: str, there: list[tuple[Path, str, str]]) -> Sample | Missing:
        address = self._addresses[probe]
        alike = [
            (folder, sits)
            for folder, name, sits in there
            if name == address.chip and address.seat in (None, sits)
        ]
        if len(alike) > 1:
            seats = ", ".join(sits for _, sits in alike)
            return Missing(
                probe,
                Absence.NO_ANSWER,
                f"{len(alike)} chips are called {address.chip}, at {seats}: say which is meant "
                "with seat in the probe's address",
            )
        if not alike:
            names = ", ".join(f"{name} at {sits}" for _, name, sits in there) or "none"
            return Missing(
                probe,
                Absence.NO_ANSWER,
                f"no chip {address.words}; there are: {names}. Check its wires and its supply",
            )
        return self._channel(probe, address, alike[0][0])

    def _channel(self, probe: str, address: Address, folder: Path) -> Sample | Missing:
        fault = folder / f"{address.channel}_fault"
        try:
            if fault.exists() and read_bytes(fault).strip() not in (b"0", b""):
                return Missing(
                    probe,
                    Absence.REFUSED,
                    f"{address.words} reports a fault of its sensor at {address.channel}",
                )
            content = read_bytes(folder / f"{address.channel}_input")
        except FileNotFoundError:
            if not (folder / "name").exists():
                return Missing(
                    probe,
                    Absence.NO_ANSWER,
                    f"{address.words} went away while it was read: check its wires and its supply",
                )
            return Missing(
                probe, Absence.NO_ANSWER, f"{address.words} has no channel {address.channel}"
            )
        except OSError as error:
            return Missing(
                probe, Absence.NO_ANSWER, f"reading {address.words} {address.channel}: {error}"
            )
        return decode(content, channel=address.channel, probe=probe)


def _seat(folder: Path) -> str:
    """Where a chip sits. One that is about to go has lost the link that tells."""
    try:
        # Read, not followed: on its way through the tree that may fail, or end anywhere.
        return (folder / "device").readlink().name
    except OSError:
        return "no seat"


def open_bus(settings: BusSettings) -> Chips:
    """Find the kernel's folder. See `longsoak.driver.BusKind.open_bus`.

    Raises
    ------
    BusError
        There is none. A missing chip is no reason: its probes say so for themselves.
    """
    options = Options.model_validate(dict(settings.options))
    addresses = {c.probe: Address.model_validate(dict(c.address)) for c in settings.channels}
    return Chips(options.root, addresses=addresses)
