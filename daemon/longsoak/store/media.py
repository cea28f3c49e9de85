"""The disks, cards and sticks that folders lie on, and getting files onto them for good."""

import ctypes
import errno
import hashlib
import os
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from longsoak.vocabulary.errors import StoreError

FAT = ("vfat", "msdos")
LARGEST_ON_FAT = 2**32 - 1  # bytes of one file: its length is a 32-bit number there
_BLOCK = 1 << 20  # bytes read at a time
_BLOCKS = Path("/sys/dev/block")
_MOUNTS = Path("/proc/self/mountinfo")
_ESCAPED = re.compile(r"\\([0-7]{3})")
# linux/fcntl.h and linux/fs.h (from memory; glibc has had the call since 2.28)
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2


class TargetError(StoreError):
    """A folder that a person named is not one to copy to or from. Nothing was written."""


class Mount(NamedTuple):
    """One mounted file system: where, and of what type."""

    point: Path
    kind: str


@dataclass(frozen=True, slots=True)
class Kept:
    """A file as it was written: its name, bytes and SHA-256."""

    name: str
    size: int
    sha256: str


class Work:
    """How much of a piece of work is done, told as it goes on.

    Parameters
    ----------
    total : int
        Bytes there are to go through.
    tell : callable
        Takes what is done and the total.
    """

    def __init__(self, total: int, tell: Callable[[int, int], None]) -> None:
        self._total = max(1, total)
        self._tell = tell
        self._done = 0

    def done(self, count: int) -> None:
        """Note that `count` bytes more were gone through."""
        self._done = min(self._total, self._done + count)
        self._tell(self._done, self._total)


def mounts() -> list[Mount]:
    """Every file system this process sees; of two at one point the later one covers the other."""
    found = []
    for line in _MOUNTS.read_text(encoding="utf-8", errors="surrogateescape").splitlines():
        about, _, source = line.partition(" - ")
        point = _ESCAPED.sub(lambda code: chr(int(code[1], 8)), about.split()[4])
        found.append(Mount(Path(point), source.split()[0]))
    return found


def is_mounted(folder: Path) -> bool:
    """Whether a file system is mounted at `folder` itself.

    A point that mounts by itself when it is looked at, and has nothing to mount, is none.
    """
    folder = folder.resolve()
    return any(mount.point == folder and mount.kind != "autofs" for mount in mounts())


def file_system(folder: Path) -> str:
    """The type of the file system a folder lies on, such as "ext4" or "vfat"."""
    folder = folder.resolve()
    over = [mount for mount in mounts() if folder.is_relative_to(mount.point)]
    deepest = max(len(mount.point.parts) for mount in over)
    return [mount.kind for mount in over if len(mount.point.parts) == deepest][-1]


def on_one_disk(one: Path, other: Path) -> bool:
    """Whether two folders lie on one disk or card, be it on two partitions of it."""
    first, second = (path.stat().st_dev for path in (one, other))
    if first == second:
        return True
    disks = [disk_of(device) for device in (first, second)]
    return disks[0] is not None and disks[0] == disks[1]


def disk_of(device: int, *, blocks: Path = _BLOCKS) -> Path | None:
    """The disk that a device's number belongs to; None for a file system without one.

    `blocks` is where the kernel links each device to its place among the others.
    """
    block = (blocks / f"{os.major(device)}:{os.minor(device)}").resolve()
    if not block.exists():
        return None
    return block.parent if (block / "partition").exists() else block


def room(folder: Path) -> int:
    """Bytes that this user may still write into `folder`."""
    state = os.statvfs(folder)
    return state.f_bavail * state.f_frsize


def megabytes(count: int) -> str:
    """A number of bytes that are needed, for a sentence, rounded up: "0.1 MB", "250 MB"."""
    tenths = -(-count // 100_000)
    return f"{tenths / 10:.1f} MB" if tenths < 100 else f"{-(-count // 1_000_000)} MB"


def megabytes_free(count: int) -> str:
    """The same of bytes that are to be had, rounded down."""
    tenths = count // 100_000
    return f"{tenths / 10:.1f} MB" if tenths < 100 else f"{count // 1_000_000} MB"


def digest(path: Path, work: Work, *, from_the_disk: bool = False) -> str:
    """The SHA-256 of a file.

    Parameters
    ----------
    path, work
        The file, and who is told how far it is read.
    from_the_disk : bool
        Read what lies on the disk, not what memory holds of it. The file must be synced.
    """
    hashed = hashlib.sha256()
    with path.open("rb") as file:
        if from_the_disk:  # a stick that lies about its size gives back something else
            forget(path)
        while block := file.read(_BLOCK):
            hashed.update(block)
            work.done(len(block))
    if from_the_disk:
        forget(path)
    return hashed.hexdigest()


def forget(path: Path) -> None:
    """Drop what memory holds of a file; what was read once must not crowd out what is needed."""
    with path.open("rb") as file:
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def copy(source: Path, to: Path, work: Work) -> Kept:
    """Copy what is in a file, and nothing of its owner and permissions; synced.

    Raises
    ------
    StoreError
        The copy does not read back as it was written.
    OSError
        It can't be read, or written.
    """
    hashed = hashlib.sha256()
    size = 0
    with source.open("rb") as file, to.open("xb") as out:
        while block := file.read(_BLOCK):
            hashed.update(block)
            out.write(block)
            size += len(block)
            work.done(len(block))
        out.flush()
        os.fsync(out.fileno())
    return _as_written(to, Kept(to.name, size, hashed.hexdigest()), work)


def write(to: Path, content: bytes, work: Work) -> Kept:
    """Write a new file, synced. Raises as `copy` does."""
    with to.open("xb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    return _as_written(to, Kept(to.name, len(content), hashlib.sha256(content).hexdigest()), work)


def settle(path: Path, work: Work) -> Kept:
    """Sync a file that somebody else wrote. Raises as `copy` does."""
    written = Kept(path.name, path.stat().st_size, digest(path, work))
    with path.open("rb") as file:
        os.fsync(file.fileno())
    return _as_written(path, written, work)


def _as_written(path: Path, written: Kept, work: Work) -> Kept:
    if digest(path, work, from_the_disk=True) != written.sha256:
        raise StoreError(
            f"{path} does not read back as it was written. The disk or stick it lies on is "
            "damaged, or smaller than it says: use another."
        )
    return written


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk, as far as its file system does that."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)


def swap(one: Path, other: Path) -> None:
    """Exchange the names of two folders in one step: never is either name without a folder.

    Raises
    ------
    OSError
        The file system can't do that, or this user may not.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    failed = libc.renameat2(
        _AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE
    )
    if failed:
        code = ctypes.get_errno()
        raise OSError(code, os.strerror(code), str(one))
