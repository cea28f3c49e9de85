"""What the service manager is told: that it is up, that it lives, and in a sentence how it is.

Source: systemd, sd_notify(3) (read) and sd_watchdog_enabled(3) (from memory): assignments, one a
line, in a datagram to the socket that NOTIFY_SOCKET names, "@" for an abstract one; "WATCHDOG=1"
at half of WATCHDOG_USEC, if WATCHDOG_PID is this process or not there.
"""

import os
import socket
from collections.abc import Mapping
from contextlib import suppress


class ServiceManager:
    """Tells the service manager that started this process; nobody, if none did.

    Parameters
    ----------
    environment : mapping
        As the process was given it.
    """

    def __init__(self, environment: Mapping[str, str]) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = f"\0{address[1:]}" if address.startswith("@") else address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) if address else None
        if self._socket is not None:
            self._socket.setblocking(False)  # a manager that hangs must not hold up measuring
        self._status: str | None = None
        ours = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        usec = environment.get("WATCHDOG_USEC", "")
        self.every = int(usec) / 2e6 if ours and usec.isdigit() and int(usec) else None
        """Seconds between two signs of life that it asks for; None if it asks for none."""

    def tell(self, *assignments: str) -> None:
        """Send assignments such as ``READY=1``; lost if nobody listens."""
        if self._socket is not None:
            with suppress(OSError):
                self._socket.sendto("\n".join(assignments).encode(), self._address)

    def tell_status(self, words: str) -> None:
        """Show a sentence beside the service, if it is another than before."""
        if words != self._status:
            self._status = words
            self.tell(f"STATUS={words}")

    def close(self) -> None:
        """Let go of the socket."""
        if self._socket is not None:
            self._socket.close()
