"""Scans wherever they lie: as rows of their own, or sealed. What never changes is remembered."""

import json
import sqlite3
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import islice

from longsoak.store.derived import Derivation, Derived
from longsoak.store.known import Chunk, Kept, Layout, intact, missing
from longsoak.store.packing import (
    FLAGS,
    REASONS,
    Full,
    Piece,
    columns,
    cut_out,
    full_columns,
    none_for_nan,
    seats,
)
from longsoak.store.sealed import (
    ScanRow,
    SealedScans,
    of_readings,
    rows_again,
    unpack_reading,
    unpack_readings,
    unpack_scans,
)
from longsoak.vocabulary.errors import StoreError
from longsoak.vocabulary.reading import Reading

_PAGE = 4096  # rows fetched at a time
_FEW = 8  # probes that are looked up one by one


class Scans:
    """All scans of a record, within one read transaction.

    Parameters
    ----------
    db : sqlite3.Connection
        The record.
    kept : Kept
        What was found in it before.
    derived : Derived or None
        What pieces show in place of the record's own values; rows are always as they were kept.
    """

    def __init__(self, db: sqlite3.Connection, kept: Kept, derived: Derived | None = None) -> None:
        self._db = db
        self.kept = kept
        with kept.lock:
            for number, bus, probes, units, version in db.execute(
                "SELECT id, bus, probes, units, rig_version FROM layout WHERE id > ?",
                (max(kept.layouts, default=0),),
            ):
                kept.layouts[number] = Layout(
                    bus, tuple(json.loads(probes)), tuple(json.loads(units)), version
                )
            kept.chunks += [
                Chunk(*row)
                for row in db.execute(
                    "SELECT id, first_scan, last_scan, first_utc_ms FROM sealed WHERE id > ?"
                    " ORDER BY id",
                    (kept.chunks[-1].id if kept.chunks else 0,),
                )
            ]
            for number, name in db.execute(
                "SELECT id, name FROM probe WHERE id > ?", (max(kept.numbers.values(), default=0),)
            ):
                kept.numbers[name] = number
            # Another thread may have seen what was sealed after this transaction began.
            (newest,) = db.execute("SELECT ifnull(max(id), 0) FROM sealed").fetchone()
            self._numbers = kept.numbers.copy()
            self.layouts = kept.layouts.copy()
            self.chunks = kept.chunks[: bisect_right(kept.chunks, newest, key=_number)]
        (last,) = db.execute("SELECT max(id) FROM scan").fetchone()
        self.sealed_to = self.chunks[-1].last if self.chunks else 0
        self.top: int = self.sealed_to if last is None else last
        (first,) = db.execute("SELECT min(id) FROM scan").fetchone()
        self.bottom: int = self.chunks[0].first if self.chunks else first or 1
        self.derived = derived if derived and self._made_of_these(derived.derivation) else None

    def _made_of_these(self, derivation: Derivation) -> bool:
        """Whether values were derived from these scans, not from some a copy does not have."""
        last = derivation.last_scan
        if not self.bottom <= last <= self.top:
            return False
        try:
            return self.utc_at_an_end(last) == derivation.last_utc_ms
        except StoreError:  # that it is damaged does not speak against it
            return True

    def rows(self, first: int, last: int) -> Iterator[ScanRow]:
        """Scans from id `first` to `last`, in order."""
        for chunk in self.over(first, last):
            rows = self._rows_of(chunk)
            yield from rows[max(0, first - chunk.first) : last - chunk.first + 1]
        at = max(first, self.sealed_to + 1)
        while at <= last:
            rows = [
                ScanRow(*row)
                for row in self._db.execute(
                    "SELECT id, layout, utc_ms, boottime_ms, synchronised, readings FROM scan"
                    " WHERE id BETWEEN ? AND ? ORDER BY id LIMIT ?",
                    (at, last, _PAGE),
                )
            ]
            yield from rows
            if len(rows) < _PAGE:
                return
            at = rows[-1].id + 1

    def pieces(
        self, probes: Collection[str], first: int, last: int, *, raw: bool
    ) -> Iterator[Piece]:
        """The readings of `probes` in the scans from `first` to `last`, each probe's in order.

        Raises
        ------
        ValueError
            A row is not as long as its layout says.
        """
        for piece in self.pieces_as_kept(probes, first, last, raw=raw):
            yield piece if self.derived is None else self.derived.shown(piece)

    def pieces_as_kept(
        self, probes: Collection[str], first: int, last: int, *, raw: bool = True
    ) -> Iterator[Piece]:
        """The same, with the values that were kept with the raw ones."""
        for chunk in self.unbroken(first, last):
            yield from self._sealed_pieces(chunk, probes, first, last, raw=raw)
        rows = self.live_rows(self.holding(probes), first, last)
        while page := list(islice(rows, _PAGE)):
            yield from self._pieces_of(page, probes, raw=raw)

    def utc_ms(self, scan: int) -> int:
        """The recorded UTC of a scan there is, ms."""
        if scan <= self.sealed_to:
            times = self.times(self.chunk_of(scan))
            return times.utc_ms[scan - times.first]
        return self._of_row(scan, "utc_ms")

    def boottime_ms(self, scan: int) -> int:
        """CLOCK_BOOTTIME of a scan there is, ms."""
        if scan <= self.sealed_to:
            times = self.times(self.chunk_of(scan))
            return times.boottime_ms[scan - times.first]
        return self._of_row(scan, "boottime_ms")

    def _of_row(self, scan: int, column: str) -> int:
        row = self._db.execute(
            f"SELECT {column} FROM scan WHERE id = ?",
            (scan,),
        ).fetchone()
        if row is None:
            raise missing(scan, scan)
        return int(row[0])

    def last_sealed(self, probe: str) -> int | None:
        """The newest scan with `probe` that is sealed, if there is one."""
        row = self._db.execute(
            "SELECT sealed FROM sealed_readings WHERE probe = ? ORDER BY sealed DESC LIMIT 1",
            (self._numbers.get(probe),),
        ).fetchone()
        if row is None:
            return None
        chunk = self.chunks[bisect_right(self.chunks, row[0], key=_number) - 1]
        return chunk.first + self.places(chunk, probe)[-1]

    def utc_at_an_end(self, scan: int) -> int:
        """The same of a scan that is asked for again and again."""
        with self.kept.lock:
            if (known := self.kept.ends.get(scan)) is not None:
                return known
        found = self.utc_ms(scan)
        with self.kept.lock:
            self.kept.ends[scan] = found
        return found

    def boottime_at_an_end(self, scan: int) -> int:
        """CLOCK_BOOTTIME, ms, of a scan that is asked for again and again."""
        with self.kept.lock:
            if (known := self.kept.began.get(scan)) is not None:
                return known
        found = self.boottime_ms(scan)
        with self.kept.lock:
            self.kept.began[scan] = found
        return found

    def chunk_of(self, scan: int) -> Chunk:
        """The chunk that holds a scan that is sealed.

        Raises
        ------
        StoreError
            None of them does.
        """
        at = bisect_right(self.chunks, scan, key=_first) - 1
        if at < 0 or scan > self.chunks[at].last:
            raise missing(scan, scan)
        return self.chunks[at]

    def times(self, chunk: Chunk) -> SealedScans:
        """What is the scans' own in a chunk.

        Raises
        ------
        StoreError
            The chunk is damaged.
        """
        with self.kept.lock:
            if (known := self.kept.times.get(chunk.id)) is not None:
                self.kept.times.move_to_end(chunk.id)
                return known
        (data,) = self._db.execute("SELECT scans FROM sealed WHERE id = ?", (chunk.id,)).fetchone()
        with intact(chunk):
            found = unpack_scans(data, first=chunk.first, last=chunk.last)
            if found.utc_ms[0] != chunk.first_utc_ms:
                raise ValueError("the time of the first of them is not the one noted")
        with self.kept.lock:
            self.kept.times[chunk.id] = found
            if len(self.kept.times) > self.kept.most_times:
                self.kept.times.popitem(last=False)
        return found

    def holding(self, probes: Collection[str]) -> frozenset[int]:
        """The numbers of the layouts that hold any of `probes`."""
        wanted = frozenset(probes)
        return frozenset(n for n, layout in self.layouts.items() if wanted & set(layout.probes))

    def sealed_blobs(self, chunk: Chunk, probes: Collection[str]) -> dict[str, bytes]:
        """The packed readings of those of `probes` that a chunk has.

        Raises
        ------
        StoreError
            The chunk is damaged: readings that belong to it are not there.
        """
        kinds = self.times(chunk).kinds
        wanted = {probe for kind in kinds for probe in self.layouts[kind].probes} & set(probes)
        found = self._blobs(chunk, [probe for probe in probes if probe in wanted])
        with intact(chunk):
            if gone := wanted - found.keys():
                raise ValueError(f"readings of {min(gone)!r} are not there")
        return found

    def _blobs(self, chunk: Chunk, probes: Collection[str]) -> dict[str, bytes]:
        names = {self._numbers[probe]: probe for probe in probes if probe in self._numbers}
        if len(names) > _FEW:
            rows = self._db.execute(
                "SELECT probe, readings FROM sealed_readings WHERE sealed = ?", (chunk.id,)
            ).fetchall()
            return {names[number]: data for number, data in rows if number in names}
        found = {}
        for number, name in names.items():
            row = self._db.execute(
                "SELECT readings FROM sealed_readings WHERE sealed = ? AND probe = ?",
                (chunk.id, number),
            ).fetchone()
            if row is not None:
                found[name] = row[0]
        return found

    def places(self, chunk: Chunk, probe: str) -> Sequence[int]:
        """The places, among a chunk's scans, of those that hold `probe`."""
        times, holding = self.times(chunk), self.holding((probe,))
        layouts = times.layouts
        if holding >= times.kinds:
            return range(len(layouts))
        return [place for place, layout in enumerate(layouts) if layout in holding]

    def over(self, first: int, last: int) -> list[Chunk]:
        """The chunks that hold any of the scans from `first` to `last`."""
        if first > min(last, self.sealed_to):
            return []
        start = max(0, bisect_right(self.chunks, first, key=_first) - 1)
        return self.chunks[start : bisect_right(self.chunks, last, key=_first)]

    def unbroken(self, first: int, last: int) -> Iterator[Chunk]:
        """The same, one after the other.

        Raises
        ------
        StoreError
            Sealed scans between them are not there.
        """
        at = max(first, self.bottom)
        for chunk in self.over(first, last):
            if chunk.first > at:
                raise missing(at, chunk.first - 1)
            yield chunk
            at = chunk.last + 1
        if at <= min(last, self.sealed_to):
            raise missing(at, min(last, self.sealed_to))

    def _rows_of(self, chunk: Chunk) -> list[ScanRow]:
        with self.kept.lock:
            number, rows = self.kept.rows
        if number == chunk.id:
            return rows
        times = self.times(chunk)
        probes = {p for number in times.kinds for p in self.layouts[number].probes}
        columns = {
            probe: self._column(chunk, probe, data, self.places(chunk, probe), raw=True)
            for probe, data in self.sealed_blobs(chunk, probes).items()
        }
        names = {number: layout.probes for number, layout in self.layouts.items()}
        rows = rows_again(times, columns, names)
        with self.kept.lock:
            self.kept.rows = (chunk.id, rows)
        return rows

    def _column(
        self, chunk: Chunk, probe: str, data: bytes, places: Sequence[int], *, raw: bool
    ) -> Full:
        with intact(chunk):
            column = unpack_readings(data, of=of_readings(probe, first=chunk.first), raw=raw)
            if len(column.flags) != len(places):
                raise ValueError(f"{len(column.flags)} readings of {probe!r} in {len(places)}")
        return column

    def sealed_reading(
        self, chunk: Chunk, probe: str, data: bytes, place: int, *, among: int
    ) -> Full:
        """One of the `among` readings of a probe in a chunk, without unpacking the others.

        Raises
        ------
        StoreError
            The chunk is damaged.
        """
        with intact(chunk):
            of = of_readings(probe, first=chunk.first)
            return unpack_reading(data, place, of=of, among=among)

    def _sealed_pieces(
        self, chunk: Chunk, probes: Collection[str], first: int, last: int, *, raw: bool
    ) -> Iterator[Piece]:
        blobs = self.sealed_blobs(chunk, probes)
        if not blobs:
            return
        times = self.times(chunk)
        whole = first <= chunk.first and chunk.last <= last
        for probe, data in blobs.items():
            places = self.places(chunk, probe)
            column = self._column(chunk, probe, data, places, raw=raw)
            if not whole:
                low = bisect_left(places, first - chunk.first)
                high = bisect_right(places, last - chunk.first)
                places = places[low:high]
                column = cut_out(column, low, high)
            if not places:
                continue
            if isinstance(places, range):
                cut = slice(places.start, places.stop)
                scans: Sequence[int] = range(chunk.first + places.start, chunk.first + places.stop)
                yield Piece(probe, scans, times.layouts[cut], times.utc_ms[cut], column)
            else:
                yield Piece(
                    probe,
                    [chunk.first + place for place in places],
                    [times.layouts[place] for place in places],
                    [times.utc_ms[place] for place in places],
                    column,
                )

    def live_rows(
        self, layouts: Collection[int], first: int, last: int
    ) -> Iterator[tuple[int, int, int, bytes]]:
        """Id, layout, recorded UTC and readings of the scans of some layouts that are rows."""
        written = ",".join(map(str, layouts))
        at = max(first, self.sealed_to + 1)
        while at <= last:
            rows = self._db.execute(
                "SELECT id, layout, utc_ms, readings FROM scan WHERE id BETWEEN ? AND ?"
                f" AND layout IN ({written}) ORDER BY id LIMIT ?",  # our own numbers
                (at, last, _PAGE),
            ).fetchall()
            yield from rows
            if len(rows) < _PAGE:
                return
            at = rows[-1][0] + 1

    def _pieces_of(
        self, rows: Sequence[tuple[int, int, int, bytes]], probes: Collection[str], *, raw: bool
    ) -> Iterator[Piece]:
        alike: dict[int, list[tuple[int, int, int, bytes]]] = defaultdict(list)
        for row in rows:
            alike[row[1]].append(row)
        found: dict[str, list[Piece]] = defaultdict(list)
        for layout, same in alike.items():
            at = seats(probes, self.layouts[layout].probes)
            ids, numbers, utc, packed = zip(*same, strict=True)
            if raw:
                column_at = full_columns(packed, at.size)
                filled = [column_at(place) for place in at.places]
            else:
                filled = [Full((), *column) for column in columns(packed, at)]
            for probe, column in zip(at.probes, filled, strict=True):
                found[probe].append(Piece(probe, ids, numbers, utc, column))
        for pieces in found.values():
            yield pieces[0] if len(pieces) == 1 else _merged(pieces, raw=raw)


