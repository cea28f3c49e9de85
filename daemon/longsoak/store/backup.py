"""Copying the record and what belongs to it, while it is written, into a folder of its own."""

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from longsoak.store.backups import (
    PHOTOS,
    Found,
    found_in,
    is_photo,
    name_of,
    remove,
    sweep,
)
from longsoak.store.files import RECORD
from longsoak.store.manifest import ABOUT, MANIFEST, RIG_FILE, Manifest, about, as_json
from longsoak.store.media import (
    Kept,
    Work,
    copy,
    on_one_disk,
    settle,
    sync_folder,
    write,
)
from longsoak.store.reader import Record
from longsoak.store.recordcopy import copy_record, looked_over
from longsoak.store.target import check_room, check_target, sole, told, why

KEEP = 7  # backups


@dataclass(frozen=True, slots=True)
class RigFiles:
    """A rig file as it lies there, and the curve files it names, each with its name in it."""

    rig: str
    text: bytes
    curves: tuple[tuple[str, bytes], ...] = ()


@dataclass(frozen=True, slots=True)
class Made:
    """A backup that was made, what went for it, and what a person should know of it."""

    folder: Path
    manifest: Manifest
    removed: tuple[str, ...]
    cautions: tuple[str, ...]


def back_up(
    folder: Path,
    to: Path,
    *,
    rig: RigFiles,
    keep: int,
    mounted: bool,
    utc_ms: int,
    clock_known: bool,
    software: str,
    tell: Callable[[int, int], None],
) -> Made:
    """Copy a record, its photos and its rig file, and keep the newest copies.

    The copy is one moment of the record, whole, read back and checked before it gets its name; a
    backup that has one is good. Older ones go only after that.

    Parameters
    ----------
    folder : Path
        The record's; it is only read.
    to : Path
        Where backups lie. It must be there.
    rig : RigFiles
        What is copied beside the record.
    keep : int
        How many backups of this record stay, this one included; 1 or more.
    mounted : bool
        Refuse unless a file system is mounted at `to`.
    utc_ms, clock_known
        The time it is called by, and whether that can be trusted.
    software : str
        The version that makes it.
    tell : callable
        Takes bytes done and bytes in all as it goes on.

    Raises
    ------
    TargetError
        `to` can't take it; nothing was written.
    StoreError
        The record or the copy is damaged, or the disk refused. What was there before still is.
    """
    record = folder / RECORD
    check_target(to, folder, mounted=mounted)
    with sole(to), told(to):
        cautions = sweep(to, rig.rig)
        before = found_in(to, rig.rig)
        photos = _photos(folder)
        beside = to / f"{name_of(rig.rig)} photos"
        missing = [photo for photo in photos if not _is_there(photo, beside)]
        check_room(to, record, missing)
        size = record.stat().st_size
        work = Work(4 * size + 3 * sum(photo.stat().st_size for photo in missing), tell)
        name = _free_name(to, rig.rig, utc_ms)
        part = to / f".{name}.part"
        try:
            part.mkdir()
            copy_record(record, part / RECORD, work)
            files = [settle(part / RECORD, work)]
            counted = looked_over(part / RECORD)
            work.done(size)
            of_photos, said = _copy_photos(photos, missing, beside, work)
            cautions += said
            files += _write_rig(rig, part, work)
            manifest = Manifest(
                name=name,
                rig=rig.rig,
                record=counted.record,
                number=1 + max((one.manifest.number for one in before), default=0),
                made_utc_ms=utc_ms,
                clock_known=clock_known,
                software=software,
                migrations=counted.migrations,
                scans=counted.scans,
                readings=counted.readings,
                since_utc_ms=Record(part).first_utc_ms(),
                until_utc_ms=Record(part).last_utc_ms(),
                files=tuple(files),
                curve_files=tuple(zip((c for c, _ in rig.curves), _curve_names(rig), strict=True)),
                photos_folder=beside.name,
                photos=of_photos,
            )
            write(part / ABOUT, about(manifest).encode(), work)
            write(part / MANIFEST, as_json(manifest).encode(), work)
            sync_folder(part)
            part.rename(to / name)
            sync_folder(to)
        finally:  # Ctrl-C too
            if part.exists():
                remove(part)
        # Those of an earlier record are all there is of it, should it be lost.
        same = [one for one in before if one.manifest.record == counted.record]
        removed, said = _thin_out(same, keep - 1)
    cautions += said
    if on_one_disk(folder, to):
        cautions.append(
            f"{to} lies on the same disk or card as the record, and is lost with it. Keep a backup "
            "on a stick or another computer too."
        )
    return Made(to / name, manifest, tuple(removed), tuple(cautions))


