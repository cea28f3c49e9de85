"""What `longsoak now` says of the disk that the record lies on."""

from dataclasses import dataclass
from pathlib import Path

from longsoak.core.wording import age_words
from longsoak.store.aside import files_aside
from longsoak.store.space import DAY, Pace, Room, Space, amount_words, room

_FULL = 100_000  # bytes: with less, a commit may not fit


@dataclass(frozen=True, slots=True)
class DiskSeen:
    """The disk at one look; `aside` are damaged records that were set aside, with their bytes."""

    room: Room | None
    pace: Pace
    aside: tuple[tuple[str, int], ...]


def look_at_disk(folder: Path) -> DiskSeen:
    """Look at the disk of the record in `folder`.

    Raises
    ------
    StoreError
        The record can't be read.
    """
    aside = tuple((file.name, file.stat().st_size) for file in files_aside(folder))
    return DiskSeen(room(folder), Space(folder).pace(), aside)


def disk_picture(seen: DiskSeen) -> dict[str, object]:
    """The disk for ``--json``."""
    here, pace = seen.room, seen.pace
    return {
        "free_bytes": here and here.free,
        "size_bytes": here and here.size,
        "written_last_day_bytes": _whole(pace.last_day),
        "written_per_day_bytes": _whole(pace.whole),
        "days_left": here and pace.days_left(here.free),
        "set_aside": [{"file": name, "bytes": size} for name, size in seen.aside],
    }


def disk_lines(seen: DiskSeen) -> list[str]:
    """The disk in words, a line or two."""
    lines = [f"Set aside: {name}, {amount_words(size)}." for name, size in seen.aside]
    if seen.room is None:
        return lines
    says = f"{amount_words(seen.room.free)} free of {amount_words(seen.room.size)}"
    days = seen.pace.days_left(seen.room.free)
    if days is not None:
        says += f", full in {age_words(days * DAY)} at this pace"
    if seen.pace.last_day is None or seen.pace.whole is None:
        says += "; what is written a day is not known yet"
    else:
        says += f"; {amount_words(seen.pace.last_day)} written in the last day"
        says += f", {amount_words(seen.pace.whole)} a day in all"
    lines.append(f"Disk: {says}.")
    if seen.room.free < _FULL:
        lines.append("It is full: what is measured waits in memory, and is lost with the power.")
    return lines


def _whole(count: float | None) -> int | None:
    return None if count is None else round(count)
