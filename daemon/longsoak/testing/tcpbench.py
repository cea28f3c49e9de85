"""An instrument on the network: a listening socket of this machine, for one driver at a time."""

import socket
from collections.abc import Mapping
from contextlib import suppress

from longsoak.testing.bench import Mischief
from longsoak.testing.wirebench import WireBench

_NETWORK = {
    Mischief.THEFT: "a connection has two ends, so that nobody can read along",
    Mischief.RENAMING: "an address on the network is the same after it came back",
    Mischief.OWNER: "a connection is no lock: whom it serves is up to the instrument",
}


class TcpBench(WireBench):
    """A bench whose driver has an option ``tcp``. Parameters as those of `WireBench`."""

    _door: socket.socket | None = None
    _line: socket.socket | None = None
    _port = 0

    def cannot(self, mischief: Mischief) -> str | None:
        """See `Bench.cannot`."""
        return super().cannot(mischief) or _NETWORK.get(mischief)

    def occupy(self) -> bool:
        """Nobody can: see `Mischief.OWNER` above."""
        return False

    def vacate(self) -> None:
        """Nobody has it."""

    def _way(self) -> Mapping[str, object]:
        return {"tcp": f"127.0.0.1:{self._port}"}

    def _plug(self, *, renamed: bool) -> None:
        self._door = socket.create_server(("127.0.0.1", self._port))
        self._port = self._door.getsockname()[1]

    def _unplug(self) -> None:
        for handle in (self._door, self._line):
            if handle is not None:
                handle.close()
        self._door = self._line = None

    def _clear(self) -> None:
        """Nothing is left of a socket that is closed."""

    def _sources(self) -> list[int]:
        return [handle.fileno() for handle in (self._door, self._line) if handle is not None]

    def _take(self, source: int) -> bytes:
        if self._door is not None and source == self._door.fileno():
            if self._line is not None:
                self._line.close()
            self._line, _ = self._door.accept()
            self._line.setblocking(False)
            self._got.clear()
            return b""
        if self._line is None or source != self._line.fileno():
            return b""
        data = self._line.recv(4096)
        if not data:
            self._line.close()
            self._line = None
        return data

    def _send(self, data: bytes) -> None:
        if self._line is not None:
            with suppress(OSError):  # it has hung up, or it takes nothing
                self._line.send(data)
