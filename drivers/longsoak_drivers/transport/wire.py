"""How a rig file names the way to an instrument: a serial port, or an address on the network."""

from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from longsoak_drivers.transport.port import Parity, Port
from longsoak_drivers.transport.stream import ByteStream
from longsoak_drivers.transport.tcp import ADDRESS, TcpStream, split


class Wire(BaseModel):
    """Either `port`, or `tcp`; the options of a driver that takes both derive from it."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    port: str | None = Field(
        default=None,
        min_length=1,
        description="Serial port, best its name in /dev/serial/by-id",
        examples=["/dev/serial/by-id/usb-meter"],
    )
    tcp: str | None = Field(
        default=None,
        pattern=ADDRESS,
        description="Address of an instrument on the network and its port, in place of a "
        "serial one",
        examples=["192.168.1.20:5025"],
    )

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.port is None) is (self.tcp is None):
            raise ValueError("expected either port (a serial one) or tcp (address:port)")
        if self.tcp is not None:
            split(self.tcp)
            serial_only = {"baud", "parity", "stopbits"} & self.model_fields_set
            if serial_only:
                raise ValueError(
                    f"expected no {min(serial_only)} beside tcp: it belongs to a serial port"
                )
        return self

    @property
    def where(self) -> str:
        """The way, as sentences name it."""
        return self.tcp or self.port or ""

    def opened(
        self,
        *,
        baud: int,
        timeout: float,
        parity: Parity = "N",
        stopbits: Literal[1, 2] = 1,
    ) -> ByteStream:
        """Open it.

        Raises
        ------
        BusError
            It can't be opened now.
        """
        if self.tcp is not None:
            return TcpStream(self.tcp, timeout=timeout)
        return Port(self.where, baud=baud, timeout=timeout, parity=parity, stopbits=stopbits)
