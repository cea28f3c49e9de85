"""A file system of its own (FUSE) over a `faults.platter.Platter`, until its power is cut.

Run by `faults.fusemount`, a process for each time it is mounted. On its standard input it takes
``cut``, at once, or ``cut N``, in the midst of the N-th change from then on, before anybody is told
that it was done: a write, a sync, a new length, a name. From the cut on every access fails. What is
left then lies in the platter's folder, and it says ``gone`` and what the cut took. ``kills PID``
names a process that goes with the power, ``kills 0`` none any more.

Each write reaches it as it is made: it asks the kernel for no writeback cache. The kernel keeps
pages to read from, and for the shared memory of a database, which dies with the machine anyway; and
it keeps locks, those of SQLite and flock alike, by itself.

Source: include/fuse.h of libfuse 3 and Documentation/filesystems/fuse-io.rst of torvalds/linux
(cached and write-through mode). From memory.
"""

import os
import signal
import stat
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from errno import EBADF, EIO
from pathlib import Path

from mfusepy import FUSE

from faults.chance import drawn_from
from faults.platter import PAGE, File, Folder, Node, Platter

_ROOM = 1 << 18  # pages, 1 GiB
# What libfuse calls a file that is open and whose name was taken away (lib/fuse.c, from memory).
_HIDDEN = "/.fuse_hidden"
_ENDED = 8  # what fuse_main returns where it was told to end by a signal (include/fuse.h)