def _curve_names(rig: RigFiles) -> list[str]:
    return [f"curves {number}.toml" for number in range(1, len(rig.curves) + 1)]


def _write_rig(rig: RigFiles, part: Path, work: Work) -> list[Kept]:
    files = [write(part / RIG_FILE, rig.text, work)]
    for name, (_, content) in zip(_curve_names(rig), rig.curves, strict=True):
        files.append(write(part / name, content, work))
    return files


def _free_name(to: Path, rig: str, utc_ms: int) -> str:
    when = datetime.fromtimestamp(utc_ms // 1000, UTC)
    name = first = f"{name_of(rig)} {when:%Y%m%dT%H%M%SZ}"  # ISO 8601 without colons, for FAT
    again = 1
    while os.path.lexists(to / name):
        again += 1
        name = f"{first}-{again}"
    return name


def _photos(folder: Path) -> list[Path]:
    try:
        return sorted(path for path in (folder / PHOTOS).iterdir() if is_photo(path.name))
    except FileNotFoundError:
        return []


def _is_there(photo: Path, beside: Path) -> bool:
    with suppress(OSError):
        return (beside / photo.name).stat().st_size == photo.stat().st_size
    return False


def _copy_photos(
    photos: list[Path], missing: list[Path], beside: Path, work: Work
) -> tuple[tuple[Kept, ...], list[str]]:
    kept: list[Kept] = []
    cautions: list[str] = []
    if missing:
        beside.mkdir(exist_ok=True)
    for photo in photos:
        if photo in missing:
            part = beside / f".{photo.name}.part"
            part.unlink(missing_ok=True)
            if copy(photo, part, work).sha256 != photo.stem:
                part.unlink()
                cautions.append(
                    f"the photo {photo.name} in the record is damaged and was left out. The "
                    "card may be wearing out."
                )
                continue
            part.replace(beside / photo.name)
        kept.append(Kept(photo.name, (beside / photo.name).stat().st_size, photo.stem))
    if missing:
        sync_folder(beside)
    return tuple(kept), cautions


def _thin_out(before: list[Found], keep: int) -> tuple[list[str], list[str]]:
    """Remove all but the newest `keep` of the backups that were there before."""
    whole = sorted((one for one in before if one.whole), key=lambda one: one.manifest.number)
    removed: list[str] = []
    cautions = [
        f"the older backup {one.folder.name} is no longer whole, and was left as it is. Look why "
        "(longsoak restore --check), and remove it yourself."
        for one in before
        if not one.whole
    ]
    for one in whole[: max(0, len(whole) - keep)]:
        gone = one.folder.with_name(f".{one.folder.name}.old")
        try:
            one.folder.rename(gone)
            left = remove(gone)
        except OSError as error:
            cautions.append(f"the older backup {one.folder.name} can't be removed: {why(error)}.")
            continue
        if left:
            gone.rename(one.folder)
            cautions.append(
                f"the older backup {one.folder.name} was left, for it holds {left[0]}, which is "
                "none of its files. Move that elsewhere."
            )
        else:
            removed.append(one.folder.name)
    return removed, cautions
