"""Putting a backup in the record's place, in one step, with the present record set aside."""

import errno
import fcntl
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from longsoak.core.wording import with_noun
from longsoak.store.backups import PHOTOS
from longsoak.store.files import INBOX, LOCK, RECORD, connect_read_only
from longsoak.store.manifest import RIG_FILE, Manifest, until_words
from longsoak.store.media import (
    TargetError,
    Work,
    copy,
    megabytes,
    megabytes_free,
    room,
    swap,
    sync_folder,
    write,
)
from longsoak.store.reader import Record
from longsoak.store.restorenote import NOTE
from longsoak.store.verify import Tell, photo_fault, verify
from longsoak.vocabulary.errors import StoreError

_SPARE = 2_000_000  # bytes for what is small


@dataclass(frozen=True, slots=True)
class Later:
    """What the record that was set aside holds beyond the backup."""

    until_utc_ms: int | None
    scans: int


@dataclass(frozen=True, slots=True)
class Restored:
    """What was put in place, what was set aside, and what a person should know of it.

    `later` is None if nothing was set aside, or what was could not be read. `waiting` is how many
    requests were taken over that nobody had answered yet.
    """

    manifest: Manifest
    folder: Path
    aside: Path | None
    later: Later | None
    written: tuple[Path, ...]
    waiting: int
    cautions: tuple[str, ...]


def restore(
    backup: Path,
    rig_file: Path,
    folder: Path,
    *,
    tell: Tell,
) -> Restored:
    """Put a backup in the place of the record, which is set aside whole.

    At every moment either the old or the new record lies there, whole.

    Parameters
    ----------
    backup : Path
        The backup's folder.
    rig_file : Path
        Where the rig file belongs. One that is there stays as it is.
    folder : Path
        The record's.
    tell : callable
        Takes bytes done and bytes in all as it goes on.

    Raises
    ------
    TargetError
        The folder holds no backup, or there is no folder to restore into.
    StoreError
        The backup is damaged or newer than this version, somebody is recording, or the disk
        refused. The record is as it was.
    """
    folder = folder.resolve()  # it may be a link to a larger disk
    if not folder.parent.is_dir():
        raise TargetError(f"{folder.parent} is not there. Make the folder the rig is to live in.")
    manifest, faults = verify(backup, lambda done, total: tell(done, 2 * total))
    staged, half = _on_the_way(folder)
    there = folder.exists()
    with _refused(folder), _held(folder):
        said = [*_settle_staged(folder, staged, half), *faults]
        later = _later(folder, manifest)
        _check_room(folder, manifest)
        aside = _free_aside(folder) if there else None
        try:
            said += _stage(backup, manifest, half, folder, aside, tell)
            waiting, lost = _take_over(folder, half, aside)
            said += lost
            written, more = _write_rig(backup, manifest, rig_file)
            _give_to_owner(half, *written, like=folder if there else folder.parent)
            half.rename(staged)
            sync_folder(folder.parent)
            _put_in_place(folder, staged, aside)
        finally:
            if half.exists():
                shutil.rmtree(half)
    return Restored(manifest, folder, aside, later, tuple(written), waiting, (*said, *more))


def is_being_restored(folder: Path) -> bool:
    """Whether a record is on its way into `folder`, or was when a restore was cut off."""
    return any(place.exists() for place in _on_the_way(folder.resolve()))


def _on_the_way(folder: Path) -> tuple[Path, Path]:
    """Where a record lies that is whole but for its place, and one that is not whole yet."""
    parent = folder.parent
    return parent / f"{folder.name}.restoring", parent / f".{folder.name}.half-restored"


def _check_room(folder: Path, manifest: Manifest) -> None:
    needed = _SPARE + sum(file.size for file in (*manifest.files, *manifest.photos))
    if (free := room(folder.parent)) < needed:
        raise StoreError(
            f"{folder.parent} has {megabytes_free(free)} free, and restoring needs "
            f"{megabytes(needed)}, for the present record is kept. Free some; the record is as it "
            "was."
        )


@contextmanager
def _refused(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        why = "it is full" if error.errno == errno.ENOSPC else (error.strerror or str(error))
        raise StoreError(
            f"the backup could not be restored: {error.filename or folder}: {why.lower()}. "
            f"The record in {folder} is as it was."
        ) from error


@contextmanager
def _held(folder: Path) -> Iterator[None]:
    """Keep `longsoak run` from starting there; refuse if it records."""
    if not folder.exists():
        yield
        return
    lock = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o644)
    _give_to_owner(folder / LOCK, like=folder)  # it stays there if nothing comes of this
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise StoreError(
                f"`longsoak run` is recording into {folder}. Stop it first "
                "(systemctl stop longsoak), then restore."
            ) from error
        yield
    finally:
        os.close(lock)


def _settle_staged(folder: Path, staged: Path, half: Path) -> list[str]:
    """Clear up after a restore that was cut off; return what a person should know of it.

    What lies under the last name but one may be the record of before, so it is kept.
    """
    if half.exists():
        shutil.rmtree(half)
    if not staged.exists():
        return []
    aside = _free_aside(folder)
    staged.rename(aside)
    return [f"A restore before was cut off; what it had in hand was kept as {aside}."]


def _free_aside(folder: Path) -> Path:
    number = 1
    while os.path.lexists(aside := folder.with_name(f"{folder.name}.before-restore-{number}")):
        number += 1
    return aside


