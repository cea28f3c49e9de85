"""Ports with something at the far end, for tests: a pty, and a thread that answers."""

import os
import select
import threading
import tty
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import MappingProxyType

from longsoak.driver import BusSettings, Channel

# What a device does with one question: send bytes, or hold back for some seconds, in turn.
Script = Callable[[bytes], Iterable[bytes | float]]


class Device:
    """A pty at `path`, and a thread that answers what is asked there.

    `path` is a link, as under /dev/serial/by-id, so that a device that was unplugged can come back
    under the same name. A question ends with `end`, or has that many bytes. `heard` holds the
    questions.
    """

    def __init__(self, path: Path, script: Script, *, end: bytes | int = b"\n") -> None:
        self.path = path
        self.heard: list[bytes] = []
        self._script = script
        self._end = end
        self._stop = threading.Event()
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        path.unlink(missing_ok=True)
        path.symlink_to(os.ttyname(self._slave))
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def say(self, data: bytes) -> None:
        """Send bytes nobody asked for."""
        os.write(self._master, data)

    def unplug(self) -> None:
        """Take the device away while its port may still be open. Safe to call twice."""
        self._stop.set()
        self._thread.join(5)
        assert not self._thread.is_alive()
        # Its link goes first, as udev takes it away: the number of a pty that is closed is given
        # to the next one anybody opens, such as a test that runs beside this one.
        self.path.unlink(missing_ok=True)
        for handle in (self._master, self._slave):
            with suppress(OSError):
                os.close(handle)
        self._master = self._slave = -1

    def _run(self) -> None:
        got = bytearray()
        while not self._stop.is_set():
            ready, _, _ = select.select([self._master], [], [], 0.02)
            if not ready:
                continue
            got += os.read(self._master, 1000)
            while (question := self._question(got)) is not None:
                self.heard.append(question)
                self._answer(question)

    def _question(self, got: bytearray) -> bytes | None:
        """Take one whole question out of what came."""
        if isinstance(self._end, int):
            size = skip = self._end
        else:
            size = got.find(self._end)
            skip = size + len(self._end)
        if size < 0 or len(got) < skip:
            return None
        question = bytes(got[:size])
        del got[:skip]
        return question

    def _answer(self, question: bytes) -> None:
        for step in self._script(question):
            if isinstance(step, bytes):
                os.write(self._master, step)
            elif self._stop.wait(step):
                return


@contextmanager
def plugged(path: Path, script: Script, *, end: bytes | int = b"\n") -> Iterator[Device]:
    """Keep a `Device` for the length of a block."""
    device = Device(path, script, end=end)
    try:
        yield device
    finally:
        device.unplug()


class Recorded:
    """A `ByteStream` that holds what a port would have brought: the lowest layer, faked.

    Each question is answered with the next of `answers`; where one is cut short, time ran out.
    """

    def __init__(self, *answers: bytes) -> None:
        self.sent: list[bytes] = []
        self._answers = list(answers)
        self._waiting = b""

    def write(self, data: bytes) -> None:
        """Keep the question, and let its answer come."""
        self.sent.append(data)
        if self._answers:
            self._waiting += self._answers.pop(0)

    def read_until(self, end: bytes, *, limit: int) -> bytes:
        """Take a line, or what there is."""
        found = self._waiting.find(end)
        size = min(limit, found + len(end) if found >= 0 else len(self._waiting))
        got, self._waiting = self._waiting[:size], self._waiting[size:]
        return got

    def read_some(self, *, within: float) -> bytes:
        """Take what there is."""
        got, self._waiting = self._waiting, b""
        return got

    def drain(self, *, quiet: float, longest: float) -> None:
        """Drop what there is."""
        self._waiting = b""

    def close(self) -> None:
        """Drop what there is."""
        self._waiting = b""


def settings(
    channels: dict[str, dict[str, object]], *, unit: str = "Ohm", **options: object
) -> BusSettings:
    """Settings for one bus: probe to address, and the driver's options."""
    plain = {
        key: str(value) if isinstance(value, Path) else value for key, value in options.items()
    }
    # Read-only views, so that a driver that takes only a dict, or writes to it, shows.
    return BusSettings(
        "bus",
        MappingProxyType(plain),
        tuple(
            Channel(probe, unit, MappingProxyType(address)) for probe, address in channels.items()
        ),
    )
