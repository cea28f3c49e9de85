"""Where an export is written: a folder or one zip file, which takes its place whole or not at all.

It grows under another name beside its place. What a kill or a power cut leaves of it stays under
that name, looks like no export, and is swept by the next one to the same place.
"""

import fcntl
import hashlib
import io
import os
import shutil
import zipfile
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from pathlib import Path
from typing import IO, BinaryIO, cast

from longsoak.report.package import Written
from longsoak.vocabulary.errors import LongsoakError

_ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # the earliest a zip file knows: it means nothing
_BLOCK = 1 << 20  # bytes


class ExportError(LongsoakError):
    """An export could not be written. Nothing was left in its place that was not there before."""


class Place(ABC):
    """Takes files one by one; `keep` puts them all in place, `drop` leaves nothing of them.

    Raises
    ------
    ExportError
        On opening: another export is being written to the same place.
    OSError
        From any method: the disk refused.
    """

    def __init__(self, out: Path) -> None:
        self._out = out
        self._part = out.with_name(f".{out.name}.part")
        self._undo = ExitStack()
        self.written: list[Written] = []

    @contextmanager
    def file(self, path: str) -> Iterator[BinaryIO]:
        """A file of the export, open for writing for the length of a block."""
        with self._opened(path) as inner:
            counted = _Counted(inner)
            try:
                yield cast(BinaryIO, counted)
            except BaseException:
                counted.given_up = True
                raise
        self.written.append(Written(path, counted.size, counted.sha256.hexdigest()))

    def add(self, path: str, content: bytes) -> Written:
        """Add a whole file."""
        with self.file(path) as file:
            file.write(content)
        return self.written[-1]

    def copy(self, path: str, source: Path) -> Written:
        """Add a file there is."""
        with source.open("rb") as original, self.file(path) as file:
            shutil.copyfileobj(original, file, _BLOCK)
        return self.written[-1]

    def drop(self) -> None:
        """Remove what was written and is not in place."""
        self._undo.close()

    @abstractmethod
    def keep(self) -> None:
        """Put all files in place, on the disk before it returns."""

    @abstractmethod
    def _opened(self, path: str) -> AbstractContextManager[IO[bytes]]: ...


class FolderPlace(Place):
    """A folder."""

    def __init__(self, out: Path) -> None:
        super().__init__(out)
        self._before = out.with_name(f".{out.name}.before")
        with _undone(self._undo):
            self._part.mkdir(exist_ok=True)
            lock = os.open(self._part, os.O_RDONLY)
            self._undo.callback(os.close, lock)
            _take(lock, out)
            self._undo.callback(shutil.rmtree, self._part, ignore_errors=True)
            for left in self._part.iterdir():
                shutil.rmtree(left) if left.is_dir() else left.unlink()
            if self._before.exists() and not out.exists():  # `keep` was cut off half-way
                self._before.rename(out)

    def keep(self) -> None:
        """See `Place.keep`."""
        for folder in (*(path for path in self._part.iterdir() if path.is_dir()), self._part):
            _sync(folder)
        shutil.rmtree(self._before, ignore_errors=True)
        if self._out.exists():
            self._out.rename(self._before)
        self._part.rename(self._out)
        _sync(self._out.parent)
        shutil.rmtree(self._before, ignore_errors=True)
        self._undo.close()

    def drop(self) -> None:
        """See `Place.drop`; an earlier export that was moved aside is put back."""
        if self._before.exists() and not self._out.exists():
            self._before.rename(self._out)
        super().drop()

    @contextmanager
    def _opened(self, path: str) -> Iterator[IO[bytes]]:
        place = self._part / path
        place.parent.mkdir(exist_ok=True)
        with place.open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())


class ZipPlace(Place):
    """One zip file. The same files in the same order are the same bytes."""

    def __init__(self, out: Path) -> None:
        super().__init__(out)
        with _undone(self._undo):
            opened = os.open(self._part, os.O_RDWR | os.O_CREAT, 0o666)
            self._file = self._undo.enter_context(os.fdopen(opened, "r+b"))
            _take(opened, out)
            self._undo.callback(self._part.unlink, missing_ok=True)
            self._file.truncate(0)
            self._zip = zipfile.ZipFile(self._file, "w")
            self._undo.callback(_give_up, self._zip)

    def keep(self) -> None:
        """See `Place.keep`."""
        self._zip.close()
        self._file.flush()
        os.fsync(self._file.fileno())
        self._part.replace(self._out)
        _sync(self._out.parent)
        self._undo.close()

    @contextmanager
    def _opened(self, path: str) -> Iterator[IO[bytes]]:
        entry = zipfile.ZipInfo(path, _ZIP_TIME)
        entry.create_system = 3  # Unix, wherever it is written, so that the mode below counts
        entry.external_attr = 0o644 << 16
        packed = path.endswith((".parquet", ".jpg", ".png", ".webp", ".heic"))
        entry.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
        # In the long form always: how long it gets is not known yet.
        with self._zip.open(entry, "w", force_zip64=True) as file:
            yield file


class _Counted(io.RawIOBase):
    """Passes bytes on, and counts and digests them.

    Once `given_up` it swallows them: a library may want to write the end of its file even so.
    """

    def __init__(self, inner: IO[bytes]) -> None:
        self._inner = inner
        self.given_up = False
        self.size = 0
        self.sha256 = hashlib.sha256()

    def writable(self) -> bool:
        return True

    def write(self, data: "bytes | memoryview", /) -> int:  # type: ignore[override]  # no others
        if self.given_up:
            return len(data)
        self._inner.write(data)
        self.sha256.update(data)
        self.size += len(data)
        return len(data)

    def tell(self) -> int:
        return self.size


def _give_up(opened: zipfile.ZipFile) -> None:
    with suppress(OSError):  # the disk may be full, and the file goes anyway
        opened.close()


@contextmanager
def _undone(undo: ExitStack) -> Iterator[None]:
    """Undo what was done if the block fails."""
    try:
        yield
    except BaseException:
        undo.close()
        raise


def _take(lock: int, out: Path) -> None:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise ExportError(
            f"another export to {out} is under way. Wait for it to end, or name another place."
        ) from error


def _sync(folder: Path) -> None:
    """Have the names in a folder on the disk."""
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