class Layer:
    """What the kernel asks of the file system, one thing at a time.

    Parameters
    ----------
    platter : Platter
        Where it lies.
    seed : str
        Of what a cut takes.
    """

    use_ns = True  # times are whole ns

    def __init__(self, platter: Platter, *, seed: str) -> None:
        self._platter = platter
        self._seed = seed
        self._lock = threading.Lock()
        self._open: dict[int, File] = {}
        self._handles = 0
        self._hidden: dict[str, File] = {}
        self._hid: str | None = None  # a name that libfuse has just taken away for what comes next
        self._gone = False
        self._kills = 0
        self._left: int | None = None  # changes until the power is cut

    def cut(self, changes: int | None) -> None:
        """Cut the power, at once or in so many changes."""
        with self._lock:
            self._left = changes
            if changes is None:
                self._cut()

    def kills(self, pid: int) -> None:
        """Kill a process with the cut, at once if the power is gone; 0 is none."""
        with self._lock:
            self._kills = pid
            if self._gone:
                self._kill()

    def init(self, _path: str) -> None:
        """It is mounted."""
        _say("ready")

    def getattr(self, path: str, fh: int | None = None) -> dict[str, int]:
        """What `stat` tells."""
        with self._access():
            node = self._at(path) if fh is None else self._file(path, fh)
            size = len(node.now) if isinstance(node, File) else PAGE
            kind = stat.S_IFREG if isinstance(node, File) else stat.S_IFDIR
            return {
                "st_mode": kind | node.mode,
                "st_nlink": 1 if isinstance(node, File) else 2,
                "st_size": size,
                "st_blocks": -(-size // 512),
                "st_uid": os.geteuid(),
                "st_gid": os.getegid(),
                "st_mtime": node.changed_ns,
                "st_ctime": node.changed_ns,
            }

    def readdir(self, path: str, _fh: int) -> list[str]:
        """The names in a folder."""
        with self._access():
            return [".", "..", *self._platter.names_in(path)]

    def statfs(self, _path: str) -> dict[str, int]:
        """Room enough."""
        room = {"f_blocks": 2 * _ROOM, "f_bfree": _ROOM, "f_bavail": _ROOM, "f_ffree": 1 << 20}
        return {"f_bsize": PAGE, "f_frsize": PAGE, "f_files": 1 << 21, "f_namemax": 255, **room}

    def open(self, path: str, flags: int) -> int:
        """Open a file."""
        with self._access():
            file = self._file(path)
            if flags & os.O_TRUNC:
                with self._change(file):
                    file.resize(0)
            return self._handle(file)

    def create(self, path: str, mode: int, _flags: int) -> int:
        """Make a file and open it."""
        with self._access():
            file = File(mode=stat.S_IMODE(mode))
            with self._change(file):
                self._platter.make(path, file)
            return self._handle(file)

    def release(self, _path: str, fh: int) -> int:
        """Close a file."""
        self._open.pop(fh, None)
        return 0

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        """Read what has been written, synced or not."""
        with self._access():
            return bytes(self._file(path, fh).now[offset : offset + size])

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        """Write."""
        with self._access():
            file = self._file(path, fh)
            with self._change(file):
                file.write(data, offset)
            return len(data)

    def truncate(self, path: str, length: int, fh: int | None = None) -> int:
        """Give a file another length."""
        with self._access():
            file = self._file(path, fh)
            with self._change(file):
                file.resize(length)
            return 0

    def fsync(self, path: str, _datasync: int, fh: int) -> int:
        """Let what has been written be there for sure; a cut comes before that or after it."""
        with self._access():
            file = self._file(path, fh)
            with self._change():
                pass
            file.sync()
            return 0

    def fsyncdir(self, path: str, _datasync: int, _fh: int) -> int:
        """Let the names in a folder be sure."""
        with self._access():
            with self._change():
                pass
            self._platter.sync_folder(path)
            return 0

    def mkdir(self, path: str, _mode: int) -> int:
        """Make a folder."""
        with self._access(), self._change():
            self._platter.make(path, Folder())
        return 0

    def rmdir(self, path: str) -> int:
        """Take away a folder."""
        with self._access(), self._change():
            self._platter.remove(path)
        return 0

    def unlink(self, path: str) -> int:
        """Take a file's name away."""
        with self._access():
            if path in self._hidden:
                del self._hidden[path]
                return 0
            with self._change():
                self._platter.unlink(path)
        return 0

    def rename(self, old: str, new: str) -> int:
        """Move a file; libfuse moves one that is open away before its name goes."""
        with self._access():
            if new.startswith(_HIDDEN, new.rindex("/")):
                self._hidden[new] = self._platter.file_at(old)
                self._platter.unlink(old)
                self._hid = old
                return 0
            with self._change():
                self._platter.rename(old, new, just_unlinked=self._hid == new)
        return 0

    def chmod(self, path: str, mode: int) -> int:
        """Give a file another mode."""
        with self._access():
            node = self._at(path)
            if isinstance(node, File):
                node.mode = stat.S_IMODE(mode)
        return 0

    def chown(self, _path: str, _uid: int, _gid: int) -> int:
        """Nobody asks whose it is."""
        return 0

    def utimens(self, path: str, times: tuple[int, int] | None = None) -> int:
        """Say when it was changed."""
        with self._access():
            node = self._at(path)
            if isinstance(node, File):
                node.changed_ns = times[1] if times else time.time_ns()
        return 0

    @contextmanager
    def _access(self) -> Iterator[None]:
        """One thing at a time, and nothing once the power is gone."""
        with self._lock:
            if self._gone:
                raise OSError(EIO, os.strerror(EIO))
            yield

    @contextmanager
    def _change(self, file: File | None = None) -> Iterator[None]:
        """A change, in whose midst the power may go."""
        yield
        self._hid = None
        if file is not None:
            file.changed_ns = time.time_ns()
        if self._left is None:
            return
        self._left -= 1
        if self._left <= 0:
            self._cut()
            raise OSError(EIO, os.strerror(EIO))

    def _cut(self) -> None:
        if not self._gone:
            self._gone = True
            self._kill()
            took = self._platter.leave(drawn_from("cut", self._seed))
            _say(f"gone {took.unsynced} {took.kept} {took.names}")

    def _kill(self) -> None:
        if self._kills:
            with suppress(ProcessLookupError):
                os.kill(self._kills, signal.SIGKILL)

    def _at(self, path: str) -> Node:
        return self._hidden.get(path) or self._platter.at(path)

    def _file(self, path: str, fh: int | None = None) -> File:
        if fh is None:
            return self._hidden.get(path) or self._platter.file_at(path)
        if fh not in self._open:
            raise OSError(EBADF, os.strerror(EBADF), path)
        return self._open[fh]

    def _handle(self, file: File) -> int:
        self._handles += 1
        self._open[self._handles] = file
        return self._handles


def main(arguments: list[str]) -> None:
    """Mount it, and do as is said on standard input."""
    mount, folder, seed = arguments
    layer = Layer(Platter(Path(folder)), seed=seed)
    threading.Thread(target=_obey, args=(layer,), daemon=True).start()
    try:
        FUSE(layer, mount, foreground=True, nothreads=True, fsname="longsoak-faults")
    except RuntimeError as error:
        if error.args != (_ENDED,):
            raise


def _obey(layer: Layer) -> None:
    for line in sys.stdin:
        word, _, number = line.strip().partition(" ")
        if word == "kills":
            layer.kills(int(number))
        else:
            layer.cut(int(number) if number else None)
    os.kill(os.getpid(), signal.SIGTERM)  # whoever mounted it is gone: libfuse unmounts


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
