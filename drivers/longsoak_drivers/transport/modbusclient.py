"""pymodbus's clients for Modbus RTU and Modbus TCP, on a port of ours."""

import logging

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.client.base import ModbusBaseSyncClient
from pymodbus.exceptions import ModbusIOException
from pymodbus.pdu.bit_message import ReadCoilsResponse
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse

from longsoak_drivers.transport.stream import ByteStream

# pymodbus logs every silence as an error. A dead sensor is told as a missing reading already; in
# the log it would be a line a poll, for months.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)


def _check(data: bytes, *, each: int) -> None:
    """See that an answer holds the bytes it counts, `each` of them a value.

    pymodbus drops what is too many: over the network, where no checksum covers the count, an
    answer that is not what it says would pass.
    """
    if data[0] != len(data) - 1 or data[0] % each:
        raise ModbusIOException(f"{len(data) - 1} bytes came, counted as {data[0]}")


class _Holding(ReadHoldingRegistersResponse):
    """An answer with registers."""

    def decode(self, data: bytes) -> None:
        """Take the registers; a `ModbusIOException` if they are not whole."""
        _check(data, each=2)
        super().decode(data)


class _Input(_Holding):
    """The same from input registers."""

    function_code = 4


class _Coils(ReadCoilsResponse):
    """An answer with bits."""

    def decode(self, data: bytes) -> None:
        """Take the bits; a `ModbusIOException` if they are not what is counted."""
        _check(data, each=1)
        super().decode(data)


class _Discrete(_Coils):
    """The same from discrete inputs."""

    function_code = 2


_NEVER = 10**9  # silences until pymodbus hangs up by itself: a dead device is no dead line


class _OverStream:
    """pymodbus's framing, checksum and requests over a `ByteStream`.

    pymodbus's own port hides why an open failed, opens it again by itself, and waits on the wall
    clock: set back by an hour, a silent device would hold the bus for that hour.

    Attributes
    ----------
    heard : bytes
        All that came since the last request, frame or not.
    """

    heard = b""

    _port: ByteStream
    _within: float

    def connect(self) -> bool:
        """Say that the port is open; a `BusError` tells when it isn't."""
        return True

    def close(self) -> None:
        """Close the port."""
        self._port.close()

    def send(self, request: bytes, addr: tuple[object, ...] | None = None) -> int:
        """Send one request. See `ByteStream.write`."""
        self.heard = b""
        self._port.write(request)
        return len(request)

    def recv(self, size: int | None) -> bytes:
        """Wait for bytes and take what came. See `ByteStream.read_some`."""
        data = self._port.read_some(within=self._within)
        self.heard += data
        return data


def _settle(client: ModbusBaseSyncClient) -> None:
    for answer in (_Coils, _Discrete, _Holding, _Input):
        client.framer.decoder.register(answer)
    client.transaction.max_until_disconnect = client.transaction.count_until_disconnect = _NEVER


class RtuClient(_OverStream, ModbusSerialClient):
    """Modbus RTU. See `_OverStream`.

    Parameters
    ----------
    port : ByteStream
        The open port; `close` closes it.
    timeout : float
        Longest wait for an answer, s.
    """

    def __init__(self, port: ByteStream, *, timeout: float) -> None:
        # The name is for its log only. Asking again is left to the driver, which drains between.
        super().__init__("bus", timeout=timeout, retries=0)
        self._port, self._within = port, timeout
        _settle(self)


class TcpClient(_OverStream, ModbusTcpClient):
    """Modbus TCP. See `RtuClient`.

    Each question has a number that its answer repeats, so a late answer is known for one.
    """

    def __init__(self, port: ByteStream, *, timeout: float) -> None:
        super().__init__("bus", timeout=timeout, retries=0)
        self._port, self._within = port, timeout
        _settle(self)
