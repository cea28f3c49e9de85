"""Photos that belong to the record: files of their own, named by what is in them, never changed."""

import hashlib
import os
import shutil
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from longsoak.core.pictures import Picture, picture_in
from longsoak.store.media import sync_folder
from longsoak.vocabulary.errors import RequestError, StoreError

FOLDER = "photos"  # beside the record
LARGEST = 25_000_000  # bytes; a phone's photo has a third of that
THUMBNAILS = "thumbnails"  # beside the record; made again from the photos, and never backed up
# What a browser or a program may have to unpack at once. No phone takes more.
MOST_PIXELS = {".jpg": 250_000_000, ".png": 50_000_000, ".webp": 50_000_000}

_MEDIA = {
    ".jpg": "image/jpeg",
    ".png": "image/png",
    ".webp": "image/webp",
    ".heic": "image/heic",
}


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo that is kept: its file's name, and the SHA-256 of what is in it."""

    name: str
    sha256: str


def keep_photo(folder: Path, content: bytes) -> Photo:
    """Keep a photo beside the record; the same photo again is the same file.

    Parameters
    ----------
    folder : Path
        The record's folder.
    content : bytes
        A JPEG, PNG, WebP or HEIC file.

    Raises
    ------
    RequestError
        It is none of these, or larger than `LARGEST`, or has more than `MOST_PIXELS`.
    StoreError
        It can't be written there.
    """
    if len(content) > LARGEST:
        raise RequestError(
            f"The photo has {len(content) / 1e6:.0f} MB, at most {LARGEST / 1e6:g} MB are taken. "
            "Take a smaller one. Nothing was kept."
        )
    ending = check_picture(content).ending
    digest = hashlib.sha256(content).hexdigest()
    path = folder / FOLDER / f"{digest}{ending}"
    part = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}")
    try:
        if not path.exists():
            path.parent.mkdir(exist_ok=True)
            with part.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            part.rename(path)
        # Or a power cut could leave the file without its name. Where it is there already too:
        # whoever keeps the same photo at this moment may not have come to it yet.
        sync_folder(path.parent)
        sync_folder(folder)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        raise StoreError(
            f"the photo can't be kept in {path.parent}: {error.strerror}. Nothing was kept."
        ) from error
    return Photo(path.name, digest)


def check_picture(content: bytes) -> Picture:
    """What is in a file, as far as its head tells.

    Raises
    ------
    RequestError
        No photo, or one that unpacks to more than is taken.
    """
    found = picture_in(content)
    if found is None:
        raise RequestError(
            "The file is no photo: a JPEG, PNG, WebP or HEIC file is taken. Nothing was kept."
        )
    most = MOST_PIXELS.get(found.ending)
    if most is not None and found.pixels > most:
        raise RequestError(
            f"The photo is {found.width} x {found.height} pixels, at most {most / 1e6:g} million "
            "are taken. Take a smaller one. Nothing was kept."
        )
    return found


def drop_thumbnails(folder: Path) -> None:
    """Delete the small pictures of photos in a record's folder: they are made again when seen."""
    with suppress(OSError):
        shutil.rmtree(folder / THUMBNAILS)


def photo_at(folder: Path, name: str) -> tuple[Path, str] | None:
    """A kept photo's file and its media type; None where there is none of that name."""
    media = _MEDIA.get(Path(name).suffix)
    if media is None or Path(name).name != name:
        return None
    path = folder / FOLDER / name
    return (path, media) if path.is_file() else None


def name_of(folder: Path, sha256: str) -> str | None:
    """The file name of the photo with that digest, told in hexadecimal; None if none is kept."""
    names = (f"{sha256}{ending}" for ending in _MEDIA)
    return next((name for name in names if photo_at(folder, name) is not None), None)
