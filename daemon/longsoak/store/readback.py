"""Reading the newest scans back from the record: what is known to be kept, not only handed over."""

import sqlite3
from typing import NamedTuple

from longsoak.store.known import Layout
from longsoak.store.packing import BYTES_PER_READING, brings_a_value, unpack
from longsoak.store.reader import Record
from longsoak.store.scans import Scans
from longsoak.store.sealed import ScanRow
from longsoak.store.timeline import runs_of, shift_of, stretches

_FAR_BACK = 1024  # scans that may bring no value before it is said that none does
_PAGE = 64


class Measured(NamedTuple):
    """A scan in the record that brought a value.

    `run` names the run it was taken in, unlike any other, and `boot` the kernel's boot; the times
    are CLOCK_BOOTTIME, and UTC as far as is known now, both in ms.
    """

    run: str
    boot: str
    scan: int
    boottime_ms: int
    utc_ms: int


class LastRun(NamedTuple):
    """The newest run of the measuring process; `ended_utc_ms` is None unless it was stopped."""

    software: str
    boot: str
    started_utc_ms: int
    started_boottime_ms: int
    ended_utc_ms: int | None


class ReadBack(Record):
    """The newest scans, decoded as whoever reads the record decodes them."""

    def newest_measured(self) -> Measured | None:
        """The newest scan with a value in it, however old; None if the last 1024 have none.

        A scan in which every probe is missing is kept, but nothing was measured.

        Raises
        ------
        StoreError
            The record can't be read, or a scan in it is not as its layout says.
        """
        with self._look() as (db, scans):
            last, least = scans.top, max(scans.bottom, scans.top - _FAR_BACK + 1)
            while last >= least:
                rows = list(scans.rows(max(least, last - _PAGE + 1), last))
                for row in reversed(rows):
                    if row.id == scans.top or brings_a_value(row.readings):
                        _decode(row, scans.layouts[row.layout])
                    if brings_a_value(row.readings):
                        return _measured(db, scans, row)
                last -= _PAGE
        return None

    def last_run(self) -> LastRun | None:
        """The newest run, if there was any.

        Raises
        ------
        StoreError
            The record can't be read.
        """
        with self._open() as db:
            row = db.execute(
                "SELECT software, boot, started_utc_ms, started_boottime_ms, ended_utc_ms"
                " FROM run ORDER BY id DESC LIMIT 1"
            ).fetchone()
        return None if row is None else LastRun(*row)


def _decode(row: ScanRow, layout: Layout) -> None:
    if len(row.readings) != BYTES_PER_READING * len(layout.probes):
        raise ValueError(f"scan {row.id} is not as long as {len(layout.probes)} readings are")
    unpack(row.readings, probes=layout.probes, units=layout.units, utc_ms=row.utc_ms)


def _measured(db: sqlite3.Connection, scans: Scans, row: ScanRow) -> Measured:
    (boot,) = db.execute(
        "SELECT boot FROM stretch JOIN run ON run.id = stretch.run"
        " WHERE first_scan <= ? ORDER BY stretch.id DESC LIMIT 1",
        (row.id,),
    ).fetchone()
    run = [name for first, name in runs_of(db) if first <= row.id][-1]
    shift_ms = shift_of(stretches(db, scans), row.id)
    return Measured(run, boot, row.id, row.boottime_ms, row.utc_ms + shift_ms)
