"""Instruments behind files of the kernel: a folder laid out like sysfs, and what happens there."""

import os
import shutil
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Self

from longsoak.driver import BusKind, BusSettings
from longsoak.testing.bench import Mischief, Reads, bus_settings
from longsoak.vocabulary.sample import Sample

_FILES = {
    **dict.fromkeys(
        (Mischief.PIECES, Mischief.SLOW, Mischief.TRICKLE, Mischief.LATE, Mischief.CROSSED),
        "the kernel gives a file as a whole, and no other in its place",
    ),
    Mischief.THEFT: "a file can be read by everybody, and loses nothing by it",
    Mischief.OWNER: "a file can be read by everybody",
}
_PAGE = 4096  # bytes a file of the kernel has at most
_NO_PAGE = 1_000_000


class FolderBench:
    """A bench whose driver has an option ``root``.

    Parameters
    ----------
    kind : BusKind
        The driver under test.
    reads : sequence of (Sample, Mapping)
        What each probe gives in good order, and its address.
    fill : callable
        Lays out the empty folder it is given, and returns the file that holds each probe's
        reading. Its second argument counts how often the kernel found the hardware anew: use it
        where the kernel numbers.
    longest : float
        Longest time the driver may take for one item, to open the bus, or to close it, s.
    options : Mapping
        The driver's options but for ``root``.
    cannot : Mapping
        Why no driver of this bus could bear a mischief.
    """

    def __init__(
        self,
        kind: BusKind,
        reads: Reads,
        *,
        fill: Callable[[Path, int], Mapping[str, Path]],
        longest: float,
        options: Mapping[str, object] | None = None,
        cannot: Mapping[Mischief, str] | None = None,
    ) -> None:
        self.kind = kind
        self.longest = longest
        self._pairs = reads
        self._fill = fill
        self._options = dict(options or {})
        self._cannot = {**_FILES, **(cannot or {})}
        self._number = 0
        self._files: Mapping[str, Path] = {}
        self._good: dict[str, bytes] = {}  # what each file holds in good order, while it is there
        self._pipes: list[tuple[Path, int]] = []  # files that hang, and our end of them

    @property
    def reads(self) -> Mapping[str, Sample]:
        """See `Bench.reads`."""
        return {sample.probe: sample for sample, _ in self._pairs}

    @property
    def settings(self) -> BusSettings:
        """See `Bench.settings`."""
        return bus_settings(self._pairs, {**self._options, "root": str(self._root)})

    def __enter__(self) -> Self:
        """Lay the folder out."""
        self._folder = TemporaryDirectory(prefix="bench-")
        self._root = Path(self._folder.name) / "there" / "root"
        self.bring_back()
        return self

    def __exit__(self, *_: object) -> None:
        """Let go of whoever hangs, and remove it."""
        self._release()
        self._folder.cleanup()

    def cannot(self, mischief: Mischief) -> str | None:
        """See `Bench.cannot`."""
        return self._cannot.get(mischief)

    def misbehave(self, mischief: Mischief, *, only: int | None = None) -> None:
        """See `Bench.misbehave`. Silence is an empty file, and with `only` one that is gone."""
        files = [self._files[sample.probe] for sample, _ in self._pairs]
        for file in files if only is None else [files[only]]:
            good = file.read_bytes()
            file.unlink()
            if mischief is Mischief.HANG:
                os.mkfifo(file)  # opened for reading it waits for a writer
                self._pipes.append((file, -1))
            elif mischief is Mischief.BABBLE:
                file.write_bytes(b"U" * _NO_PAGE)
            elif mischief is Mischief.GARBAGE:
                file.write_bytes(bytes(byte | 0x80 for byte in good * 9)[:_PAGE])
            elif mischief is Mischief.HALF:
                file.write_bytes(good[: len(good) // 2])
            elif only is None:
                file.write_bytes(b"")

    def behave(self) -> None:
        """See `Bench.behave`; nothing is there to behave while the folder is away."""
        self._release()
        for name, content in self._good.items():
            file = self._files[name]
            file.unlink(missing_ok=True)
            file.write_bytes(content)

    def asked(self) -> bool:
        """Whether somebody has opened a file that hangs."""
        for n, (file, handle) in enumerate(self._pipes):
            if handle < 0:
                with suppress(OSError):  # nobody has: that is what opening the other end tells
                    self._pipes[n] = file, os.open(file, os.O_WRONLY | os.O_NONBLOCK)
        return any(handle >= 0 for _, handle in self._pipes)

    def lose(self) -> None:
        """Take the folder away, as the kernel does with a bus whose driver goes."""
        self._release()  # what the kernel does to whoever waits for it
        self._good = {}
        shutil.rmtree(self._root.parent)

    def bring_back(self, *, renamed: bool = False) -> None:
        """See `Bench.bring_back`."""
        self._number += renamed
        self._root.mkdir(parents=True)
        self._files = self._fill(self._root, self._number)
        self._good = {name: file.read_bytes() for name, file in self._files.items()}

    def occupy(self) -> bool:
        """See `Bench.occupy`."""
        return False

    def vacate(self) -> None:
        """See `Bench.vacate`."""

    def stolen(self) -> int:
        """See `Bench.stolen`."""
        return 0

    def _release(self) -> None:
        """Let every read that hangs come back, with nothing."""
        for file, handle in self._pipes:
            # For reading too, so that it opens whether anybody waits for the other end or not.
            last = os.open(file, os.O_RDWR | os.O_NONBLOCK)
            file.unlink()
            for ours in (handle, last):
                if ours >= 0:
                    os.close(ours)
        self._pipes.clear()
