"""The firmware under MicroPython in a process of its own, behind a pty; a circuit to measure."""

import json
import os
import select
import subprocess
import termios
import tty
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TypedDict, cast

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[1] / "deploy" / "frontend"

# What every test begins with; `circuit.Circuit` says what each is.
USUAL: Mapping[str, object] = {
    "specimens": {"REF": 1.002e6, "SHORT": 0.0},
    "emf": {},
    "leak": 1e12,
    "bias": 0.0,
    "hum": 0.0,
    "mains": 50.0,
    "offset": 0.0,
    "ceiling": 1.0,
    "step": 0.0,
    "stuck": None,
    "cable": 1e-9,
    "grounded": False,
    "cut_after": 0,
}


class Shown(TypedDict):
    """What the circuit has seen since it was last asked to begin anew."""

    faults: list[str]
    energised: dict[str, list[float]]  # name to s driven forward, in reverse, and shorted
    ranges: list[int]
    now: float


class Bench:
    """A front end on a bench: `port` is where its serial port is."""

    def __init__(self, port: Path) -> None:
        self.port = port
        master, self.end = os.openpty()
        tty.setraw(self.end)
        os.set_blocking(master, False)
        port.symlink_to(os.ttyname(self.end))
        wishes, self._wishes = os.pipe()
        self._replies, replies = os.pipe()
        os.set_blocking(wishes, False)
        self.process = subprocess.Popen(
            ["node", HERE / "run.mjs", FIRMWARE, str(wishes), str(replies)],
            stdin=master,
            stdout=master,
            pass_fds=(wishes, replies),
        )
        for descriptor in (master, wishes, replies):
            os.close(descriptor)

    def begin(self, *, settings: str = "", **changes: object) -> None:
        """Cut the power and give it again, with the circuit as usual but for `changes`.

        `settings` are more lines at the end of settings.py. What still came goes.
        """
        specimens = {**cast("dict[str, float]", USUAL["specimens"])}
        specimens |= cast("dict[str, float]", changes.pop("specimens", {}))
        start = {**USUAL, **changes, "specimens": specimens}
        self.ask(restart={"set": start, "settings": settings})
        termios.tcflush(self.end, termios.TCIOFLUSH)

    def ask(self, **wish: object) -> Shown:
        """Tell the circuit something, and look at it. The firmware must be at rest."""
        os.write(self._wishes, json.dumps(wish).encode() + b"\n")
        got = b""
        while not got.endswith(b"\n"):
            ready, _, _ = select.select([self._replies], [], [], 20)
            assert ready, "the firmware is not at rest"
            more = os.read(self._replies, 65536)
            assert more, "the firmware has ended; `sh tests/run.sh frontend` sets up what it needs"
            got += more
        return cast("Shown", json.loads(got))

    def say(self, data: bytes) -> None:
        """Send bytes as they are."""
        os.write(self.end, data)

    def heard(self, *, until: bytes, limit: float = 20.0) -> bytes:
        """What comes, up to some bytes."""
        got = b""
        while not got.endswith(until):
            ready, _, _ = select.select([self.end], [], [], limit)
            assert ready, f"waited in vain for {until!r} after {got!r}"
            got += os.read(self.end, 4096)
        return got

    def close(self) -> None:
        """End it."""
        self.process.kill()
        self.process.wait(10)
        for descriptor in (self.end, self._wishes, self._replies):
            os.close(descriptor)


@contextmanager
def bench(folder: Path) -> Iterator[Bench]:
    """A bench for the length of a block."""
    running = Bench(folder / "port")
    try:
        yield running
    finally:
        running.close()
