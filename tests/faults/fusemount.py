"""Mounts `faults.fusedisk`, cuts its power, and mounts it again with what was left."""

import os
import select
import subprocess
import sys
import time
from pathlib import Path

from faults.platter import Cut

_TESTS = Path(__file__).parents[1]
_DEVICE = Path("/dev/fuse")
LONGEST = 30.0  # s until it has to be mounted, gone or unmounted


def why_not() -> str | None:
    """Why there can be no file system of our own on this machine; None if there can."""
    if not _DEVICE.exists():
        return f"there is no {_DEVICE}: this kernel, or this container, has no FUSE"
    try:
        os.close(os.open(_DEVICE, os.O_RDWR))
    except OSError as error:
        return f"{_DEVICE} can't be opened: {error.strerror}"
    try:
        import mfusepy  # noqa: F401 - loads libfuse, which may not be there
    except (ImportError, OSError) as error:
        return f"libfuse can't be loaded: {error}. Install the system package fuse3"
    return None


class Mounted:
    """A file system over `folder`, mounted at `mount` until it is cut or closed.

    Parameters
    ----------
    folder : Path
        What lies on the disk. After a cut, what is left of it.
    mount : Path
        Where it is mounted; an empty folder.
    seed : str
        Of what a cut takes.
    """

    def __init__(self, folder: Path, mount: Path, *, seed: str) -> None:
        self.folder, self.mount = folder, mount
        self._took: Cut | None = None
        for needed in (folder, mount):
            needed.mkdir(exist_ok=True)
        self._process = subprocess.Popen(
            [sys.executable, "-m", "faults.fusedisk", mount, folder, seed],
            cwd=_TESTS,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        assert self._hears("ready", LONGEST) is not None, f"{mount} was not mounted"

    def cut_in(self, changes: int) -> None:
        """Let the power go in the midst of a change still to come."""
        self._tell(f"cut {changes}")

    def kills(self, pid: int) -> None:
        """Name a process that is killed with the cut, or none any more with 0."""
        self._tell(f"kills {pid}")

    def gone(self, within: float) -> Cut | None:
        """What a cut has taken; None if there was none for so many seconds."""
        if self._took is None and (took := self._hears("gone", within)) is not None:
            self._took = Cut(*map(int, took))
        return self._took

    def cut(self) -> Cut:
        """Let the power go now, if it is not gone yet; what that took."""
        self._tell("cut")
        took = self.gone(LONGEST)
        assert took is not None, "the file system does not answer"
        return took

    def close(self) -> None:
        """Unmount it; what has not been cut is given up."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()  # it unmounts and ends, be somebody in it still
        try:
            self._process.wait(LONGEST)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self.mount.is_mount():
            subprocess.run(["fusermount3", "-u", "-z", self.mount], check=True)
        self._process.stdout.close()

    def _tell(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{line}\n")

    def _hears(self, word: str, within: float) -> list[str] | None:
        """The rest of the line that begins with a word."""
        pipe = self._process.stdout
        assert pipe is not None
        until = time.monotonic() + within
        while True:
            ready, _, _ = select.select([pipe], [], [], max(0.0, until - time.monotonic()))
            if not ready:
                return None
            line = pipe.readline()
            if not line:
                raise AssertionError(f"the file system ended with {self._process.wait()}")
            first, *rest = line.split()
            if first == word:
                return rest
