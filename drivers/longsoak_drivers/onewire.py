"""1-Wire thermometers through the kernel's files: one folder per thermometer, `w1_slave` in it.

Reading the file makes the kernel start a conversion and wait for it, up to about 0.8 s. It holds
the nine bytes of the thermometer's memory twice, the kernel's verdict on their checksum, and the
temperature in thousandths of a degree::

    50 05 4b 46 7f ff 0c 10 1c : crc=1c YES
    50 05 4b 46 7f ff 0c 10 1c t=85000

85 degC is what a thermometer holds that lost its supply while converting, 127.937 degC what one
with too little supply holds. Both could be true; but the seventh byte of the memory, which counts
down in a conversion, then still holds 0c as after power-up, and so tells them apart (Linux,
Documentation/w1/slaves/w1_therm.rst). Such a thermometer is read once more, for a supply may come
back; a true 85 degC stays a value.
"""

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from longsoak.driver import BusSettings
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers.transport.kernelfile import read_bytes
from longsoak_drivers.transport.quoting import quoted

_FILE = re.compile(
    r"(?P<memory>([0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (?P<verdict>YES|NO)\n"
    r"([0-9a-f]{2} ){9}t=(?P<millidegrees>-?\d{1,6})\s*",
    re.ASCII,
)


_POWER_UP = {85_000: "85", 127_937: "127.94"}  # thousandths of a degree, and as people know it
_NOT_CONVERTED = 0x0C  # in the seventh byte of the memory


class Options(BaseModel):
    """What a ``[[buses]]`` table with ``driver = "onewire"`` may say."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    root: Path = Field(
        default=Path("/sys/bus/w1/devices"),
        strict=False,  # a TOML string, not a Path
        description="Folder in which the kernel lists the thermometers",
    )


class Address(BaseModel):
    """Where a probe is: the number burned into its thermometer."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    id: str = Field(
        pattern=r"^[0-9a-f]{2}-[0-9a-f]{12}$",
        description="Name of its folder: two digits from 0 to f, a dash, twelve more",
        examples=["28-0316a2795c13"],
    )


def crc8(data: bytes) -> int:
    """Return the 1-Wire checksum: x8 + x5 + x4 + 1, reflected, starting at 0.

    Over data that ends in its own checksum the result is 0. Source: Maxim application note 27,
    second hand.
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x8C if crc & 1 else 0)
    return crc


def decode(content: bytes, *, probe: str) -> Sample | Missing:
    """Turn the content of a `w1_slave` file into degC, or say why it can't be. Never raises."""
    if not content:
        return Missing(
            probe, Absence.NO_ANSWER, "it did not answer the kernel: check its wires and its supply"
        )
    match = _FILE.fullmatch(content.decode("ascii", errors="replace"))
    if not match:
        return Missing(probe, Absence.UNREADABLE, f"{quoted(content)} is not a thermometer's file")
    memory = bytes.fromhex(match["memory"])
    # Looked at again here although the kernel did: it costs nothing, and a tree that isn't the
    # kernel's, or a driver that has changed, would show.
    if match["verdict"] == "NO" or crc8(memory) != 0:
        return Missing(probe, Absence.BAD_CHECKSUM, f"the memory read as {memory.hex(' ')}")
    if not any(memory):
        # The checksum of nothing but zeros is zero, so a shorted line passes it. No thermometer
        # holds this: some bits of its memory are fixed at one.
        return Missing(probe, Absence.UNREADABLE, "all zeros: the data line may be shorted")
    millidegrees = int(match["millidegrees"])
    if millidegrees in _POWER_UP and memory[6] == _NOT_CONVERTED:
        return Missing(
            probe,
            Absence.REFUSED,
            f"it had no supply to convert: its {_POWER_UP[millidegrees]} degC is what it holds "
            f"after power-up ({memory.hex(' ')}). Give it a supply wire of its own",
        )
    return Sample(probe, millidegrees / 1000, "Cel")


class Thermometers:
    """All thermometers under one root.

    Parameters
    ----------
    root : Path
        Folder with one folder per thermometer.
    ids : dict of str to str
        Probe to the thermometer's number.

    Raises
    ------
    BusError
        There is no such folder.
    """

    def __init__(self, root: Path, *, ids: dict[str, str]) -> None:
        self._root = root
        self._ids = ids
        self._check_root()
        self._present = sum((root / name).is_dir() for name in ids.values())

    def poll(self, probes: Sequence[str]) -> Iterator[Sample | Missing]:
        """Read each thermometer once. See `longsoak.driver.BusDriver.poll`."""
        self._check_root()
        for probe in probes:
            yield self._read(probe)

    def describe(self) -> str:
        """Say how many of the thermometers were there."""
        return f"{self._present} of {len(self._ids)} thermometers under {self._root}"

    def close(self) -> None:
        """Nothing is kept open between polls."""

    def _check_root(self) -> None:
        if not self._root.is_dir():
            raise BusError(
                f"{self._root}: there is no such folder, so the kernel knows no 1-Wire bus. Check "
                "that it is switched on (on a Raspberry Pi: dtoverlay=w1-gpio) and restart."
            )

    def _read(self, probe: str) -> Sample | Missing:
        got = self._once(probe)
        if isinstance(got, Missing) and got.why is Absence.REFUSED:
            return self._once(probe)
        return got

    def _once(self, probe: str) -> Sample | Missing:
        name = self._ids[probe]
        try:
            content = read_bytes(self._root / name / "w1_slave")
        except FileNotFoundError:
            return Missing(
                probe,
                Absence.NO_ANSWER,
                f"no thermometer {name} under {self._root}: check its wires and its supply",
            )
        except OSError as error:
            return Missing(probe, Absence.NO_ANSWER, f"reading thermometer {name} failed: {error}")
        return decode(content, probe=probe)


def open_bus(settings: BusSettings) -> Thermometers:
    """Find the kernel's folder. See `longsoak.driver.BusKind.open_bus`.

    Raises
    ------
    BusError
        There is none. A missing thermometer is no reason: its probe says so for itself.
    """
    options = Options.model_validate(dict(settings.options))
    ids = {c.probe: Address.model_validate(dict(c.address)).id for c in settings.channels}
    return Thermometers(options.root, ids=ids)
