"""Setting the clock of a process under test, and what the kernel says of it.

A library of our own stands between the shipped program and the kernel. One that reads a file at
each look at the clock takes more of the processor than the program.
"""

import subprocess
import sys
import time
from pathlib import Path

import pytest

_SOURCE = Path(__file__).with_name("setclock.c")


class ToldClock:
    """The machine's own clock, for every process started while `patch` holds.

    Whether the kernel calls it synchronised is told by the test, and no matter of the machine that
    runs it.
    """

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch, *, synchronised: bool) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._known = folder / "known"
        self.synchronised(synchronised)
        library = folder / "setclock.so"
        subprocess.run(
            [*("cc", "-shared", "-fPIC", "-O1", "-Wall", "-Werror"), "-o", library, _SOURCE],
            check=True,
        )
        patch.setenv("LD_PRELOAD", str(library))
        patch.setenv("SETCLOCK_KNOWN", str(self._known))

    def synchronised(self, known: bool) -> None:
        """Let the kernel call it synchronised, or not."""
        fresh = self._known.with_suffix(".fresh")  # whole in place of whole: read at any moment
        fresh.write_text("synchronised" if known else "not")
        fresh.replace(self._known)


class SetClock(ToldClock):
    """As `ToldClock`, and set by the test; not synchronised at first."""

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch) -> None:
        super().__init__(folder, patch, synchronised=False)
        self._ahead = folder / "ahead"
        self._ahead.touch()
        self.set(0.0)
        patch.setenv("SETCLOCK_AHEAD", str(self._ahead))

    def set(self, seconds: float) -> None:
        """Let the clock be this far ahead of the truth."""
        with self._ahead.open("r+b", buffering=0) as file:  # the same file: it is mapped
            file.write(round(seconds * 1e9).to_bytes(8, sys.byteorder, signed=True))


def true_base_ms() -> float:
    """UTC of CLOCK_BOOTTIME zero by this machine's own clock, which nobody sets meanwhile."""
    return (time.time_ns() - time.clock_gettime_ns(time.CLOCK_BOOTTIME)) / 1e6


def boottime_ms() -> float:
    """CLOCK_BOOTTIME of this machine."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) / 1e6
