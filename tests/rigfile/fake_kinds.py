"""Driver kinds with models only, for rig files that are read but never run."""

from enum import StrEnum
from pathlib import Path
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from longsoak.driver import BusDriver, BusKind, BusSettings
from longsoak.vocabulary.errors import BusError, DriverError

HERE = Path(__file__).parent


class Strict(BaseModel):
    """As drivers set up theirs."""

    model_config = ConfigDict(extra="forbid", strict=True)


class SerialPort(Strict):
    """Options of a bus on a serial port."""

    port: str = Field(
        description="Serial port, by its name", examples=["/dev/serial/by-id/usb-meter"]
    )
    baud: Literal[9600, 19200] = 9600
    timeout: float = Field(1.0, gt=0, le=60, description="Longest wait for an answer in s")


class Card(Strict):
    """A channel of a scanner card."""

    channel: int = Field(ge=101, le=140, description="Channel of the scanner card")


class Order(StrEnum):
    """Which half comes first."""

    BIG = "big"
    LITTLE = "little"


class Register(Strict):
    """A register or a discrete input of a device."""

    device: int = Field(ge=1, le=247)
    input: int | None = Field(None, ge=0)
    discrete: int | None = Field(None, ge=0)
    scale: float = 1.0
    order: Order = Field(Order.BIG, strict=False)

    @model_validator(mode="after")
    def _one_of_the_two(self) -> Self:
        if (self.input is None) == (self.discrete is None):
            raise ValueError("expected exactly one of input and discrete")
        return self


class Folder(Strict):
    """Options of a bus that is a folder of files."""

    device: str = Field(pattern="^[a-z0-9]+$", description="Name of the converter")


class Divider(Strict):
    """Part of an address, a table of its own."""

    resistor: float = Field(gt=0)


class Input(Strict):
    """An input of a converter."""

    channel: str
    divider: Divider | None = None


class Kind:
    """A driver module, as far as a rig file needs one."""

    def __init__(self, options: type[BaseModel], address: type[BaseModel]) -> None:
        self._options, self._address = options, address

    @property
    def Options(self) -> type[BaseModel]:  # noqa: N802 - as the contract has it
        """Checks a bus."""
        return self._options

    @property
    def Address(self) -> type[BaseModel]:  # noqa: N802 - as the contract has it
        """Checks an address."""
        return self._address

    def open_bus(self, settings: BusSettings) -> BusDriver:
        """Refuse: nothing is wired to it."""
        raise BusError(f"{settings.name} is not there")


KINDS: dict[str, BusKind] = {
    "card": Kind(SerialPort, Card),
    "registers": Kind(SerialPort, Register),
    "converter": Kind(Folder, Input),
}


def find_kind(name: str) -> BusKind:
    """Find one of the kinds above."""
    if name not in KINDS:
        raise DriverError(f"there is no driver {name!r}; installed: {', '.join(sorted(KINDS))}.")
    return KINDS[name]
