"""A disk that fails on command: builds `preload.c` and holds its control file."""

import atexit
import mmap
import os
import shutil
import struct
import subprocess
import tempfile
from collections.abc import Mapping
from enum import IntEnum
from functools import cache
from pathlib import Path

_SOURCE = Path(__file__).with_name("preload.c")
_COUNTS = struct.Struct("<4Q")  # operations, failed, die_at, seed
_FAULTS = struct.Struct("<16I")  # errno by kind, how often by kind, partly, drop, hang, lie


class Kind(IntEnum):
    """What a process does to a file."""

    OPEN = 0
    READ = 1
    WRITE = 2
    SYNC = 3
    TRUNCATE = 4
    UNLINK = 5


class Preload:
    """The library, and what it is to do to files under `under`.

    A process started with `environment` obeys until it ends, whatever is set meanwhile.

    Parameters
    ----------
    folder : Path
        Where the control file lies; not under `under`.
    under : Path
        The files that fail.
    seed : int
        What is left to chance is drawn from.
    journal : Path, optional
        Where every operation is written down.
    """

    def __init__(
        self, folder: Path, *, under: Path, seed: int = 0, journal: Path | None = None
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        control = folder / f"control-{under.name}"
        control.write_bytes(bytes(_COUNTS.size + _FAULTS.size))
        with control.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), 0)
        self.environment = {
            "LD_PRELOAD": os.fspath(library()),
            "FAULTS_UNDER": os.fspath(under),
            "FAULTS_CONTROL": os.fspath(control),
        }
        if journal is not None:
            self.environment["FAULTS_JOURNAL"] = os.fspath(journal)
        self.start_over(seed=seed)

    def start_over(self, *, seed: int, die_at: int = 0) -> None:
        """Count operations from nought for the next process, which dies in one of them."""
        self._map[: _COUNTS.size] = _COUNTS.pack(0, 0, die_at, seed)

    @property
    def operations(self) -> int:
        """Operations so far, reads not counted."""
        return int(_COUNTS.unpack_from(self._map)[0])

    @property
    def failed(self) -> int:
        """How many were made to fail."""
        return int(_COUNTS.unpack_from(self._map)[1])

    def fail(
        self,
        errors: Mapping[Kind, int],
        *,
        chance: float = 1.0,
        partly: bool = False,
        drop: bool = False,
        hang: bool = False,
        lie: bool = False,
    ) -> None:
        """Let operations fail from now on, each kind with its errno; `{}` ends it.

        Parameters
        ----------
        errors : mapping
            errno by kind.
        chance : float
            Of each operation.
        partly : bool
            Whether failing writes get some of it down first.
        drop : bool
            Whether a sync that fails loses what was written since the one before, as a kernel
            does that marks pages clean which it could not write.
        hang : bool
            Whether no sync comes back before this is called again.
        lie : bool
            Whether a sync does nothing and says that it has.
        """
        wrong = [errors.get(kind, 0) for kind in Kind]
        often = [round(chance * 1e6)] * len(Kind)
        self._map[_COUNTS.size :] = _FAULTS.pack(*wrong, *often, partly, drop, hang, lie)

    def close(self) -> None:
        """Let go of the control file."""
        self._map.close()


@cache
def library() -> Path:
    """The compiled library; it goes with this process."""
    folder = Path(tempfile.mkdtemp(prefix="longsoak-preload-"))
    atexit.register(_remove, folder, os.getpid())
    built = folder / "preload.so"
    assert not {" ", ":"} & set(os.fspath(built)), f"the loader would cut {built}"
    command = ["gcc", "-std=c11", "-O1", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC"]
    subprocess.run([*command, "-o", built, _SOURCE, "-ldl", "-lpthread"], check=True)
    return built


def _remove(folder: Path, made_by: int) -> None:
    if os.getpid() == made_by:  # and not a fork of it that ends
        shutil.rmtree(folder)
