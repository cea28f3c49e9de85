"""What a backup says of itself: which files, how much of which record, and from when."""

import json
import re
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeVar

from longsoak.core.wording import time_words, with_noun
from longsoak.store.files import RECORD
from longsoak.store.media import Kept, TargetError
from longsoak.store.migrations import ALL
from longsoak.vocabulary.errors import StoreError

MANIFEST = "manifest.json"
ABOUT = "about.txt"
RIG_FILE = "rig.toml"

_FORM = 1  # of the manifest; one with a larger number was written by a newer version
_LARGEST = 50_000_000  # bytes: a hundred thousand photos have half of that
_SHA256 = re.compile(r"[0-9a-f]{64}")
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Manifest:
    """One backup.

    `name` is its folder's, `number` rises from one backup of a rig to the next, whatever the
    clock says. `record` tells one record of the rig from another, begun anew after damage, say.
    `until_utc_ms` is when the last scan in it was taken. `curve_files` pairs a curve file as the
    rig file names it with its name here. `photos` lie in the folder `photos_folder` beside this
    one, which all backups of a rig share.
    """

    name: str
    rig: str
    record: str
    number: int
    made_utc_ms: int
    clock_known: bool
    software: str
    migrations: tuple[str, ...]
    scans: int
    readings: int
    since_utc_ms: int | None
    until_utc_ms: int | None
    files: tuple[Kept, ...]
    curve_files: tuple[tuple[str, str], ...]
    photos_folder: str
    photos: tuple[Kept, ...]


def as_json(manifest: Manifest) -> str:
    """The manifest as the text of its file."""
    return json.dumps({"form": _FORM} | asdict(manifest), ensure_ascii=False, indent=1) + "\n"


def read_manifest(backup: Path) -> Manifest:
    """What the backup in a folder says of itself; nothing of it is looked at.

    Raises
    ------
    TargetError
        The folder is not there, or holds no backup.
    StoreError
        What it says can't be read, or was said by a newer version.
    """
    path = backup / MANIFEST
    try:
        with path.open("rb") as file:
            text = file.read(_LARGEST)
    except (FileNotFoundError, NotADirectoryError) as error:
        what = f"there is no {MANIFEST} in it" if backup.exists() else "it is not there"
        raise TargetError(
            f"{backup} is not a backup: {what}. Name the folder of one, such as "
            f'"/media/stick/render pair 20260504T034000Z".'
        ) from error
    except OSError as error:
        raise StoreError(f"{path} can't be read: {error.strerror}.") from error
    try:
        said = json.loads(text)
        newer = said["form"] > _FORM or set(said["migrations"]) - {m.__name__ for m in ALL}
        if newer:
            raise StoreError(
                f"the backup {backup} was made by a newer version, {said['software']}, than this "
                "one. Install that, and restore then; nothing was changed."
            )
        return _manifest(said)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise StoreError(
            f"{path} is damaged ({type(error).__name__}: {error}). Take another backup."
        ) from error


def _manifest(said: dict[str, Any]) -> Manifest:
    def a(key: str, kind: Callable[[object], _T]) -> _T:
        return kind(said[key])

    files = tuple(map(_kept, said["files"]))
    names = {file.name for file in files}
    curves = tuple((_text(name), _file_name(file)) for name, file in said["curve_files"])
    if not {RECORD, RIG_FILE} <= names or not {file for _, file in curves} <= names:
        raise ValueError("a file is missing from its list")
    return Manifest(
        name=a("name", _file_name),
        rig=a("rig", _text),
        record=a("record", _text),
        number=a("number", _number),
        made_utc_ms=a("made_utc_ms", _number),
        clock_known=said["clock_known"] is True,
        software=a("software", _text),
        migrations=tuple(map(_text, said["migrations"])),
        scans=a("scans", _number),
        readings=a("readings", _number),
        since_utc_ms=None if said["since_utc_ms"] is None else a("since_utc_ms", _number),
        until_utc_ms=None if said["until_utc_ms"] is None else a("until_utc_ms", _number),
        files=files,
        curve_files=curves,
        photos_folder=a("photos_folder", _file_name),
        photos=tuple(map(_kept, said["photos"])),
    )


def _kept(said: dict[str, object]) -> Kept:
    sha256 = _text(said["sha256"])
    if not _SHA256.fullmatch(sha256):
        raise ValueError(f"{sha256!r} is no SHA-256")
    return Kept(_file_name(said["name"]), _number(said["size"]), sha256)


def _file_name(said: object) -> str:
    name = _text(said)
    if Path(name).name != name:  # whoever wrote the stick may have written "../.." into it
        raise ValueError(f"{name!r} is no name of a file beside it")
    return name


def _text(said: object) -> str:
    if not isinstance(said, str):
        raise TypeError(f"{said!r} is no text")
    return said


def _number(said: object) -> int:
    if not isinstance(said, int) or isinstance(said, bool) or abs(said) > 2**53:
        raise TypeError(f"{said!r} is no whole number")
    return said


def until_words(manifest: Manifest) -> str:
    """How far the backup goes: "until 4 May 2026, 03:39:58 UTC", or that it holds no scan."""
    if manifest.until_utc_ms is None:
        return "without a scan"
    return f"until {time_words(manifest.until_utc_ms)}"


def about(manifest: Manifest) -> str:
    """The same for a person who finds it on a stick."""
    clock = "" if manifest.clock_known else " by a clock that was not synchronised"
    since = (
        "" if manifest.since_utc_ms is None else f", from {time_words(manifest.since_utc_ms)} on"
    )
    lines = [
        f'A backup of the record of the rig "{manifest.rig}".',
        f"Made {time_words(manifest.made_utc_ms)}{clock} by longsoak {manifest.software}.",
        "",
        f"It holds {with_noun(manifest.scans, 'scan')} with "
        f"{with_noun(manifest.readings, 'reading')}{since}, {until_words(manifest)}.",
        "The rig file and its curve files are in it; passwords and tokens are not.",
    ]
    if manifest.photos:
        lines += [
            f"{with_noun(len(manifest.photos), 'photo')} of proofs belong to it. They lie beside "
            f'this folder in "{manifest.photos_folder}":',
            "copy that folder too if you copy this one elsewhere.",
        ]
    lines += [
        "",
        f'To look whether it is whole: longsoak restore --check rig.toml "{manifest.name}"',
        f'To put it back:              longsoak restore rig.toml "{manifest.name}"',
        "",
        "Nothing in it changes. record.db is an SQLite 3 database. SHA-256 of each file:",
    ]
    lines += [f"{file.sha256}  {file.name}" for file in manifest.files]
    return "\n".join(lines) + "\n"
