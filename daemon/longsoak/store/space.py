"""Room on the record's disk, what is written to it, and how long that will go on."""

import os
import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, TypeVar

from longsoak.store.files import RECORD
from longsoak.store.recordfile import RecordFile
from longsoak.vocabulary.errors import StoreError

RESERVE = "reserve"
DAY = 86_400.0  # s
PACE_DAYS = 7.0  # a week has every sort of day in it
LEAST = 3600.0  # s: a shorter time says nothing of a day

T = TypeVar("T")

_IO = Path("/proc/self/io")


class Room(NamedTuple):
    """Bytes of the file system the record lies on: free for this user, and in all."""

    free: int
    size: int


class Written(NamedTuple):
    """What was counted over a stretch of running: its length in s, then bytes.

    `written` is what the process wrote to disks, None where the kernel does not tell; `record` how
    large the record was at the end, `free` what was free then.
    """

    seconds: float
    written: int | None
    record: int
    free: int


@dataclass(frozen=True, slots=True)
class Pace:
    """What is written a day, and for how long there is room.

    Days are days of running; the time the daemon did not run is left out.

    Parameters
    ----------
    last_day : float or None
        Bytes written over the last day, scaled up where less was counted; None is not known.
    whole : float or None
        Bytes written a day since counting began.
    growth : float or None
        Bytes a day that the record grows, or that free space shrinks where that is more.
    """

    last_day: float | None = None
    whole: float | None = None
    growth: float | None = None

    def days_left(self, free: int) -> float | None:
        """Days until `free` bytes are used up; None if nobody knows, or it does not shrink."""
        return None if not self.growth else free / self.growth


def amount_words(count: float) -> str:
    """A number of bytes for a sentence: "0.4 MB", "250 MB", "29.0 GB"."""
    mega = count / 1e6
    if mega >= 1000:
        return f"{mega / 1000:.1f} GB"
    return f"{mega:.0f} MB" if mega >= 10 else f"{mega:.1f} MB"


def room(folder: Path) -> Room | None:
    """The room on the file system of `folder`; None if it does not tell."""
    try:
        seen = os.statvfs(folder)
    except OSError:
        return None
    return Room(seen.f_bavail * seen.f_frsize, seen.f_blocks * seen.f_frsize)


def written_by_us(io: Path = _IO) -> int | None:
    """Bytes this process has sent on their way to disks; None if the kernel does not tell.

    Source: torvalds/linux, Documentation/filesystems/proc.rst, 3.3, ``write_bytes`` (from memory):
    counted when a page is made dirty; ``cancelled_write_bytes`` were never written.
    """
    try:
        lines = dict(line.split(":", 1) for line in io.read_text("ascii").splitlines())
        return int(lines["write_bytes"]) - int(lines["cancelled_write_bytes"])
    except (OSError, ValueError, KeyError):
        return None


def record_bytes(folder: Path) -> int:
    """How large the record is, its log left out: that comes and goes."""
    try:
        return (folder / RECORD).stat().st_size
    except OSError:
        return 0


def pace(counted: Sequence[Written]) -> Pace:
    """What `counted`, oldest first, says of a day."""
    known = [(one.seconds, one.written) for one in counted if one.written is not None]
    recent = _until(reversed(known), DAY)
    stretch = lately(reversed(counted))
    growth = None
    if len(stretch) > 1 and (seconds := sum(one.seconds for one in stretch[1:])) >= LEAST:
        first, last = stretch[0], stretch[-1]
        used = max(last.record - first.record, first.free - last.free, 0)
        growth = used / seconds * DAY
    return Pace(last_day=_a_day(recent), whole=_a_day(known), growth=growth)


def lately(newest_first: Iterable[Written]) -> list[Written]:
    """What the growth is taken from: as much as `PACE_DAYS` have, oldest first."""
    taken = _until(((one.seconds, one) for one in newest_first), PACE_DAYS * DAY)
    return [one for _, one in taken]


def _until(newest_first: Iterable[tuple[float, T]], most: float) -> list[tuple[float, T]]:
    """The last of some items, whose seconds add up to no more than `most`, oldest first."""
    taken: list[tuple[float, T]] = []
    seconds = 0.0
    for item in newest_first:
        seconds += item[0]
        if seconds > most and taken:
            break
        taken.append(item)
    return taken[::-1]


def _a_day(counted: Sequence[tuple[float, int]]) -> float | None:
    seconds = sum(s for s, _ in counted)
    return None if seconds < LEAST else sum(b for _, b in counted) / seconds * DAY


class Space(RecordFile):
    """What was counted of the disk, as the measuring process has kept it each hour."""

    def counted(self) -> list[Written]:
        """All of it, oldest first."""
        with self._open() as db:
            rows = db.execute(
                "SELECT seconds, written, record, free FROM disk_hour ORDER BY id"
            ).fetchall()
        return [Written(*row) for row in rows]

    def lately(self) -> list[Written]:
        """What the growth is taken from, oldest first; see `lately`."""
        with self._open() as db:
            rows = db.execute(
                "SELECT seconds, written, record, free FROM disk_hour ORDER BY id DESC"
            )
            return lately(Written(*row) for row in rows)

    def pace(self) -> Pace:
        """What is written a day."""
        return pace(self.counted())


def add_written(db: sqlite3.Connection, counted: Iterable[tuple[int, Written]]) -> None:
    """Append what was counted, each with when, UTC ms."""
    db.executemany(
        "INSERT INTO disk_hour (utc_ms, seconds, written, record, free) VALUES (?, ?, ?, ?, ?)",
        [(utc_ms, *one) for utc_ms, one in counted],
    )


def keep_reserve(folder: Path, size: int) -> None:
    """Hold `size` bytes of the disk, to be given up when nothing else is left; 0 holds none.

    Raises
    ------
    StoreError
        The disk has no room for it; none is held then.
    """
    file = folder / RESERVE
    try:
        if file.exists() and file.stat().st_size == size:
            return
        file.unlink(missing_ok=True)
        if size:
            with file.open("wb") as held:
                os.posix_fallocate(held.fileno(), 0, size)
                os.fsync(held.fileno())
    except OSError as error:
        give_up_reserve(folder)
        raise StoreError(f"no room could be held in reserve: {error.strerror}") from error


def give_up_reserve(folder: Path) -> int:
    """Give the reserve's room back; return how many bytes that were."""
    file = folder / RESERVE
    size = 0
    with suppress(OSError):
        size = file.stat().st_size
        file.unlink()
    return size
