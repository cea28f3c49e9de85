"""A serial port that isn't there: a pseudo-terminal behind a link with a steady name."""

import asyncio
import errno
import os
import tty
from collections.abc import Callable
from pathlib import Path

_CHUNK = 4096


class PtyPort:
    """One end of a wire; the other end is whatever opens `link`.

    Parameters
    ----------
    link : Path
        The name the port goes by while it is plugged in.
    heard : callable
        Called in the event loop with the bytes that came.
    """

    def __init__(self, link: Path, heard: Callable[[bytes], None]) -> None:
        self._link = link
        self._heard = heard
        self._ends: tuple[int, int] | None = None

    def plug(self) -> None:
        """Bring the port into being and link to it. The event loop must be running."""
        if self._ends is not None:
            return
        near, far = os.openpty()
        # Raw, or the terminal would echo questions and turn line ends over.
        tty.setraw(far)
        os.set_blocking(near, False)
        # The far end stays open here: closing the last one would hang up the line, so that a
        # program that closes and opens the port again would find it dead.
        self._ends = near, far
        draft = self._link.with_name(self._link.name + ".new")
        draft.unlink(missing_ok=True)
        draft.symlink_to(os.ttyname(far))
        draft.replace(self._link)
        asyncio.get_running_loop().add_reader(near, self._read)

    def unplug(self) -> None:
        """Pull the plug: the link goes, and whoever has the port open gets an error."""
        if self._ends is None:
            return
        near, far = self._ends
        self._ends = None
        asyncio.get_running_loop().remove_reader(near)
        self._link.unlink(missing_ok=True)
        os.close(near)
        os.close(far)

    def send(self, data: bytes) -> None:
        """Put `data` on the wire. Nobody reading is no error: the bytes are lost, as on a wire."""
        if self._ends is None:
            return
        try:
            os.write(self._ends[0], data)
        except BlockingIOError:
            return

    def _read(self) -> None:
        if self._ends is None:
            return
        try:
            data = os.read(self._ends[0], _CHUNK)
        except OSError as error:
            if error.errno in (errno.EAGAIN, errno.EIO):
                return
            raise
        self._heard(data)


class LineAssembler:
    """Cuts what comes over a wire into lines, and throws away what grows too long for one."""

    def __init__(self, longest: int = 256) -> None:
        self._longest = longest
        self._rest = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes in, give whole lines out, without their ends."""
        *lines, self._rest = (self._rest + data).split(b"\n")
        if len(self._rest) > self._longest:
            self._rest = b""
        return [line.strip() for line in lines]
