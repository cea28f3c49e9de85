"""Setting the clock of a process under test, and what the kernel says of it.

The clock itself is libfaketime's, which steps CLOCK_REALTIME and leaves the others alone; what
adjtimex(2) answers is our own library's. Both stand between the shipped program and the kernel.
"""

import os
import subprocess
import time
from pathlib import Path

import pytest

LIBRARY_SOURCE = Path(__file__).with_name("adjtimex.c")
FAKETIME = Path("/usr/lib") / f"{os.uname().machine}-linux-gnu/faketime/libfaketimeMT.so.1"


class ToldClock:
    """The machine's own clock, for every process started while `patch` holds.

    Whether the kernel calls it synchronised is told by the test, and no matter of the machine that
    runs it.
    """

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch, *, synchronised: bool) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._known = folder / "known"
        self.synchronised(synchronised)
        library = folder / "adjtimex.so"
        subprocess.run(
            [*("cc", "-shared", "-fPIC", "-O1", "-Wall", "-Werror"), "-o", library, LIBRARY_SOURCE],
            check=True,
        )
        self._library = library
        patch.setenv("LD_PRELOAD", str(library))
        patch.setenv("ADJTIMEX_FILE", str(self._known))

    def synchronised(self, known: bool) -> None:
        """Let the kernel call it synchronised, or not."""
        _swap(self._known, "synchronised" if known else "not")


class SetClock(ToldClock):
    """As `ToldClock`, and set by the test; not synchronised at first."""

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch) -> None:
        super().__init__(folder, patch, synchronised=False)
        assert FAKETIME.exists(), f"{FAKETIME} is not there: install the package faketime"
        self._offset = folder / "offset"
        self.set(0.0)
        patch.setenv("LD_PRELOAD", f"{self._library} {FAKETIME}")
        patch.setenv("FAKETIME_TIMESTAMP_FILE", str(self._offset))
        patch.setenv("FAKETIME_NO_CACHE", "1")
        patch.setenv("FAKETIME_DONT_FAKE_MONOTONIC", "1")

    def set(self, seconds: float) -> None:
        """Let the clock be this far ahead of the truth."""
        _swap(self._offset, f"{seconds:+f}\n")


def true_base_ms() -> float:
    """UTC of CLOCK_BOOTTIME zero by this machine's own clock, which nobody sets meanwhile."""
    return (time.time_ns() - time.clock_gettime_ns(time.CLOCK_BOOTTIME)) / 1e6


def boottime_ms() -> float:
    """CLOCK_BOOTTIME of this machine."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) / 1e6


def _swap(path: Path, text: str) -> None:
    """A whole file in place of a whole one: it is read at any moment."""
    fresh = path.with_suffix(".fresh")
    fresh.write_text(text)
    fresh.replace(path)
