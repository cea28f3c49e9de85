"""Whether a backup is as it was made, byte by byte."""

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from longsoak.store.backups import found_in
from longsoak.store.files import RECORD
from longsoak.store.manifest import Manifest, read_manifest
from longsoak.store.media import Kept, TargetError, Work, digest
from longsoak.store.recordcopy import looked_over
from longsoak.vocabulary.errors import StoreError

Tell = Callable[[int, int], None]


def verify(backup: Path, tell: Tell) -> tuple[Manifest, list[str]]:
    """Read every byte of a backup, and compare it with what the backup says of itself.

    Returns
    -------
    tuple
        What it says, and which photos are missing or damaged.

    Raises
    ------
    TargetError
        The folder holds no backup.
    StoreError
        The backup is damaged, or was made by a newer version. Nothing was changed.
    """
    try:
        manifest = read_manifest(backup)
    except TargetError as error:
        raise _with_names(backup, error) from error
    size = next(file.size for file in manifest.files if file.name == RECORD)
    total = size + sum(file.size for file in (*manifest.files, *manifest.photos))
    work = Work(total, tell)
    for file in manifest.files:
        _check(backup / file.name, file, work)
    counted = looked_over(backup / RECORD)
    work.done(size)
    found = (counted.scans, counted.readings, counted.migrations)
    if found != (manifest.scans, manifest.readings, manifest.migrations):
        raise StoreError(
            f"the backup {backup} is damaged: its record holds {counted.scans} scans, and "
            f"{manifest.scans} when it was made. Take another backup."
        )
    beside = backup.resolve().parent / manifest.photos_folder
    return manifest, [
        f"The photo {photo.name} {fault}."
        for photo in manifest.photos
        if (fault := photo_fault(beside / photo.name, photo, work)) is not None
    ]


def _with_names(backup: Path, error: TargetError) -> TargetError:
    """Name the newest backup where a person named the folder they lie in."""
    with suppress(OSError):
        if found := found_in(backup, None):
            newest = max(found, key=lambda one: one.manifest.made_utc_ms)
            return TargetError(
                f"{backup} is not a backup, but {len(found)} lie in it. Name one of them, such as "
                f'the newest: "{newest.folder}".'
            )
    return error


def _check(path: Path, file: Kept, work: Work) -> None:
    try:
        if path.stat().st_size != file.size:
            raise StoreError(
                f"the backup is damaged: {path} has {path.stat().st_size} bytes, and had "
                f"{file.size} when it was made. Take another backup."
            )
        if digest(path, work, from_the_disk=True) != file.sha256:
            raise StoreError(
                f"the backup is damaged: {path} is not as it was made (its SHA-256 differs). "
                "Take another backup."
            )
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise StoreError(
            f"the backup is damaged: {path} can't be read ({why}). Take another backup."
        ) from error


def photo_fault(path: Path, photo: Kept, work: Work) -> str | None:
    """What is wrong with a photo that a backup lists; None if it is as it was."""
    try:
        if digest(path, work, from_the_disk=True) == photo.sha256:
            return None
    except FileNotFoundError:
        return f"is missing from {path.parent}"
    except OSError as error:
        return f"can't be read ({error.strerror})"
    return f"in {path.parent} is damaged"
