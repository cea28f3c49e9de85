"""What a disk may hold after a power cut, built from a journal of what was asked of it.

What a sync has confirmed is there. Of what came after it for the same file any part may be: any of
the writes and none of the others, in any order, torn at any sector of 512 bytes, with the file's
length run ahead of its content or not. A name that was given or taken away is there for sure once
its folder was synced; before that, either way. This is what POSIX leaves open; real file systems do
less harm. A disk that says it has synced and has not is not played here.

Source: what a crash may leave, IEEE Std 1003.1 (fsync, fdatasync); 512 bytes, the least that a disk
writes at once. From memory.
"""

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import IntEnum
from itertools import pairwise
from pathlib import Path
from random import Random

from faults.chance import some

_HEADER = struct.Struct("<4Q")  # entry, handle, offset, length
SECTOR = 512


class Entry(IntEnum):
    """As in preload.c."""

    OPEN = 1
    CREATE = 2
    WRITE = 3
    TRUNCATE = 4
    SYNC = 5
    UNLINK = 6
    RENAME = 7  # old and new name, parted by a nought


@dataclass(frozen=True, slots=True)
class Operation:
    """One line of the journal."""

    entry: Entry
    handle: int
    offset: int
    data: bytes


def read_journal(journal: Path) -> list[Operation]:
    """All operations, in the order they were done."""
    data = journal.read_bytes()
    found, at = [], 0
    while at < len(data):
        entry, handle, offset, length = _HEADER.unpack_from(data, at)
        at += _HEADER.size
        found.append(Operation(Entry(entry), handle, offset, data[at : at + length]))
        at += length
    return found


@dataclass(slots=True, eq=False)
class _File:
    """What is on the disk for sure, and what was asked for since the last sync."""

    sure: bytearray = field(default_factory=bytearray)
    pending: list[Operation] = field(default_factory=list)


# Names given to a file, or taken away (None), all at once; their folder was not synced since.
_Names = dict[str, _File | None]


class Disk:
    """Follows a journal and can be cut off anywhere.

    Parameters
    ----------
    under : Path
        The folder the journal tells of.
    start : Path, optional
        A folder with what was in it at the beginning, synced.
    """

    def __init__(self, under: Path, *, start: Path | None = None) -> None:
        self._under = under
        self._now: dict[str, _File] = {}  # by path, as the process sees it
        self._sure: dict[str, _File] = {}  # by path, as the disk surely has it
        self._pending: list[_Names] = []
        self._handles: dict[int, str | _File] = {}  # a str is a folder
        for path in sorted(start.iterdir()) if start else ():
            file = _File(bytearray(path.read_bytes()))
            self._now[os.fspath(under / path.name)] = file
            self._sure[os.fspath(under / path.name)] = file

    def do(self, operation: Operation) -> None:
        """Take the next operation."""
        match operation.entry:
            case Entry.OPEN | Entry.CREATE:
                self._open(operation)
            case Entry.WRITE | Entry.TRUNCATE:
                file = self._handles[operation.handle]
                assert isinstance(file, _File)
                file.pending.append(operation)
            case Entry.SYNC:
                self._sync(self._handles[operation.handle])
            case Entry.UNLINK:
                self._name({operation.data.decode(): None})
            case Entry.RENAME:
                old, new = operation.data.decode().split("\0")
                self._name({old: None, new: self._now[old]})

    def witnessed(self, path: Path) -> bytes:
        """All that was ever written to a file, synced or not: it is not the disk's but ours."""
        file = self._now.get(os.fspath(path))
        return b"" if file is None else bytes(_with(file.sure, file.pending))

    def cut_off(self, folder: Path, *, chance: Random, spare: Path) -> None:
        """Write into `folder` what the disk may hold if the power goes now; `spare` is left out."""
        names = dict(self._sure)
        for given in some(self._pending, chance):
            _give(names, given)
        names.pop(os.fspath(spare), None)
        for path, file in names.items():
            to = folder / Path(path).relative_to(self._under)
            to.parent.mkdir(parents=True, exist_ok=True)
            to.write_bytes(_with(file.sure, some(list(_torn(file.pending, chance)), chance)))

    def _open(self, operation: Operation) -> None:
        path = operation.data.decode()
        if operation.entry is Entry.CREATE:
            self._name({path: _File()})
        self._handles[operation.handle] = self._now.get(path, path)

    def _name(self, given: _Names) -> None:
        _give(self._now, given)
        self._pending.append(given)

    def _sync(self, what: str | _File) -> None:
        if isinstance(what, _File):
            what.sure = _with(what.sure, what.pending)
            what.pending = []
            return
        for given in [g for g in self._pending if any(str(Path(p).parent) == what for p in g)]:
            self._pending.remove(given)
            _give(self._sure, given)


def _give(names: dict[str, _File], given: _Names) -> None:
    for path, file in given.items():
        if file is None:
            names.pop(path, None)
        else:
            names[path] = file


def _torn(operations: list[Operation], chance: Random) -> Iterator[Operation]:
    """The same, with writes cut into sectors at times."""
    tear = chance.random() < 0.5
    for operation in operations:
        if operation.entry is not Entry.WRITE or not tear:
            yield operation
            continue
        start, data = operation.offset, operation.data
        first = SECTOR - start % SECTOR
        ends = [0, *range(first, len(data), SECTOR), len(data)]
        for begin, end in pairwise(ends):
            yield Operation(Entry.WRITE, operation.handle, start + begin, data[begin:end])


def _with(sure: bytearray, operations: list[Operation]) -> bytearray:
    """What a file holds once these are done to it."""
    content = bytearray(sure)
    for operation in operations:
        at, data = operation.offset, operation.data
        if operation.entry is Entry.TRUNCATE:
            del content[at:]
            content.extend(bytes(at - len(content)))
        else:
            content.extend(bytes(max(0, at + len(data) - len(content))))
            content[at : at + len(data)] = data
    return content
