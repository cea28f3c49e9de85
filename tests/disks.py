"""A disk of a few megabytes, to be filled to the last byte."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def small_disk(folder: Path, *, megabytes: float) -> Iterator[Path]:
    """A file system of its own at `folder` for the length of a block; skips where none may be."""
    folder.mkdir()
    size = f"size={round(megabytes * 1024)}k"
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", size, "tmpfs", folder],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        pytest.skip(f"no file system may be mounted here: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", folder], check=True)


def fill(folder: Path, *, but: int = 0) -> Path:
    """Take all of a disk's room `but` some bytes; return the file that does."""
    ballast = folder / "ballast"
    free = os.statvfs(folder)
    with ballast.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, max(1, free.f_bavail * free.f_frsize - but))
    return ballast
