"""Values derived again from raw under another version of the rig file.

They are shown in place of those that were kept, and lie in a file of their own, which `longsoak
reconvert` makes and takes away: the record keeps what was measured and what it was taken for at the
time. Whole or not at all: it is put in its place once it is complete.
"""

import sqlite3
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from contextlib import closing
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from longsoak.core.wording import time_words
from longsoak.store.codec import pack_whole, unpack_whole
from longsoak.store.files import connect_read_only
from longsoak.store.packing import Full, cut_out, joined
from longsoak.store.sealed import pack_readings, unpack_readings

if TYPE_CHECKING:
    from longsoak.store.scans import Piece

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
    """The file in `folder`, of the record that is known as `record`.

    Raises
    ------
    sqlite3.Error
        From `columns` and `shown`: it can't be read.
    """

    def __init__(self, folder: Path, derivation: Derivation, key: str) -> None:
        self.derivation = derivation
        self.key = key  # differs from one derivation to the next
        self._path = folder / DERIVED

    def shown(self, piece: "Piece") -> "Piece":
        """A piece with the derived values in place of its own."""
        last = self.derivation.last_scan
        if piece.probe not in self.derivation.probes or piece.scans[0] > last:
            return piece
        old = bisect_right(piece.scans, last)
        scans, new = self.columns(piece.probe, piece.scans[0], piece.scans[old - 1])
        if list(scans) != list(piece.scans[:old]):
            raise sqlite3.DatabaseError(f"{DERIVED} has other scans than the record")
        column = piece.column
        return piece._replace(
            column=Full(
                column.raw,
                (*new.values, *column.values[old:]),
                (*new.uncertainties, *column.uncertainties[old:]),
                (*new.flags, *column.flags[old:]),
                (*new.reasons, *column.reasons[old:]),
            )
        )

    def columns(self, probe: str, first: int, last: int) -> tuple[Sequence[int], Full]:
        """The scans from `first` to `last` that hold `probe`, and its readings in them."""
        with closing(connect_read_only(self._path)) as db:
            rows = db.execute(
                "SELECT scans, readings FROM derived WHERE probe = ? AND first_scan <= ?"
                " AND last_scan >= ? ORDER BY first_scan",
                (probe, last, first),
            ).fetchall()
        scans: list[int] = []
        readings = [unpack_readings(data, raw=False) for _, data in rows]
        for ids, _ in rows:
            scans += unpack_whole(ids)
        low, high = bisect_left(scans, first), bisect_right(scans, last)
        return scans[low:high], cut_out(joined(readings), low, high)


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
    except sqlite3.Error:
        return None  # `longsoak reconvert` says what is wrong with it
    return None if derivation is None else Derived(folder, derivation, key)


@lru_cache(maxsize=4)
def _read(path: Path, _key: str, record: str) -> Derivation | None:
    with closing(connect_read_only(path)) as db:
        own, version, last_scan, last_utc_ms, made_utc_ms, software = db.execute(
            "SELECT record, rig_version, last_scan, last_utc_ms, made_utc_ms, software"
            " FROM derivation"
        ).fetchone()
        probes = frozenset(p for (p,) in db.execute("SELECT DISTINCT probe FROM derived"))
    if own != record:
        return None
    return Derivation(version, last_scan, last_utc_ms, made_utc_ms, software, probes)


class Draft:
    """A file that is being made, under another name until it is whole."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / f"{DERIVED}.part"
        self._path.unlink(missing_ok=True)
        self._target = folder / DERIVED
        self._db = sqlite3.connect(self._path, isolation_level=None)
        self._db.execute("PRAGMA journal_mode = OFF")
        for statement in _LAID_OUT:
            self._db.execute(statement)

    def add(self, probe: str, scans: Sequence[int], column: Full) -> None:
        """Add one probe's readings in some scans on end; raw values are left out."""
        self._db.execute(
            "INSERT INTO derived VALUES (?, ?, ?, ?, ?)",
            (probe, scans[0], scans[-1], pack_whole(scans), pack_readings(column)),
        )

    def finish(self, record: str, derivation: Derivation) -> None:
        """Put it in its place."""
        self._db.execute(
            "INSERT INTO derivation VALUES (?, ?, ?, ?, ?, ?)", (record, *derivation[:5])
        )
        self._db.close()
        self._path.replace(self._target)

    def give_up(self) -> None:
        """Leave nothing behind."""
        self._db.close()
        self._path.unlink(missing_ok=True)


def take_away(folder: Path) -> bool:
    """Show the values as they were first converted; false if they are shown already."""
    try:
        (folder / DERIVED).unlink()
    except FileNotFoundError:
        return False
    return True
