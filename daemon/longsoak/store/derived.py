"""Values derived again from raw under another version of the rig file.

They are shown in place of those that were kept, and lie in a file of their own, which `longsoak
reconvert` makes and takes away: the record keeps what was measured and what it was taken for at the
time. Whole or not at all: it is put in its place once it is complete.
"""

import fcntl
import os
import sqlite3
import struct
import zlib
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from longsoak.core.wording import time_words
from longsoak.store.codec import pack_whole, unpack_whole
from longsoak.store.files import connect_read_only
from longsoak.store.packing import Full, Piece, cut_out, joined
from longsoak.store.sealed import of_readings, pack_readings, unpack_readings
from longsoak.vocabulary.errors import StoreError

DERIVED = "derived.db"
_LAID_OUT = (
    "CREATE TABLE derivation (record TEXT NOT NULL, rig_version INTEGER NOT NULL,"
    " last_scan INTEGER NOT NULL, last_utc_ms INTEGER NOT NULL, made_utc_ms INTEGER NOT NULL,"
    " software TEXT NOT NULL) STRICT",
    "CREATE TABLE derived (probe TEXT NOT NULL, first_scan INTEGER NOT NULL,"
    " last_scan INTEGER NOT NULL, scans BLOB NOT NULL, readings BLOB NOT NULL) STRICT",
    "CREATE INDEX derived_probe ON derived (probe, first_scan)",
)


class Derivation(NamedTuple):
    """What is shown in place of the values as they were first converted.

    Up to `last_scan`, taken at `last_utc_ms` by the clock of then, under version `rig_version` of
    the rig file. `probes` are those with a value that came out otherwise.
    """

    rig_version: int
    last_scan: int
    last_utc_ms: int
    made_utc_ms: int
    software: str
    probes: frozenset[str] = frozenset()

    @property
    def words(self) -> str:
        """What is shown, as a sentence without its capital and its stop."""
        return (
            f"values up to {time_words(self.last_utc_ms)} are shown as converted again under "
            f"version {self.rig_version} of the rig file"
        )


class Derived:
    """The file in `folder`, for one look at the record that it was made from.

    It is opened when it is first needed, and stays so until `close`: one that is put in its place
    meanwhile is for the next look.

    Raises
    ------
    StoreError
        From `columns`, `shown` and `readable`: it can't be read.
    """

    def __init__(self, folder: Path, derivation: Derivation, key: str) -> None:
        self.derivation = derivation
        self.key = key  # differs from one derivation to the next
        self._path = folder / DERIVED
        self._db: sqlite3.Connection | None = None

    def close(self) -> None:
        """Close the file."""
        if self._db is not None:
            self._db.close()
        self._db = None

    def shown(self, piece: Piece) -> Piece:
        """A piece with the derived values in place of its own, where they came out otherwise."""
        last = self.derivation.last_scan
        if piece.probe not in self.derivation.probes or piece.scans[0] > last:
            return piece
        old = bisect_right(piece.scans, last)
        scans, new = self.columns(piece.probe, piece.scans[0], piece.scans[old - 1])
        if not scans:
            return piece
        places = {scan: place for place, scan in enumerate(piece.scans[:old])}
        with self.readable():
            at = [places[scan] for scan in scans]

        def mixed(own: Sequence[float], again: Sequence[float]) -> tuple[float, ...]:
            if len(again) == len(own):
                return tuple(again)
            both = list(own)
            for place, value in zip(at, again, strict=True):
                both[place] = value
            return tuple(both)

        column = piece.column
        flags = mixed(column.flags, new.flags)
        reasons = mixed(column.reasons, new.reasons)
        return piece._replace(
            column=Full(
                column.raw,
                mixed(column.values, new.values),
                mixed(column.uncertainties, new.uncertainties),
                tuple(map(int, flags)),
                tuple(map(int, reasons)),
            )
        )

    def columns(self, probe: str, first: int, last: int) -> tuple[Sequence[int], Full]:
        """Of the scans from `first` to `last` those that are in it, and the readings in them.

        Scans that lie between each other's may be left out: there all came out as it was kept.
        """
        scans: list[int] = []
        with self.readable():
            readings = []
            for ids, data in self.packed(probe, first, last):
                run = unpack_whole(ids)
                of = of_readings(probe, first=run[0])
                readings.append(unpack_readings(data, of=of, raw=False))
                scans += run
            if not readings:
                return [], Full((), (), (), (), ())
            whole = joined(readings)
            if len(whole.flags) != len(scans):
                raise ValueError(f"{len(whole.flags)} readings of {len(scans)} scans")
        low, high = bisect_left(scans, first), bisect_right(scans, last)
        return scans[low:high], cut_out(whole, low, high)

    def packed(self, probe: str, first: int, last: int) -> Iterator[tuple[bytes, bytes]]:
        """Scans and readings, packed, of each run that has any of the scans from `first` to `last`.

        To be read within `readable`.
        """
        yield from self._opened().execute(
            "SELECT scans, readings FROM derived WHERE probe = ? AND first_scan <= ?"
            " AND last_scan >= ? ORDER BY first_scan",
            (probe, last, first),
        )

    def _opened(self) -> sqlite3.Connection:
        if self._db is None:
            self._db = connect_read_only(self._path)
            if _noted(self._db)[1:] != self.derivation[:5]:
                self.close()
                raise ValueError("another one has been put in its place")
        return self._db

    @contextmanager
    def readable(self) -> Iterator[None]:
        """Tell what is wrong with the file in its own words."""
        try:
            yield
        except (
            sqlite3.Error,
            zlib.error,
            struct.error,
            ValueError,
            LookupError,
            TypeError,
        ) as error:
            raise StoreError(
                f"{self._path}, which holds the values that were converted again, can't be read "
                f"({error}). `longsoak reconvert` makes it anew, and with --as-kept the values are "
                "shown as they were first kept"
            ) from None  # no fault of the record