def _later(folder: Path, manifest: Manifest) -> Later | None:
    record = Record(folder)
    try:
        until = record.last_utc_ms()
        return Later(until, max(0, record.version()[0] - manifest.scans))
    except StoreError:  # none there, or the damage that it is restored for
        return None


def _stage(
    backup: Path, manifest: Manifest, half: Path, folder: Path, aside: Path | None, tell: Tell
) -> list[str]:
    """Lay out the new folder beside the old one; return what is missing from it."""
    half.mkdir()
    total = 2 * sum(file.size for file in (*manifest.files, *manifest.photos, *manifest.photos))
    work = Work(total, lambda done, of: tell(of + done, 2 * of))
    kept = copy(backup / RECORD, half / RECORD, work)
    if kept not in manifest.files:
        raise StoreError(
            f"{backup / RECORD} reads differently from one time to the next: the stick is failing. "
            "Take another backup; the record is as it was."
        )
    sources = (backup.resolve().parent / manifest.photos_folder, folder / PHOTOS)
    missing = _copy_photos(sources, manifest, half, work)
    of = f"; what was measured after it is in {aside.name}" if aside is not None else ""
    says = f"restored from the backup {manifest.name}, {until_words(manifest)}{of}"
    write(half / NOTE, says.encode(), work)
    sync_folder(half)
    return missing


def _copy_photos(
    sources: tuple[Path, ...], manifest: Manifest, half: Path, work: Work
) -> list[str]:
    photos = half / PHOTOS
    if manifest.photos:
        photos.mkdir()
    lost = []
    for photo in manifest.photos:
        paths = [source / photo.name for source in sources]
        good = [path for path in paths if photo_fault(path, photo, work) is None]
        if good:
            copy(good[0], photos / photo.name, work)
        else:
            lost.append(photo.name)
    if manifest.photos:
        sync_folder(photos)
    if not lost:
        return []
    count = with_noun(len(lost), "photo")
    return [f"{count} of proofs could not be restored: {', '.join(lost)}."]


def _take_over(folder: Path, half: Path, aside: Path | None) -> tuple[int, list[str]]:
    """Take over what was asked and not answered yet, with its photos.

    Returns how many that are, and what a person should know if they could not be taken over.

    What was answered in the record that is set aside is asked again: there it is not known here.
    """
    if not (folder / INBOX).exists():
        return 0, []
    try:
        with closing(connect_read_only(folder / INBOX)) as old:
            (waiting,) = old.execute("SELECT count(*) FROM request").fetchone()
            if not waiting:
                return 0, []
            with closing(sqlite3.connect(half / INBOX)) as new:
                old.backup(new)
    except (sqlite3.Error, StoreError) as error:  # `longsoak run` makes a new one
        (half / INBOX).unlink(missing_ok=True)
        return 0, [
            f"What was asked and not answered yet was not taken over ({error}); it is in "
            f"{aside}. Ask again."
        ]
    there, photos = folder / PHOTOS, half / PHOTOS
    for photo in sorted(there.iterdir()) if there.is_dir() else ():
        photos.mkdir(exist_ok=True)
        if not (photos / photo.name).exists():
            copy(photo, photos / photo.name, Work(1, lambda _done, _total: None))
    for changed in (photos, half):
        if changed.is_dir():
            sync_folder(changed)
    return int(waiting), []


def _write_rig(backup: Path, manifest: Manifest, rig_file: Path) -> tuple[list[Path], list[str]]:
    """Put the rig file and curve files where there are none; say which that are there differ."""
    written: list[Path] = []
    cautions: list[str] = []
    home = rig_file.resolve().parent
    for name, kept in ((rig_file.name, RIG_FILE), *manifest.curve_files):
        to, content = home / name, (backup / kept).read_bytes()
        if not to.resolve().is_relative_to(home):
            if not to.exists():
                cautions.append(f"{to} lies elsewhere and was left out: it is {backup / kept}.")
        elif os.path.lexists(to):
            if to.read_bytes() != content:
                cautions.append(
                    f"{to} is not as it was when the backup was made, and was left as it is. What "
                    f"it was is {backup / kept}."
                )
        else:
            to.parent.mkdir(parents=True, exist_ok=True)
            part = to.with_name(f".{to.name}.part")
            part.unlink(missing_ok=True)
            write(part, content, Work(1, lambda _done, _total: None))
            part.rename(to)
            sync_folder(to.parent)
            written.append(to)
    return written, cautions


def _give_to_owner(*paths: Path, like: Path) -> None:
    """Let what root makes belong to whom the record belongs, or measuring could not go on."""
    if os.geteuid() != 0:
        return
    owner = like.stat()
    for path in paths:
        for each in (path, *path.rglob("*")):
            os.chown(each, owner.st_uid, owner.st_gid)


def _put_in_place(folder: Path, staged: Path, aside: Path | None) -> None:
    try:
        if aside is None:
            staged.rename(folder)
        else:
            swap(folder, staged)
    except OSError as error:
        shutil.rmtree(staged)  # what was laid out, for nothing was exchanged
        raise StoreError(
            f"the folders could not be exchanged in one step ({error.strerror}). Move {folder} "
            "aside yourself, and restore again; the record is as it was."
        ) from error
    try:
        sync_folder(folder.parent)
        if aside is not None:
            staged.rename(aside)
            sync_folder(folder.parent)
    except OSError as error:
        raise StoreError(
            f"the backup lies in {folder}, and what lay there before in {staged} or {aside}, but "
            f"the disk failed then ({error.strerror}). Look at it (dmesg) before you go on."
        ) from error
