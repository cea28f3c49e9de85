"""Writes an export: tables, rig files, curves, photos, their description and their digests."""

import importlib
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from importlib.metadata import version
from pathlib import Path
from typing import BinaryIO, Protocol, cast

from longsoak.core.wording import rfc3339
from longsoak.report import fields
from longsoak.report.earlier import MANIFEST, refuse_to_lose
from longsoak.report.fields import Cell, Table
from longsoak.report.package import DESCRIPTION, Written, describe
from longsoak.report.places import ExportError, FolderPlace, Place, ZipPlace
from longsoak.report.rigs import Rigs
from longsoak.report.source import Chunk, Seat, Source
from longsoak.report.summary import Summary
from longsoak.report.tables import (
    ALWAYS,
    Range,
    alarm_rows,
    curves_path,
    event_rows,
    finding_rows,
    gap_rows,
    hand_flag_rows,
    hand_reading_rows,
    logbook_rows,
    meter_check_rows,
    observation_rows,
    phase_rows,
    probe_rows,
    proof_rows,
    rig_file_path,
    rig_version_rows,
    suspicion_rows,
    window_rows,
)
from longsoak.report.words import INVENTED, readme
from longsoak.store.files import RECORD
from longsoak.store.health import HealthRecord
from longsoak.store.ledger import Ledger
from longsoak.store.logbook import Logbook
from longsoak.store.overlay import asides_of
from longsoak.store.photos import name_of, photo_at
from longsoak.store.reader import Record
from longsoak.store.water import WaterRecord
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.water import Aside, ContactWindow

README = "README.txt"
PHOTO = "photo_sha256"  # in an installation card

_LATEST = 2**62  # ms: later than any time