def derived(folder: Path, record: str) -> Derived | None:
    """What is shown in place of the record's own values, if anything is.

    Parameters
    ----------
    folder : Path
        The record's.
    record : str
        What `longsoak.store.recordfile.identity` says of it; a file made from another is not shown.
    """
    try:
        found = (folder / DERIVED).stat()
    except OSError:
        return None
    key = f"{found.st_ino} {found.st_mtime_ns}"
    try:
        derivation = _read(folder / DERIVED, key, record)
    except (sqlite3.Error, TypeError, ValueError):
        return None  # unfinished or damaged: the record has what was kept
    return None if derivation is None else Derived(folder, derivation, key)


@lru_cache(maxsize=4)
def _read(path: Path, _key: str, record: str) -> Derivation | None:
    with closing(connect_read_only(path)) as db:
        noted = _noted(db)
        probes = frozenset(p for (p,) in db.execute("SELECT DISTINCT probe FROM derived"))
    return Derivation(*noted[1:], probes) if noted[0] == record else None


def _noted(db: sqlite3.Connection) -> tuple[str, int, int, int, int, str]:
    """Of which record it was made, and what is noted of it."""
    own, version, last_scan, last_utc_ms, made_utc_ms, software = db.execute(
        "SELECT record, rig_version, last_scan, last_utc_ms, made_utc_ms, software FROM derivation"
    ).fetchone()
    return own, version, last_scan, last_utc_ms, made_utc_ms, software


class Draft:
    """A file that is being made, under another name until it is whole.

    Raises
    ------
    StoreError
        Another one is being made there.
    OSError, sqlite3.Error
        From any method: the disk refuses.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / f"{DERIVED}.part"
        self._target = folder / DERIVED
        self._lock = _lock(folder)
        try:
            self._path.unlink(missing_ok=True)
            self._db = sqlite3.connect(self._path, isolation_level=None)
        except BaseException:
            os.close(self._lock)
            raise
        try:
            self._db.execute("PRAGMA journal_mode = OFF")
            self._db.execute("BEGIN")  # on the disk once, in the end
            for statement in _LAID_OUT:
                self._db.execute(statement)
        except BaseException:
            self.give_up()
            raise

    def add(self, probe: str, scans: Sequence[int], column: Full) -> None:
        """Add one probe's readings in some scans on end; raw values are left out."""
        readings = pack_readings(column, of=of_readings(probe, first=scans[0]))
        self._db.execute(
            "INSERT INTO derived VALUES (?, ?, ?, ?, ?)",
            (probe, scans[0], scans[-1], pack_whole(scans), readings),
        )

    def finish(self, record: str, derivation: Derivation) -> None:
        """Put it in its place."""
        self._db.execute(
            "INSERT INTO derivation VALUES (?, ?, ?, ?, ?, ?)", (record, *derivation[:5])
        )
        self._db.execute("COMMIT")
        self._db.close()
        self._path.replace(self._target)
        os.fsync(self._lock)  # the folder: its new name is on the disk
        os.close(self._lock)

    def give_up(self) -> None:
        """Leave nothing behind."""
        self._db.close()
        self._path.unlink(missing_ok=True)
        os.close(self._lock)


def _lock(folder: Path) -> int:
    """Hold the folder for making one; the kernel frees it after a kill."""
    lock = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        os.close(lock)
        raise StoreError(
            f"values are being converted again already in {folder}. Wait for that to end."
        ) from error
    return lock


def take_away(folder: Path) -> bool:
    """Show the values as they were first converted; false if they are shown already."""
    try:
        (folder / DERIVED).unlink()
    except FileNotFoundError:
        return False
    return True
