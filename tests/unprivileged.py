"""Running commands as somebody who may read a folder and not write in it."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from processes import COMMAND

# What lets root pass over permissions. A user of another number could not even start the Python
# of the tests where that lies in root's home.
_WITHOUT = ("setpriv", "--bounding-set=-dac_override,-dac_read_search", "--inh-caps=-all")


@contextmanager
def modes(folder: Path, *, folders: int, files: int) -> Iterator[None]:
    """Give `folder` and all in it these modes for the length of a block."""
    before = {path: path.stat().st_mode for path in (folder, *folder.rglob("*"))}
    for path in reversed(before):
        path.chmod(folders if path.is_dir() else files)
    try:
        yield
    finally:
        for path, mode in before.items():
            if path.exists():
                path.chmod(mode)


@contextmanager
def only_read(folder: Path) -> Iterator[None]:
    """Let everybody read in `folder` and nobody write, for the length of a block."""
    with modes(folder, folders=0o555, files=0o444):
        yield


def as_reader(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run a command to its end under the files' permissions, be the tests root's own."""
    lesser = _WITHOUT if os.geteuid() == 0 else ()
    return subprocess.run(
        [*lesser, COMMAND, *arguments], capture_output=True, text=True, timeout=60, check=False
    )
