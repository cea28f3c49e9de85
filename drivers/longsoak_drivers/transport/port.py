"""A serial port: opened by one owner only, every wait limited, every failure a `BusError`.

pyserial raises different errors for the same unplugged cable: `SerialException` from reading and
writing, a bare `OSError` from counting what waits, and `termios.error`, which is no `OSError` at
all, from changing a setting. They are turned into one sentence here, once.
"""

import errno
import termios
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Literal

import serial
from serial.serialutil import Timeout

from longsoak.vocabulary.errors import BusError

Parity = Literal["N", "E", "O"]

_CANNOT_OPEN = {
    errno.ENOENT: "there is no such port. Check the cable and the adapter, and compare the name "
    "with the entries under /dev/serial/by-id",
    errno.EACCES: "this user may not open it. Add the user to the group that owns the port "
    "(dialout on Debian) and log in again",
    errno.EAGAIN: "another program holds it. Stop that program, or give this bus another port: "
    "a port has one owner",
    errno.ENOTTY: "it is not a serial port. Check the name",
    errno.EIO: "the device behind it is gone. Check the cable and the adapter",
}
_CANNOT_OPEN[errno.EPERM] = _CANNOT_OPEN[errno.EACCES]
_CANNOT_OPEN[errno.EBUSY] = _CANNOT_OPEN[errno.EAGAIN]
_CANNOT_OPEN[errno.ENXIO] = _CANNOT_OPEN[errno.ENODEV] = _CANNOT_OPEN[errno.EIO]


class Port:
    """One open serial port. Satisfies `longsoak_drivers.transport.stream.ByteStream`.

    Parameters
    ----------
    path : str
        Device name, best one under /dev/serial/by-id, which survives replugging.
    baud : int
        Speed, bit/s.
    timeout : float
        Longest time for a whole answer, and for sending a whole question, s.
    parity, stopbits
        As the device's manual says; most have "N" and 1.

    Raises
    ------
    BusError
        The port can't be opened now: absent, no permission, owned by another program, or it
        doesn't know these settings.
    """

    def __init__(
        self,
        path: str,
        *,
        baud: int,
        timeout: float,
        parity: Parity = "N",
        stopbits: Literal[1, 2] = 1,
    ) -> None:
        self._path = path
        self._timeout = timeout
        try:
            self._serial = serial.Serial(
                path,
                baudrate=baud,
                parity=parity,
                stopbits=stopbits,
                timeout=timeout,
                write_timeout=timeout,
                # An advisory lock: it keeps out every program that asks for one, this one
                # included. Without it two programs would share the bytes of each answer.
                exclusive=True,
            )
        except OSError as error:
            why = _CANNOT_OPEN.get(error.errno or 0, str(error))
            raise BusError(f"{path}: can't be opened: {why}.") from error
        except (termios.error, ValueError) as error:
            raise BusError(
                f"{path}: can't be opened: it refused {baud} bit/s, parity {parity}, "
                f"{stopbits} stop bit(s) ({error}). Check these against the device's manual."
            ) from error

    def write(self, data: bytes) -> None:
        """Send all of `data`. See `ByteStream.write`."""
        with self._told("writing"):
            self._serial.write(data)

    def read_until(self, end: bytes, *, limit: int) -> bytes:
        """Read through `end` or `limit` bytes. See `ByteStream.read_until`.

        pyserial's own `readline` counts its time for each byte anew, so a slow or babbling device
        could hold it for ever; this one counts for the whole answer.
        """
        got = bytearray()
        time = Timeout(self._timeout)
        with self._told("reading"):
            while not got.endswith(end) and len(got) < limit:
                left = time.time_left()
                if left <= 0:
                    break
                self._serial.timeout = left
                got += self._serial.read(1)
        return bytes(got)

    def read_some(self, *, within: float) -> bytes:
        """Wait for bytes, at most `within` s, and take all that came."""
        with self._told("reading"):
            self._serial.timeout = within
            first = self._serial.read(1)
            if not first:
                return b""
            return first + self._serial.read(self._serial.in_waiting)

    def drain(self, *, quiet: float, longest: float) -> None:
        """Throw away what comes until the line is quiet. See `ByteStream.drain`."""
        time = Timeout(longest)
        while (left := time.time_left()) > 0:
            if not self.read_some(within=min(quiet, left)):
                return

    def close(self) -> None:
        """Release the port. Safe to call twice, and after a `BusError`."""
        with suppress(OSError, termios.error):  # the device may be gone; the handle is freed
            self._serial.close()

    @contextmanager
    def _told(self, doing: str) -> Iterator[None]:
        try:
            yield
        except serial.SerialTimeoutException as error:
            raise BusError(
                f"{self._path}: {doing} failed: the port took nothing for {self._timeout:g} s. "
                "Check the adapter, and that no handshake line holds it back."
            ) from error
        except (OSError, termios.error) as error:
            raise BusError(
                f"{self._path}: {doing} failed ({error}). Check the cable and the adapter, and "
                "that no other program reads this port."
            ) from error
