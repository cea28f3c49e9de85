"""A TCP connection as a `ByteStream`: every wait limited, every failure one `BusError`."""

import errno
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from serial.serialutil import Timeout

from longsoak.vocabulary.errors import BusError

ADDRESS = r"^([A-Za-z0-9._-]{1,253}|\[[0-9A-Fa-f:.]{2,45}\]):[0-9]{1,5}$"
CONNECT = 5.0  # s; a device on the shop's own network answers in milliseconds

_CANNOT_CONNECT = {
    errno.ECONNREFUSED: "it is there, but nothing listens at this port. Check the port, and that "
    "no other program is connected: many instruments take one only",
    errno.EHOSTUNREACH: "nothing is there. Check its cable, its supply and its address",
    errno.ENETUNREACH: "this computer has no way to that network. Check its own cable and address",
    errno.ETIMEDOUT: "it did not answer. Check its cable, its supply and its address",
}


def split(address: str) -> tuple[str, int]:
    """Host and port of an address such as ``192.168.1.20:5025`` or ``[fe80::1]:502``.

    Raises
    ------
    ValueError
        The port is not 1 to 65535.
    """
    host, _, port = address.rpartition(":")
    if not 1 <= int(port) <= 65535:
        raise ValueError(f"expected a port from 1 to 65535 in tcp, not {port}")
    return host.strip("[]"), int(port)


class TcpStream:
    """One open connection. Satisfies `longsoak_drivers.transport.stream.ByteStream`.

    Parameters
    ----------
    address : str
        Host and port, as `split` takes them.
    timeout : float
        Longest time for a whole answer, and for sending a whole question, s.

    Raises
    ------
    BusError
        No connection can be made now.
    """

    def __init__(self, address: str, *, timeout: float) -> None:
        self._address = address
        self._timeout = timeout
        self._waiting = bytearray()
        try:
            self._socket = socket.create_connection(split(address), timeout=CONNECT)
        except socket.gaierror as error:
            raise BusError(
                f"{address}: the name is not known ({error.strerror}). Check it, or write the "
                "device's number in its place."
            ) from error
        except TimeoutError as error:
            raise BusError(
                f"{address}: can't be reached: {_CANNOT_CONNECT[errno.ETIMEDOUT]}."
            ) from error
        except OSError as error:
            why = _CANNOT_CONNECT.get(error.errno or 0, str(error))
            raise BusError(f"{address}: can't be reached: {why}.") from error
        # A peer that lost its supply says nothing; without this its silence could last for days.
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def write(self, data: bytes) -> None:
        """Send all of `data`. See `ByteStream.write`."""
        with self._told("writing"):
            self._socket.settimeout(self._timeout)
            self._socket.sendall(data)

    def read_until(self, end: bytes, *, limit: int) -> bytes:
        """Read through `end` or `limit` bytes. See `ByteStream.read_until`."""
        time = Timeout(self._timeout)
        while (found := self._waiting.find(end, 0, limit)) < 0 and len(self._waiting) < limit:
            left = time.time_left()
            if left <= 0 or not self._receive(left):
                break
        size = min(limit, found + len(end) if found >= 0 else len(self._waiting))
        return self._take(size)

    def read_some(self, *, within: float) -> bytes:
        """Wait for bytes, at most `within` s, and take all that came."""
        if not self._waiting:
            self._receive(within)
        return self._take(len(self._waiting))

    def drain(self, *, quiet: float, longest: float) -> None:
        """Throw away what comes until the line is quiet. See `ByteStream.drain`."""
        time = Timeout(longest)
        while (left := time.time_left()) > 0:
            if not self.read_some(within=min(quiet, left)):
                return

    def close(self) -> None:
        """Close the connection. Safe to call twice, and after a `BusError`."""
        with suppress(OSError):
            self._socket.close()

    def _receive(self, within: float) -> bool:
        """Wait for bytes and keep them; whether any came."""
        with self._told("reading"):
            self._socket.settimeout(max(within, 0.001))  # 0 would mean not to wait at all
            try:
                got = self._socket.recv(65536)
            except TimeoutError:
                return False
            if not got:
                raise ConnectionResetError("the other end closed the connection")
        self._waiting += got
        return True

    def _take(self, size: int) -> bytes:
        taken = bytes(self._waiting[:size])
        del self._waiting[:size]
        return taken

    @contextmanager
    def _told(self, doing: str) -> Iterator[None]:
        try:
            yield
        except TimeoutError as error:
            raise BusError(
                f"{self._address}: {doing} failed: nothing was taken for {self._timeout:g} s. "
                "Check the device and its cable."
            ) from error
        except OSError as error:
            raise BusError(
                f"{self._address}: {doing} failed ({error}). Check the device's supply and cable, "
                "and that no other program is connected to it."
            ) from error