def scan_rows(db: sqlite3.Connection, first: int, last: int) -> Iterator[ScanRow]:
    """Scans from id `first` to `last` as they were committed, live and sealed alike, in order.

    Parameters
    ----------
    db : sqlite3.Connection
        In a read transaction, or sealing may move scans away under the walk.
    first, last : int
        Ids; those there are not are left out.
    """
    yield from Scans(db, Kept()).rows(first, last)


def readings_of(piece: Piece, layouts: Mapping[int, Layout], *, shift_ms: int) -> Iterator[Reading]:
    """The readings of a piece with their raw values; `shift_ms` is added to each time."""
    units = {
        number: layouts[number].units[layouts[number].probes.index(piece.probe)]
        for number in set(piece.layouts)
    }
    for layout, utc_ms, raw, value, uncertainty, flag, reason in zip(
        piece.layouts, piece.utc_ms, *piece.column, strict=True
    ):
        yield Reading(
            piece.probe,
            utc_ms + shift_ms,
            none_for_nan(raw),
            units[layout],
            none_for_nan(value),
            none_for_nan(uncertainty),
            FLAGS[flag],
            REASONS[reason],
        )


def _first(chunk: Chunk) -> int:
    return chunk.first


def _number(chunk: Chunk) -> int:
    return chunk.id


def _merged(pieces: Sequence[Piece], *, raw: bool) -> Piece:
    """One piece of several of the same probe, in the order of scans."""
    rows = sorted(
        (
            row
            for piece in pieces
            for row in zip(
                piece.scans,
                piece.layouts,
                piece.utc_ms,
                *(piece.column if raw else piece.column[1:]),
                strict=True,
            )
        ),
        key=lambda row: row[0],
    )
    scans, layouts, utc, *parts = zip(*rows, strict=True)
    column = Full(*parts) if raw else Full((), *parts)
    return Piece(pieces[0].probe, scans, layouts, utc, column)
