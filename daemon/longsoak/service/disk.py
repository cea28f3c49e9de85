"""The chore that watches the room on the disk, and makes some before it is full."""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple, Protocol

from longsoak.core.wording import age_words
from longsoak.store.beforeupgrade import drop_copy
from longsoak.store.photos import drop_thumbnails
from longsoak.store.space import (
    DAY,
    Pace,
    Room,
    Space,
    Written,
    amount_words,
    give_up_reserve,
    keep_reserve,
    lately,
    pace,
    record_bytes,
    room,
    written_by_us,
)
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.happening import Event
from longsoak.vocabulary.rig import Marks

LOOK = 10.0  # s: a program that fills a disk does it fast
COUNT = 3600.0  # s between two lines of what was written
WELL_ABOVE = 1.25  # of the low mark: there what was dropped is made again
OVER = 1.1  # of the low mark: there the alarm ends
WORTH = 4  # times its size must be free before a reserve is held


class Rebuildable(Protocol):
    """Something beside the record that can be made again from it."""

    def drop_and_rest(self) -> None:
        """Delete it, and don't make it again yet."""
        ...

    def resume(self) -> None:
        """Make it again."""
        ...


class _Count(NamedTuple):
    now: float
    written: int | None


class Disk:
    """Looks at the free space every few seconds and counts each hour. See `Chore`.

    At the low mark it is an alarm; at the lowest, what can be made again is dropped, and the copy
    that an upgrade left; before the disk is full the reserve is given up, so that alarms and scans
    are kept for some hours more. No reading is ever dropped.

    Parameters
    ----------
    writer : RecordWriter
        The record, open for writing.
    marks : Marks
        As the rig file has them.
    rebuildable : Rebuildable
        What is dropped at the lowest mark.
    count : float
        Seconds between two lines of what was written.
    """

    name = "disk"

    def __init__(
        self,
        writer: RecordWriter,
        *,
        marks: Marks,
        rebuildable: Rebuildable,
        count: float = COUNT,
    ) -> None:
        self._writer = writer
        self._folder: Path = writer.folder
        self._marks = marks
        self._rebuildable = rebuildable
        self._every = count
        self._counted: list[Written] | None = None
        self._since: _Count | None = None
        self._dropped = False
        self._low: str | None = None

    def standing(self) -> Mapping[Watch, str | None]:
        """What is wrong with the disk, by the alarm that watches it."""
        return {Watch.DISK: self._low}

    def do(self, *, now: float, utc_ms: int) -> tuple[float, Sequence[Event]]:
        """Look, and count if an hour is over."""
        here = room(self._folder)
        if here is None:
            return LOOK, ()
        says = [*self._drop(here), *self._hold(here)]
        self._count(now, utc_ms, here)
        self._judge(here)
        return LOOK, [Event(utc_ms, "disk", "record", words) for words in says]

    def _judge(self, here: Room) -> None:
        mark = self._marks.low * (OVER if self._low is not None else 1.0)
        if here.free >= mark:
            self._low = None
            return
        self._low = f"{free_words(here)}; {left_words(pace(self._counted or ()), here)}"

    def _drop(self, here: Room) -> list[str]:
        again = max(WELL_ABOVE * self._marks.low, self._marks.lowest)
        if self._dropped:
            if here.free < again:
                return []
            self._dropped = False
            self._rebuildable.resume()
            return [f"{free_words(here)}: hours and days are added up again"]
        if here.free >= self._marks.lowest:
            return []
        self._dropped = True
        self._rebuildable.drop_and_rest()
        drop_thumbnails(self._folder)
        drop_copy(self._folder)
        self._writer.fold_in()  # its log is room too
        return [
            f"{free_words(here)}: hours and days added up beforehand were dropped. They are made "
            f"again when {amount_words(again)} are free; no reading is dropped"
        ]

    def _hold(self, here: Room) -> list[str]:
        size = self._marks.reserve
        if here.free < size / 2:
            given_up = give_up_reserve(self._folder)
            return (
                [f"{free_words(here)}: {amount_words(given_up)} held in reserve were given up"]
                if given_up
                else []
            )
        if here.free >= max(WORTH * size, self._marks.lowest):
            try:
                keep_reserve(self._folder, size)
            except StoreError as error:
                return [str(error)]
        return []

    def _count(self, now: float, utc_ms: int, here: Room) -> None:
        if self._counted is None:
            self._counted = Space(self._folder).lately()
        if self._since is None:
            self._since = _Count(now, written_by_us())
        seconds = now - self._since.now
        if seconds < self._every:
            return
        total = written_by_us()
        written = None
        if total is not None and self._since.written is not None:
            written = total - self._since.written
        one = Written(seconds, written, record_bytes(self._folder), here.free)
        with suppress(StoreError):  # told with the scans; counted a little later
            self._writer.commit(Batch(disk=[(utc_ms, one)]))
            self._since = _Count(now, total)
            self._counted = lately((one, *reversed(self._counted)))


def free_words(here: Room) -> str:
    """How much is free, in words."""
    return f"{amount_words(here.free)} free of {amount_words(here.size)}"


def left_words(known: Pace, here: Room) -> str:
    """For how long that is enough, in words."""
    if known.growth is None:
        return "how fast it fills is not known yet"
    days = known.days_left(here.free)
    return "it does not fill" if days is None else f"full in {age_words(days * DAY)} at this pace"
