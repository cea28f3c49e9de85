"""How sealed scans lie in their rows: what is the scans' own, and one probe's readings. Pure."""

import struct
import zlib
from array import array
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from operator import add
from typing import NamedTuple

from longsoak.store.codec import (
    float_at,
    pack_floats,
    pack_whole,
    unpack_floats,
    unpack_whole,
)
from longsoak.store.packing import Full, row_struct

_SCANS = struct.Struct("<4I")  # lengths of its parts
_READINGS = struct.Struct("<5I")
_CRC = struct.Struct("<I")


class ScanRow(NamedTuple):
    """One scan as it was committed, live or sealed."""

    id: int
    layout: int
    utc_ms: int
    boottime_ms: int
    synchronised: int
    readings: bytes


@dataclass(frozen=True, slots=True)
class SealedScans:
    """What is the scans' own in a run of scans on end: all but their readings."""

    first: int
    layouts: "array[int]"
    utc_ms: "array[int]"
    boottime_ms: "array[int]"
    synchronised: bytes
    kinds: frozenset[int]  # the layouts that occur

    @property
    def last(self) -> int:
        """The id of the last scan."""
        return self.first + len(self.layouts) - 1

    def heads(self) -> Iterator[tuple[int, int, int, int, int]]:
        """Each scan's row but for its readings."""
        return zip(
            range(self.first, self.last + 1),
            self.layouts,
            self.utc_ms,
            self.boottime_ms,
            self.synchronised,
            strict=True,
        )


def pack_scans(rows: Sequence[ScanRow]) -> bytes:
    """All but the readings of `rows`, whose ids follow on one another."""
    parts = [
        pack_whole([row.layout for row in rows]),
        pack_whole([row.boottime_ms for row in rows]),
        pack_whole([row.utc_ms - row.boottime_ms for row in rows]),
        pack_whole([row.synchronised for row in rows]),
    ]
    of = _of_scans(rows[0].id, rows[-1].id)
    return _checked(_SCANS.pack(*map(len, parts)) + b"".join(parts), of)


def unpack_scans(data: bytes, *, first: int, last: int) -> SealedScans:
    """What `pack_scans` was given, of rows from id `first` to `last`."""
    parts = _split(data, _SCANS, _of_scans(first, last))
    layouts, boottime, offsets, synchronised = map(unpack_whole, parts)
    utc = map(add, boottime, offsets)
    return SealedScans(
        first,
        array("q", layouts),
        array("q", utc),
        array("q", boottime),
        bytes(synchronised),
        frozenset(layouts),
    )


def pack_readings(column: Full, *, of: str) -> bytes:
    """One probe's readings; `of` is what `of_readings` says of them."""
    parts = [
        pack_floats(column.raw, size=8),
        pack_floats(column.values, size=4),
        pack_floats(column.uncertainties, size=4),
        zlib.compress(bytes(column.flags)),
        zlib.compress(bytes(column.reasons)),
    ]
    return _checked(_READINGS.pack(*map(len, parts)) + b"".join(parts), of)


def unpack_readings(data: bytes, *, of: str, raw: bool = True) -> Full:
    """What `pack_readings` was given; without `raw` that column is empty, and the rest quicker."""
    parts = parts_of_readings(data, of=of)
    return Full(
        tuple(unpack_floats(parts[0], size=8)) if raw else (),
        tuple(unpack_floats(parts[1], size=4)),
        tuple(unpack_floats(parts[2], size=4)),
        tuple(zlib.decompress(parts[3])),
        tuple(zlib.decompress(parts[4])),
    )


def unpack_reading(data: bytes, place: int, *, of: str, among: int) -> Full:
    """The one reading at `place` of what `pack_readings` was given, as a column of its own.

    Raises
    ------
    ValueError
        The data are not what was sealed, or not readings of `among` scans.
    """
    raw, values, uncertainties, *bytes_ = parts_of_readings(data, of=of)
    flags, reasons = map(zlib.decompress, bytes_)
    if not len(flags) == len(reasons) == among:
        raise ValueError(f"{len(flags)} readings of {among}")
    return Full(
        (float_at(raw, place, size=8),),
        (float_at(values, place, size=4),),
        (float_at(uncertainties, place, size=4),),
        (flags[place],),
        (reasons[place],),
    )


def parts_of_readings(data: bytes, *, of: str) -> list[bytes]:
    """Raw, values, uncertainties, flags and reasons, each still packed."""
    return _split(data, _READINGS, of)


def of_readings(probe: str, *, first: int) -> str:
    """Whose readings they are, in a run of scans from id `first` on."""
    return f"{first} {probe}"


def _of_scans(first: int, last: int) -> str:
    return f"{first} to {last}"


def _checked(data: bytes, of: str) -> bytes:
    """Data and their CRC-32: a card that flips a bit must not change a reading unnoticed.

    What they are of counts too: nor must it give one probe's readings to another.
    """
    return data + _CRC.pack(zlib.crc32(data, zlib.crc32(of.encode())))


def _split(data: bytes, lengths: struct.Struct, of: str) -> list[bytes]:
    """The parts of `data` that lie behind their lengths and before their CRC-32.

    Raises
    ------
    ValueError
        The data are not what was sealed.
    """
    if len(data) < lengths.size + _CRC.size:
        raise ValueError(f"{len(data)} bytes are no sealed readings")
    crc = zlib.crc32(data[: -_CRC.size], zlib.crc32(of.encode()))
    if (crc,) != _CRC.unpack(data[-_CRC.size :]):
        raise ValueError("sealed readings do not have their checksum")
    parts, at = [], lengths.size
    for length in lengths.unpack_from(data):
        parts.append(data[at : at + length])
        at += length
    return parts


def same(one: Full, other: Full) -> bool:
    """Whether two columns are the same to the last bit, NaN and signs of zero included."""
    return all(
        array(code, a).tobytes() == array(code, b).tobytes()
        for code, a, b in zip("dff", one[:3], other[:3], strict=True)
    ) and all(bytes(a) == bytes(b) for a, b in zip(one[3:], other[3:], strict=True))


def rows_again(
    scans: SealedScans, columns: Mapping[str, Full], layouts: Mapping[int, Sequence[str]]
) -> list[ScanRow]:
    """The rows as they were before they were sealed, bit for bit."""
    turns = {probe: zip(*column, strict=True) for probe, column in columns.items()}
    packers = {number: row_struct(len(layouts[number])) for number in scans.kinds}
    rows = []
    for head in scans.heads():
        layout = head[1]
        readings = [next(turns[probe]) for probe in layouts[layout]]
        raw, values, uncertainties, flags, reasons = zip(*readings, strict=True)
        packed = packers[layout].pack(*raw, *values, *uncertainties, *flags, *reasons)
        rows.append(ScanRow(*head, packed))
    return rows
