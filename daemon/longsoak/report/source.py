"""The record's readings as columns, chunk by chunk, and what they need to be understood."""

from array import array
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from longsoak.store.files import RECORD
from longsoak.store.known import Kept
from longsoak.store.packing import BYTES_PER_READING
from longsoak.store.reader import RigVersion
from longsoak.store.recordfile import RecordFile
from longsoak.store.scans import Scans
from longsoak.store.sealed import ScanRow
from longsoak.store.timeline import Span, spans, stretches
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.water import Aside

CHUNK = 1024  # scans; some MB as columns, whatever the length of the record

_NO_BETTER = (Flag.FAIL, Flag.MISSING)  # what is worse than suspect stays so
_FIRST_MS, _LAST_MS = -(2**62), 2**62


@dataclass(frozen=True, slots=True)
class Seat:
    """One probe in a layout: at `place` of its scans, in `unit`, under a version of the rig file.

    `number` counts the seats of a source from 0.
    """

    number: int
    probe: str
    unit: str
    bus: str
    rig_version: int
    place: int


@dataclass(frozen=True, slots=True)
class Layout:
    """What scans of one layout hold: `size` probes, of which the wanted ones have `seats`."""

    size: int
    seats: tuple[Seat, ...]


@dataclass(frozen=True, slots=True)
class ScanHead:
    """What all readings of one scan share; `known` says whose word `utc_ms` is."""

    id: int
    utc_ms: int
    known: str
    seats: tuple[Seat, ...]


@dataclass(slots=True)
class Chunk:
    """Some scans: their heads, and all their wanted readings behind each other; NaN is "none".

    `first_flags` and `first_reasons` are those they were taken with; in `flags` and `reasons` what
    a contact with the water set aside is suspect at least. `passed` counts the scans walked over,
    be there a wanted probe in them or not.
    """

    passed: int = 0
    scans: list[ScanHead] = field(default_factory=list)
    raw: "array[float]" = field(default_factory=lambda: array("d"))
    values: "array[float]" = field(default_factory=lambda: array("f"))
    uncertainties: "array[float]" = field(default_factory=lambda: array("f"))
    flags: "array[int]" = field(default_factory=lambda: array("B"))
    reasons: "array[int]" = field(default_factory=lambda: array("B"))
    first_flags: "array[int]" = field(default_factory=lambda: array("B"))
    first_reasons: "array[int]" = field(default_factory=lambda: array("B"))


class Source(RecordFile):
    """The readings of some probes within a time, as the record in `folder` has them at first look.

    What is committed later is not part of it, so that an export of a rig that is recording is of
    one moment.

    Parameters
    ----------
    folder : Path
        The record's folder.
    probes : collection of str or None
        Those wanted; None is all.
    since_ms, until_ms : int or None
        ``since_ms <= utc_ms < until_ms``; None is no limit.

    Raises
    ------
    StoreError
        There is no record there, or it can't be read.
    """

    def __init__(
        self,
        folder: Path,
        *,
        probes: Collection[str] | None,
        since_ms: int | None,
        until_ms: int | None,
    ) -> None:
        super().__init__(folder)
        self._kept = Kept()
        self._asides: dict[str, list[Aside]] = {}
        self._leaves_out = False
        with self._open() as db:
            scans = Scans(db, self._kept)
            self.versions = [
                RigVersion(*row)
                for row in db.execute(
                    "SELECT id, accepted_utc_ms, text FROM rig_version ORDER BY id"
                )
            ]
            self.layouts = _layouts(scans, None if probes is None else frozenset(probes))
            if since_ms is None and until_ms is None:
                self._spans = stretches(db, scans)
            else:
                since = _FIRST_MS if since_ms is None else since_ms
                self._spans = spans(db, scans, since, _LAST_MS if until_ms is None else until_ms)
        self.scans = sum(span.last - span.first + 1 for span in self._spans)
        self.seats = [seat for layout in self.layouts.values() for seat in layout.seats]

    def set_aside(self, asides: Iterable[Aside], *, leave_out: bool) -> None:
        """Flag readings that contacts with the water set aside, or leave them out."""
        self._leaves_out = leave_out
        for aside in asides:
            self._asides.setdefault(aside.probe, []).append(aside)

    def chunks(self) -> Iterator[Chunk]:
        """The readings in the order they were taken.

        Raises
        ------
        StoreError
            A row is not as its layout says, or of a layout there is not.
        """
        for span in self._spans:
            for first in range(span.first, span.last + 1, CHUNK):
                chunk = Chunk()
                with self._open() as db:
                    rows = Scans(db, self._kept).rows(first, min(first + CHUNK - 1, span.last))
                    for row in rows:
                        self._add(chunk, row, span)
                yield chunk

    def _add(self, chunk: Chunk, row: ScanRow, span: Span) -> None:
        at = self.layouts.get(row.layout)
        if at is None or len(row.readings) != BYTES_PER_READING * at.size:
            raise StoreError(
                f"the record {self.folder / RECORD} is damaged: scan {row.id} is not as its layout "
                "says. Restore the record from a backup."
            )
        chunk.passed += 1
        if not at.seats:
            return
        utc_ms, seats = row.utc_ms + span.shift_ms, at.seats
        spoiled: set[int] = set()  # their places among the seats
        if self._asides:
            spoiled = {
                place
                for place, seat in enumerate(seats)
                if any(a.covers(utc_ms) for a in self._asides.get(seat.probe, ()))
            }
            if self._leaves_out:
                seats = tuple(s for place, s in enumerate(seats) if place not in spoiled)
                spoiled = set()
                if not seats:
                    return
        begin = len(chunk.raw)
        chunk.scans.append(ScanHead(row.id, utc_ms, span.known, seats))
        n = at.size
        for into, start, width in (
            (chunk.raw, 0, 8),
            (chunk.values, 8 * n, 4),
            (chunk.uncertainties, 12 * n, 4),
            (chunk.first_flags, 16 * n, 1),
            (chunk.first_reasons, 17 * n, 1),
        ):
            if len(seats) == n:
                into.frombytes(row.readings[start : start + width * n])
                continue
            for seat in seats:
                place = start + width * seat.place
                into.frombytes(row.readings[place : place + width])
        chunk.flags.extend(chunk.first_flags[begin:])
        chunk.reasons.extend(chunk.first_reasons[begin:])
        for place in spoiled:
            if chunk.flags[begin + place] not in _NO_BETTER:
                chunk.flags[begin + place] = Flag.SUSPECT
                chunk.reasons[begin + place] = Reason.SET_ASIDE


def _layouts(scans: Scans, wanted: frozenset[str] | None) -> dict[int, Layout]:
    found: dict[int, Layout] = {}
    count = 0
    for number, layout in sorted(scans.layouts.items()):
        seats = []
        for place, (probe, unit) in enumerate(zip(layout.probes, layout.units, strict=True)):
            if wanted is None or probe in wanted:
                seats.append(Seat(count, probe, unit, layout.bus, layout.rig_version, place))
                count += 1
        found[number] = Layout(len(layout.probes), tuple(seats))
    return found
