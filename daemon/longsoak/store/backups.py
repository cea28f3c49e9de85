"""The backups of a rig that lie in one folder: found, told apart from others' things, removed."""

import re
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from longsoak.store.files import RECORD
from longsoak.store.manifest import ABOUT, MANIFEST, RIG_FILE, Manifest, read_manifest
from longsoak.vocabulary.errors import StoreError

LOCK_NAME = ".longsoak-backup.lock"
PHOTOS = "photos"  # of proofs, in the record's folder

_PHOTO = re.compile(r"[0-9a-f]{64}\.[a-z]{3,4}")

# What FAT and exFAT refuse in a name (Microsoft, "Naming Files, Paths, and Namespaces", read in
# a transcription).
_NOT_ON_FAT = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]')
_LONGEST = 150  # bytes of a rig's name in UTF-8; a file name has 255
_OURS = re.compile(
    rf"{re.escape(RECORD)}(-journal|-wal|-shm)?|{re.escape(RIG_FILE)}|{re.escape(MANIFEST)}"
    rf"|{re.escape(ABOUT)}|curves \d+\.toml"
)


@dataclass(frozen=True, slots=True)
class Found:
    """A backup; `whole` if every file of it is there and as long as it was."""

    folder: Path
    manifest: Manifest
    whole: bool


def name_of(rig: str) -> str:
    """A rig's name as a file of any stick may have it."""
    legal = _NOT_ON_FAT.sub("-", rig).encode()[:_LONGEST].decode(errors="ignore").strip(" .")
    return legal or "rig"


def is_photo(name: str) -> bool:
    """Whether a file is a kept photo, rather than one that is being written."""
    return _PHOTO.fullmatch(name) is not None


def found_in(to: Path, rig: str | None) -> list[Found]:
    """The backups in a folder, of one rig or all, oldest first.

    One that was renamed or copied there by hand is its owner's, and left alone.
    """
    found = []
    for folder in to.iterdir():
        if folder.name.startswith(".") or not (folder / MANIFEST).is_file():
            continue
        with suppress(StoreError):
            manifest = read_manifest(folder)
            if rig in (None, manifest.rig) and manifest.name == folder.name:
                found.append(Found(folder, manifest, _whole(folder, manifest)))
    return sorted(found, key=lambda one: one.manifest.number)


def _whole(folder: Path, manifest: Manifest) -> bool:
    try:
        return all((folder / file.name).stat().st_size == file.size for file in manifest.files)
    except OSError:
        return False


def sweep(to: Path, rig: str) -> list[str]:
    """Remove what a cut-off backup of this rig left; return what a person should look at."""
    cut_off = re.compile(
        rf"\.{re.escape(name_of(rig))} \d{{8}}T\d{{6}}Z(-\d+)?\.(part|old)", re.DOTALL
    )
    return [
        f"{folder} was left by a backup that was cut off, and holds {left[0]}, which is none of "
        "its files: look at it, and remove it yourself."
        for folder in list(to.iterdir())
        if cut_off.fullmatch(folder.name) and folder.is_dir() and (left := remove(folder))
    ]


def remove(folder: Path) -> list[str]:
    """Remove a backup; return the names in it that are none of a backup's files.

    If there are any, nothing is removed.

    Raises
    ------
    OSError
        The disk refused.
    """
    files = list(folder.iterdir())
    if foreign := [file.name for file in files if not _OURS.fullmatch(file.name)]:
        return sorted(foreign)
    for file in files:
        file.unlink()
    folder.rmdir()
    return []