class Format(StrEnum):
    """What the tables are written as; the values are file endings."""

    CSV = "csv"
    PARQUET = "parquet"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be exported: of which `probes` (None is all), of which time, with `photos`.

    `set_aside` keeps readings that a contact with the water set aside, as suspect.
    """

    rig: str
    probes: Collection[str] | None = None
    within: Range = ALWAYS
    form: Format = Format.CSV
    as_zip: bool = False
    photos: bool = False
    set_aside: bool = True


class _Readings(Protocol):
    def add(self, chunk: Chunk) -> None: ...

    def close(self) -> None: ...


class _Writer(Protocol):
    """A module that writes tables in one format."""

    def write_table(self, file: BinaryIO, table: Table, rows: Iterable[Sequence[Cell]]) -> None: ...

    def ReadingsFile(  # noqa: N802 - a class
        self, file: BinaryIO, *, seats: Sequence[Seat], rigs: Rigs
    ) -> _Readings: ...


def export(
    folder: Path, out: Path, wanted: Wanted, *, progress: Callable[[int, int], None]
) -> tuple[Summary, list[Written]]:
    """Write an export of the record in `folder` to `out`, whole or not at all.

    The same record gives the same bytes, whenever it is written.

    Parameters
    ----------
    folder : Path
        The record's folder.
    out : Path
        The folder or zip file to write; there may be an earlier export of the same rig.
    wanted : Wanted
        What of it.
    progress : callable
        Told now and then how many scans are done, of how many.

    Returns
    -------
    Summary and list of Written
        What is in it, and its files in the order written.

    Raises
    ------
    ExportError
        It can't be written there, or the format needs what is not installed.
    StoreError
        The record can't be read.
    """
    writer = _writer(wanted.form)
    out = out.resolve()  # a link stays one, and what it points to gives way
    if out.is_relative_to(folder.resolve()):
        raise ExportError(f"{out} lies in the record's own folder. Name a place outside it.")
    with _told(out):
        refuse_to_lose(out, rig=wanted.rig, as_zip=wanted.as_zip)
        place: Place = ZipPlace(out) if wanted.as_zip else FolderPlace(out)
        try:
            summary = _Export(folder, place, wanted, writer).write(progress)
            place.keep()
        finally:
            place.drop()
    return summary, place.written


class _Export:
    def __init__(self, folder: Path, place: Place, wanted: Wanted, writer: _Writer) -> None:
        self._folder = folder
        self._place = place
        self._wanted = wanted
        self._writer = writer
        within = wanted.within
        self._source = Source(
            folder, probes=wanted.probes, since_ms=within.since_ms, until_ms=within.until_ms
        )
        self._rigs = Rigs(self._source.versions)
        self._windows: list[ContactWindow] = []
        self._asides: list[Aside] = []
        kept = Record(folder).rig_version()
        rig = None if kept is None else self._rigs.rig(kept.number)
        if rig is not None:
            self._windows = WaterRecord(folder).windows()
            last_ms = Record(folder).last_utc_ms()
            self._asides = asides_of(folder, rig, now_ms=last_ms or 0)
        self._source.set_aside(self._asides, leave_out=not wanted.set_aside)
        self._tables: list[tuple[Table, Written]] = []

    def write(self, progress: Callable[[int, int], None]) -> Summary:
        """Write all files, and say what they hold."""
        record, within, rigs = Record(self._folder), self._wanted.within, self._rigs
        kept = record.rig_version()
        rig = None if kept is None else rigs.rig(kept.number)
        count, span = self._readings(progress)
        logbook, health = Logbook(self._folder), HealthRecord(self._folder)
        names = dict.fromkeys(seat.probe for seat in self._source.seats)
        for table, rows in (
            (fields.PROBES, probe_rows(rigs, self._source.seats)),
            (fields.RIG_VERSIONS, rig_version_rows(rigs)),
            (fields.EVENTS, event_rows(record, within)),
            (fields.ALARMS, alarm_rows(record, within, rig=rig)),
            (fields.GAPS, gap_rows(record, within)),
            (fields.PROOF, proof_rows(record)),
            (fields.LOGBOOK, logbook_rows(logbook)),
            (fields.HAND_FLAGS, hand_flag_rows(logbook, rig, names)),
            (fields.HAND_READINGS, hand_reading_rows(logbook)),
            (fields.METER_CHECKS, meter_check_rows(logbook)),
            (fields.OBSERVATIONS, observation_rows(logbook)),
            (fields.PHASES, phase_rows(logbook)),
            (fields.WINDOWS, window_rows(self._windows, self._asides, names)),
            (fields.FINDINGS, finding_rows(health, within, names)),
            (fields.SUSPICIONS, suspicion_rows(health, within, names)),
        ):
            with self._table(table) as file:
                self._writer.write_table(file, table, rows)
        photos = self._photos()
        summary = Summary(
            title=self._wanted.rig,
            invented=kept is not None and rigs.invented(kept.number),
            software=version("longsoak"),
            readings=count,
            probes=len(names),
            first=None if span is None else rfc3339(span[0]),
            last=None if span is None else rfc3339(span[1]),
            wanted=self._wanted_words(),
            photos_lost=tuple(digest for digest, path in photos.items() if path is None),
            last_head=Ledger(self._folder).last_head(),
        )
        self._others(summary, [path for path in photos.values() if path is not None])
        return summary

    def _readings(self, progress: Callable[[int, int], None]) -> tuple[int, tuple[int, int] | None]:
        """Write the readings; return how many there are, and the least and the greatest time."""
        count, passed, times = 0, 0, (_LATEST, -_LATEST)
        with self._table(fields.READINGS) as file, _damage(self._folder):
            readings = self._writer.ReadingsFile(file, seats=self._source.seats, rigs=self._rigs)
            for chunk in self._source.chunks():
                if chunk.scans:
                    readings.add(chunk)
                    within = [scan.utc_ms for scan in chunk.scans]
                    times = min(times[0], *within), max(times[1], *within)
                count += len(chunk.raw)
                passed += chunk.passed
                progress(min(passed, self._source.scans), self._source.scans)
            readings.close()
        return count, times if count else None

    def _others(self, summary: Summary, photos: Sequence[Path]) -> None:
        """Write what are no tables, and at last what describes all."""
        others: list[tuple[str, Written]] = []
        for kept in self._rigs.versions:
            number = kept.number
            rig_file = self._place.add(rig_file_path(number), kept.text.encode())
            others.append((f"The rig file, version {number}.", rig_file))
            if curves := self._rigs.curves(number):
                file = self._place.add(curves_path(number), curves.encode())
                others.append((f"The curves of version {number}.", file))
        others += [("A photo.", self._place.copy(f"photos/{path.name}", path)) for path in photos]
        tables = [(table, file.path) for table, file in self._tables]
        text = readme(summary, tables=tables, has_photos=bool(photos))
        others.append(("What is what, for people.", self._place.add(README, text.encode())))
        says = f"Readings of the rig {summary.title}, with all that is needed to understand them."
        described = describe(
            title=summary.title,
            says=f"{INVENTED} {says}" if summary.invented else says,
            own=summary.as_json(),
            tables=self._tables,
            others=others,
        )
        self._place.add(DESCRIPTION, described.encode())
        written = sorted(self._place.written, key=lambda file: file.path)
        lines = [f"{file.sha256}  {file.path}\n" for file in written]
        self._place.add(MANIFEST, "".join(lines).encode())

    def _photos(self) -> dict[str, Path | None]:
        """The photos that the proofs and the logbook name, by digest; None where one is lost."""
        if not self._wanted.photos:
            return {}
        cards = (entry.content.get(PHOTO) for entry in Record(self._folder).proof_entries())
        noted = (digest for e in Logbook(self._folder).entries() for digest in e.photos)
        found: dict[str, Path | None] = {}
        for digest in sorted({named for named in (*cards, *noted) if isinstance(named, str)}):
            name = name_of(self._folder, digest)
            there = None if name is None else photo_at(self._folder, name)
            found[digest] = None if there is None else there[0]
        return found

    @contextmanager
    def _table(self, table: Table) -> Iterator[BinaryIO]:
        with self._place.file(f"{table.name}.{self._wanted.form}") as file:
            yield file
        self._tables.append((table, self._place.written[-1]))

    def _wanted_words(self) -> dict[str, str]:
        wanted, within = self._wanted, self._wanted.within
        words = {}
        if within.since_ms is not None:
            words["from"] = rfc3339(within.since_ms)
        if within.until_ms is not None:
            words["until"] = rfc3339(within.until_ms)
        if wanted.probes is not None:
            words["probes"] = ", ".join(sorted(wanted.probes))
        if not wanted.set_aside:
            words["set_aside"] = "left out"
        return words


def _writer(form: Format) -> _Writer:
    try:
        module = importlib.import_module(f"longsoak.report.{form}file")
    except ModuleNotFoundError as error:
        if error.name != "pyarrow":
            raise
        raise ExportError(
            "Parquet needs pyarrow, which is not installed. Install it with "
            "`pip install 'longsoak[parquet]'`, or leave --format parquet out."
        ) from error
    return cast(_Writer, module)


@contextmanager
def _told(out: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise ExportError(
            f"{out} can't be written: {error.strerror or error}. Nothing was left there. "
            "See that its folder is there, that this user may write in it and that it has room."
        ) from error


@contextmanager
def _damage(folder: Path) -> Iterator[None]:
    try:
        yield
    except ValueError as error:
        raise StoreError(
            f"the record {folder / RECORD} is damaged: {error}. Restore it from a backup."
        ) from error
