"""What a disk holds of its files: all that was written, and what of it is there for sure.

A file has two images, what has been written and what has been synced. When the power goes, of the
pages of 4096 bytes that differ none, all, the first ones or any may have come down, the last of
them torn at a sector of 512 bytes, and the file's length may have run ahead of its content.

Names lie in folders, and a folder is synced by itself. A name that was given, moved or taken away
is there for sure, or gone for sure, only once its folder was synced; before that it is either way,
each change for itself, a move from one name to another as one. This is what POSIX leaves open. It
is harsher than ext4 with ordered data, where changes of names reach the disk in their order and the
sync of a new file takes its name along: what comes back here comes back there too, and on file
systems that promise less. As `faults.crashstates` has it, so that both tell the same.

Source: IEEE Std 1003.1 (fsync, fdatasync, rename); 512 bytes, the least that a disk writes at once;
4096 bytes, the page in which Linux on x86 and a Raspberry Pi writes files. From memory.
"""

import os
import shutil
from dataclasses import dataclass, field
from errno import EEXIST, EISDIR, ENOENT, ENOTDIR, ENOTEMPTY, EOPNOTSUPP
from pathlib import Path, PurePosixPath
from random import Random

from faults.chance import some

PAGE = 4096
SECTOR = 512


@dataclass(slots=True, eq=False)
class File:
    """What has been written of a file, what is there for sure, and the pages that may differ."""

    now: bytearray = field(default_factory=bytearray)
    sure: bytearray = field(default_factory=bytearray)
    unsynced: set[int] = field(default_factory=set)
    mode: int = 0o644
    changed_ns: int = 0

    @property
    def differs(self) -> bool:
        """Whether a cut may take anything from it."""
        return bool(self.unsynced) or len(self.now) != len(self.sure)

    def write(self, data: bytes, offset: int) -> None:
        """Write."""
        if offset > len(self.now):
            self.resize(offset)
        self.now[offset : offset + len(data)] = data
        self._touch(offset, offset + len(data))

    def resize(self, size: int) -> None:
        """Cut it short, or lengthen it by noughts."""
        before = len(self.now)
        del self.now[size:]
        if size > before:
            self.now.extend(bytes(size - before))
            self._touch(before, size)

    def sync(self) -> None:
        """Let what has been written be there for sure."""
        size = len(self.now)
        del self.sure[size:]
        self.sure.extend(bytes(size - len(self.sure)))
        for page in self.unsynced:
            self.sure[page * PAGE : (page + 1) * PAGE] = self.now[page * PAGE : (page + 1) * PAGE]
        self.unsynced.clear()

    def left(self, chance: Random) -> tuple[bytearray, int]:
        """What may be left of it if the power goes, and how many pages came down."""
        content, size = bytearray(self.sure), len(self.now)
        if size < len(content) and chance.random() < 0.5:  # that it was cut short came down
            del content[size:]
        there = sorted(page for page in self.unsynced if page * PAGE < size)
        kept = some(there, chance)
        torn = kept[-1] if kept and chance.random() < 0.5 else None
        for page in kept:
            start, end = page * PAGE, min((page + 1) * PAGE, size)
            if page == torn:
                end = min(end, start + SECTOR * chance.randrange(PAGE // SECTOR))
            content.extend(bytes(max(0, end - len(content))))
            content[start:end] = self.now[start:end]
        if size > len(content) and chance.random() < 0.5:  # the length has run ahead
            content.extend(bytes(size - len(content)))
        return content, len(kept)

    def _touch(self, start: int, end: int) -> None:
        if end > start:
            self.unsynced.update(range(start // PAGE, (end - 1) // PAGE + 1))


class Folder:
    """A folder; what is in it follows from the paths."""

    mode = 0o755
    changed_ns = 0


Node = File | Folder
_Names = dict[str, Node | None]  # given, or taken away (None), all at once


@dataclass(frozen=True, slots=True)
class Cut:
    """What a power cut took: pages not synced and how many of them came down, and names."""

    unsynced: int
    kept: int
    names: int


class Platter:
    """Files and folders by path ("/" is the top), as they are now and as they surely are.

    Parameters
    ----------
    folder : Path
        What it holds to begin with, all of it synced, and where `leave` writes.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.now: dict[str, Node] = {"/": Folder()}
        self._pending: list[_Names] = []
        for path in sorted(folder.rglob("*")):
            name = f"/{path.relative_to(folder)}"
            if path.is_dir():
                self.now[name] = Folder()
            else:
                content = path.read_bytes()
                stat = path.stat()
                self.now[name] = File(
                    bytearray(content),
                    bytearray(content),
                    mode=stat.st_mode & 0o7777,
                    changed_ns=stat.st_mtime_ns,
                )
        self._sure = dict(self.now)

    def at(self, path: str) -> Node:
        """What lies there.

        Raises
        ------
        OSError
            Nothing does.
        """
        if path not in self.now:
            raise OSError(ENOENT, os.strerror(ENOENT), path)
        return self.now[path]

    def file_at(self, path: str) -> File:
        """The file that lies there.

        Raises
        ------
        OSError
            None does.
        """
        node = self.at(path)
        if isinstance(node, Folder):
            raise OSError(EISDIR, os.strerror(EISDIR), path)
        return node

    def names_in(self, path: str) -> list[str]:
        """The names in a folder."""
        if isinstance(self.at(path), File):
            raise OSError(ENOTDIR, os.strerror(ENOTDIR), path)
        return [_name(other) for other in self.now if other != "/" and parent(other) == path]

    def make(self, path: str, node: Node) -> None:
        """Put a new file or folder there."""
        if path in self.now:
            raise OSError(EEXIST, os.strerror(EEXIST), path)
        self.at(parent(path))
        self._give({path: node})

    def unlink(self, path: str) -> None:
        """Take a file's name away."""
        self.file_at(path)
        self._give({path: None})

    def remove(self, path: str) -> None:
        """Take away a folder."""
        if self.names_in(path):
            raise OSError(ENOTEMPTY, os.strerror(ENOTEMPTY), path)
        self._give({path: None})

    def rename(self, old: str, new: str, *, just_unlinked: bool = False) -> None:
        """Move a file to another name, over what lies there.

        Parameters
        ----------
        old, new : str
            The paths.
        just_unlinked : bool
            Whether the last change took `new` away, and belongs to this one.

        Raises
        ------
        OSError
            It is a folder, which `longsoak run` moves none of.
        """
        if isinstance(self.at(old), Folder):
            raise OSError(EOPNOTSUPP, os.strerror(EOPNOTSUPP), old)
        if just_unlinked:
            assert self._pending.pop() == {new: None}
        self._give({old: None, new: self.now[old]})

    def sync_folder(self, path: str) -> None:
        """Let the names in a folder be sure."""
        self.at(path)
        still = []
        for given in self._pending:
            if any(parent(name) == path for name in given):
                _apply(self._sure, given)
            else:
                still.append(given)
        self._pending = still

    def leave(self, chance: Random) -> Cut:
        """Write into the folder what is left if the power goes now.

        What the disk held before is replaced; this platter must not be used any more.
        """
        names = dict(self._sure)
        for given in some(self._pending, chance):
            _apply(names, given)
        shutil.rmtree(self._folder)
        self._folder.mkdir()
        unsynced = kept = 0
        for path in sorted(names):  # a folder before what is in it
            node, to = names[path], self._folder / path[1:]
            if not to.parent.is_dir():  # its folder's own name is gone
                continue
            if isinstance(node, Folder):
                to.mkdir(exist_ok=True)
                continue
            content, came = node.left(chance)
            to.write_bytes(content)
            to.chmod(node.mode)
            if not path.endswith("-shm"):  # shared memory of a database is never synced
                unsynced += len(node.unsynced)
                kept += came
        return Cut(unsynced, kept, len(self._pending))

    def _give(self, given: _Names) -> None:
        _apply(self.now, given)
        self._pending.append(given)


def parent(path: str) -> str:
    """The folder that a name lies in."""
    return str(PurePosixPath(path).parent)


def _name(path: str) -> str:
    return PurePosixPath(path).name


def _apply(names: dict[str, Node], given: _Names) -> None:
    for path, node in given.items():
        if node is None:
            names.pop(path, None)
        else:
            names[path] = node
