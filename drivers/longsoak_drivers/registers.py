"""What the rig file says of Modbus devices: their port, and where a probe is on the bus.

Kept apart from the asking, so that reading a rig file does not load pymodbus.
"""

from typing import Literal, NamedTuple, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from longsoak_drivers.transport.port import Parity
from longsoak_drivers.transport.wire import Wire

RegisterType = Literal[
    "int16", "uint16", "int32", "uint32", "float32", "int64", "uint64", "float64"
]

# How many registers a number of each type takes.
WIDTHS: dict[RegisterType, int] = {
    "int16": 1,
    "uint16": 1,
    "int32": 2,
    "uint32": 2,
    "float32": 2,
    "int64": 4,
    "uint64": 4,
    "float64": 4,
}


class Options(Wire):
    """What a ``[[buses]]`` table with ``driver = "modbus"`` may say."""

    baud: int = Field(default=9600, ge=300, le=4_000_000, description="Speed in bit/s")
    parity: Parity = Field(default="N", description="N, E or O, as all devices on the bus have it")
    stopbits: Literal[1, 2] = Field(default=1, description="Stop bits, 1 or 2")
    timeout: float = Field(
        default=0.5,
        ge=0.05,
        le=60,
        allow_inf_nan=False,
        description="Longest wait for an answer, in s",
    )
    retries: int = Field(
        default=1, ge=0, le=10, description="How often a silent device is asked again"
    )


class Address(BaseModel):
    """Where a probe is: a device, and one register, discrete input or coil of it.

    Numbers count from 0, as they go over the wire. A manual that says 40001 or 30001 means 0.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    device: int = Field(ge=1, le=247, description="Number of the device on the bus", examples=[1])
    input: int | None = Field(
        default=None, ge=0, le=65535, description="Input register (function 4)", examples=[0]
    )
    holding: int | None = Field(
        default=None, ge=0, le=65535, description="Holding register (function 3)", examples=[0]
    )
    discrete: int | None = Field(
        default=None, ge=0, le=65535, description="Discrete input (function 2)", examples=[0]
    )
    coil: int | None = Field(
        default=None, ge=0, le=65535, description="Coil (function 1)", examples=[0]
    )
    type: RegisterType = Field(
        default="int16",
        description="How the register holds its number; 32 bits are two registers, 64 are four",
    )
    word_order: Literal["big", "little"] = Field(
        default="big",
        description="Which of several registers comes first: the highest (big) or the lowest",
    )
    scale: float = Field(
        default=1.0, allow_inf_nan=False, description="What the register's number is multiplied by"
    )
    offset: float = Field(
        default=0.0, allow_inf_nan=False, description="What is added to that product"
    )

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        places = (self.input, self.holding, self.discrete, self.coil)
        if sum(place is not None for place in places) != 1:
            raise ValueError("expected exactly one of input, holding, discrete and coil")
        if self.scale == 0:
            raise ValueError("scale is 0, which would make every reading 0")
        one_bit = self.discrete is not None or self.coil is not None
        number = (self.type, self.word_order, self.scale, self.offset)
        if one_bit and number != ("int16", "big", 1.0, 0.0):
            raise ValueError(
                "type, word_order, scale and offset belong to registers, not to single bits"
            )
        first = self.question.first
        if first + self.question.amount > 65536:
            raise ValueError(
                f"register {first} is too near the end for {self.type}, which takes "
                f"{self.question.amount} registers; the last is 65535"
            )
        return self

    @property
    def question(self) -> "Question":
        """What goes over the wire."""
        wide = WIDTHS[self.type]
        if self.input is not None:
            return Question(4, self.input, wide)
        if self.holding is not None:
            return Question(3, self.holding, wide)
        if self.discrete is not None:
            return Question(2, self.discrete, 1)
        return Question(1, self.coil or 0, 1)


class Question(NamedTuple):
    """Function code, first number, and how many registers or bits."""

    function: int
    first: int
    amount: int
