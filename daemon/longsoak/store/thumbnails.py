"""Small pictures of photos: a cache beside the record, made by a process that may take little.

A file that unpacks to gigabytes, or that stops a decoder, ends that process and no other.
"""

import os
import subprocess
import sys
import threading
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from longsoak.core.pictures import picture_in
from longsoak.store import shrink
from longsoak.store.photos import (
    THUMBNAILS,
    Photo,
    check_picture,
    keep_photo,
    name_of,
    photo_at,
)
from longsoak.vocabulary.errors import RequestError

WIDTHS = (320, 640, 1600)  # pixels
# Above this none is made: the photo is kept and shown as it is. A JPEG is unpacked in part.
_UNPACKED = {".jpg": 250_000_000, ".png": 24_000_000, ".webp": 12_000_000}
_PATIENCE = 40.0  # s: twice the time of a processor it may take
_ROOM = 100_000_000  # bytes free, below which none is kept
_ONE = threading.Lock()  # one at a time: a small machine has one card and little memory


def keep_seen(folder: Path, content: bytes) -> Photo:
    """Keep a photo beside the record once its small pictures could be made, or need not be.

    Raises
    ------
    RequestError
        It is no photo, as for `keep_photo`, or is damaged, such as one that was cut short.
    StoreError
        It can't be written there.
    """
    check_picture(content)
    made = _made(content)
    photo = keep_photo(folder, content)
    _keep(folder, photo.sha256, made)
    return photo


def thumbnail(folder: Path, sha256: str, width: int) -> bytes | None:
    """The small picture of a photo, a JPEG file; None where there is none.

    Parameters
    ----------
    folder : Path
        The record's folder.
    sha256 : str
        The photo's digest, hexadecimal.
    width : int
        One of `WIDTHS`.
    """
    name = name_of(folder, sha256)
    found = None if name is None or width not in WIDTHS else photo_at(folder, name)
    if found is None:
        return None
    try:
        return _path(folder, sha256, width).read_bytes() or None
    except OSError:
        pass  # not made yet, or dropped
    try:
        made = _made(found[0].read_bytes())
    except (OSError, RequestError):  # it lies on a damaged card
        made = dict.fromkeys(WIDTHS, b"")
    _keep(folder, sha256, made)
    return made[width] or None


def has_thumbnail(folder: Path, name: str) -> bool:
    """Whether a photo's small picture can be shown, as far as is known before it is made."""
    if name.endswith(".heic"):
        return False
    try:
        return _path(folder, Path(name).stem, WIDTHS[0]).stat().st_size > 0
    except OSError:
        return True  # not made yet


def _made(content: bytes) -> Mapping[int, bytes]:
    """Its small pictures by width, empty ones where it takes too much to make them.

    Raises
    ------
    RequestError
        There is no whole picture in it.
    """
    none = dict.fromkeys(WIDTHS, b"")
    picture = picture_in(content)
    if picture is None or picture.pixels > _UNPACKED.get(picture.ending, -1):
        return none
    # By its file and isolated: it needs nothing of ours, and so starts in a tenth of a second.
    command = [sys.executable, "-I", shrink.__file__, *map(str, WIDTHS)]
    try:
        with _ONE:
            ended = subprocess.run(  # noqa: S603 - our own program, told numbers
                command, input=content, capture_output=True, timeout=_PATIENCE, check=False
            )
    except (OSError, subprocess.TimeoutExpired):
        return none
    if ended.returncode == shrink.NO_PICTURE:
        raise RequestError(
            "The photo can't be opened: it is damaged, or was cut short on its way. Take it once "
            "more, or save it anew. Nothing was kept."
        )
    return _apart(ended.stdout) if ended.returncode == 0 else none


def _apart(written: bytes) -> dict[int, bytes]:
    found, at = {}, 0
    for width in sorted(WIDTHS, reverse=True):
        size = int.from_bytes(written[at : at + 4], "big")
        found[width] = written[at + 4 : at + 4 + size]
        at += 4 + size
    return found


def _keep(folder: Path, sha256: str, made: Mapping[int, bytes]) -> None:
    """Put them into the cache, if that can be: they can be made again."""
    with suppress(OSError):
        room = os.statvfs(folder)
        if room.f_bavail * room.f_frsize < _ROOM:
            return
        (folder / THUMBNAILS).mkdir(exist_ok=True)
        for width, content in made.items():
            path = _path(folder, sha256, width)
            part = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}")
            part.write_bytes(content)
            part.replace(path)


def _path(folder: Path, sha256: str, width: int) -> Path:
    return folder / THUMBNAILS / f"{sha256}-{width}.jpg"
