"""An instrument on a serial port: a pseudo-terminal, and a link to it as in /dev/serial/by-id."""

import fcntl
import os
import select
import tty
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory

from longsoak.testing.bench import Mischief
from longsoak.testing.wirebench import WireBench

_QUICK = 0.005  # s a thief watches for what was sent just now


class SerialBench(WireBench):
    """A bench whose driver has an option ``port``. Parameters as those of `WireBench`."""

    _path: Path
    _folder: "TemporaryDirectory[str] | None" = None
    _far = _near = -1  # the two ends; the near one is held so that the device outlives its owners
    _other: int | None = None  # another program's handle
    _spares: tuple[int, ...] = ()
    _device = ""

    def occupy(self) -> bool:
        """Open the port and lock it, as most programs do (flock); whether it was to be had."""
        self._other = os.open(self._path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            fcntl.flock(self._other, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self.vacate()
            return False
        return True

    def vacate(self) -> None:
        """See `Bench.vacate`."""
        if self._other is not None:
            os.close(self._other)
            self._other = None

    def _way(self) -> Mapping[str, object]:
        return {"port": str(self._path)}

    def _plug(self, *, renamed: bool) -> None:
        if self._folder is None:
            self._folder = TemporaryDirectory(prefix="bench-")
            self._path = Path(self._folder.name) / "port"
        far, near = os.openpty()
        if renamed and os.ttyname(near) == self._device:
            self._spares = (far, near)  # held, so that its name is taken
            far, near = os.openpty()
        tty.setraw(near)
        for handle in (far, near):
            os.set_blocking(handle, False)
        self._far, self._near, self._device = far, near, os.ttyname(near)
        self._path.symlink_to(self._device)

    def _unplug(self) -> None:
        self._path.unlink(missing_ok=True)
        for handle in (self._far, self._near):
            with suppress(OSError):
                os.close(handle)
        self._far = self._near = -1

    def _clear(self) -> None:
        self.vacate()
        for handle in self._spares:
            os.close(handle)
        self._spares = ()
        if self._folder is not None:
            self._folder.cleanup()

    def _sources(self) -> list[int]:
        if self._far < 0:
            return []
        return [self._far, self._near] if self._mischief is Mischief.THEFT else [self._far]

    def _take(self, source: int) -> bytes:
        if source == self._near:
            self._steal()
            return b""
        return os.read(source, 4096)

    def _steal(self) -> None:
        with suppress(BlockingIOError):  # the owner was quicker
            self._taken += len(os.read(self._near, 4096))

    def _send(self, data: bytes) -> None:
        with suppress(BlockingIOError):  # nobody reads, and the kernel has enough
            os.write(self._far, data)
        if self._mischief is Mischief.THEFT and select.select([self._near], [], [], _QUICK)[0]:
            self._steal()
