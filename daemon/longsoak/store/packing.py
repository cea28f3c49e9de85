"""How one scan's readings lie in its row: column after column, little-endian.

For n probes: n raw values (float64, bit for bit as the driver gave them), n converted values and n
standard uncertainties (float32, far finer than any uncertainty), n flags and n reasons (one byte
each); 18 bytes a reading. NaN stands for "none".
"""

import math
import struct
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain
from typing import NamedTuple

from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Reading, Scan

BYTES_PER_READING = 18
FLAGS = {int(flag): flag for flag in Flag}
REASONS = {int(reason): reason for reason in Reason}


def pack(scan: Scan) -> bytes:
    """One scan's readings as the bytes of its row."""
    return row_struct(len(scan.probes)).pack(
        *scan.raw,
        *scan.values,
        *scan.uncertainties,
        *scan.flags,
        *scan.reasons,
    )


@lru_cache(maxsize=256)
def row_struct(n: int) -> struct.Struct:
    """How the readings of `n` probes lie in a row."""
    return struct.Struct(f"<{n}d{n}f{n}f{n}B{n}B")


def unpack_one(readings: bytes, place: int, *, probe: str, utc_ms: int, unit: str) -> Reading:
    """The reading at `place` in a row's bytes, without decoding its neighbours."""
    n = len(readings) // BYTES_PER_READING
    (raw,) = struct.unpack_from("<d", readings, 8 * place)
    (value,) = struct.unpack_from("<f", readings, 8 * n + 4 * place)
    (uncertainty,) = struct.unpack_from("<f", readings, 12 * n + 4 * place)
    return Reading(
        probe=probe,
        utc_ms=utc_ms,
        raw=none_for_nan(raw),
        raw_unit=unit,
        value=none_for_nan(value),
        uncertainty=none_for_nan(uncertainty),
        flag=Flag(readings[16 * n + place]),
        reason=Reason(readings[17 * n + place]),
    )


def brings_a_value(readings: bytes) -> bool:
    """Whether any probe of a row is there, by the row's flags alone."""
    n = len(readings) // BYTES_PER_READING
    return readings[16 * n : 17 * n].count(Flag.MISSING) < n


def unpack(
    readings: bytes, *, probes: Sequence[str], units: Sequence[str], utc_ms: int
) -> tuple[Reading, ...]:
    """All readings of a row, in the order of its layout."""
    return tuple(
        unpack_one(readings, place, probe=probe, utc_ms=utc_ms, unit=units[place])
        for place, probe in enumerate(probes)
    )


@dataclass(frozen=True, slots=True)
class Seats:
    """Where the wanted probes sit in the rows of one layout of `size` probes."""

    size: int
    probes: tuple[str, ...]
    places: tuple[int, ...]


def seats(probes: Iterable[str], layout: Sequence[str]) -> Seats:
    """The seats of those of `probes` that `layout`, a layout's probes in order, has."""
    wanted = frozenset(probes)
    found = [(probe, place) for place, probe in enumerate(layout) if probe in wanted]
    return Seats(len(layout), tuple(p for p, _ in found), tuple(place for _, place in found))


class Column(NamedTuple):
    """What rows of one layout hold at one place, NaN for "none"."""

    values: tuple[float, ...]
    uncertainties: tuple[float, ...]
    flags: tuple[int, ...]
    reasons: tuple[int, ...]


class Full(NamedTuple):
    """A column with what the instrument gave."""

    raw: tuple[float, ...]
    values: tuple[float, ...]
    uncertainties: tuple[float, ...]
    flags: tuple[int, ...]
    reasons: tuple[int, ...]


class Piece(NamedTuple):
    """Some of one probe's readings in the order of scans; times as recorded."""

    probe: str
    scans: Sequence[int]
    layouts: Sequence[int]
    utc_ms: Sequence[int]
    column: Full


def cut_out(column: Full, low: int, high: int) -> Full:
    """A column's entries from `low` to below `high`."""
    return Full(
        column.raw[low:high],
        column.values[low:high],
        column.uncertainties[low:high],
        column.flags[low:high],
        column.reasons[low:high],
    )


def joined(columns: Sequence[Full]) -> Full:
    """Columns behind each other as one."""
    return Full(*(tuple(chain.from_iterable(parts)) for parts in zip(*columns, strict=True)))


def full_columns(rows: Sequence[bytes], size: int) -> Callable[[int], Full]:
    """What gives all that `rows` of one layout of `size` probes hold at one place, for many places.

    Raises
    ------
    ValueError
        A row is not as long as its layout says.
    """
    _check(rows, size)
    data = b"".join(rows)  # once: a thousand rows are a megabyte

    def at(place: int) -> Full:
        picked = _picker(size, (place,), raw=True).iter_unpack(data)
        return Full(*zip(*picked, strict=True)) if data else Full((), (), (), (), ())

    return at


def columns(rows: Sequence[bytes], at: Seats) -> list[Column]:
    """What `rows` of one layout hold for each of `at.probes`, without decoding the rest.

    Raises
    ------
    ValueError
        A row is not as long as its layout says.
    """
    _check(rows, at.size)
    turned = list(zip(*_picker(at.size, at.places).iter_unpack(b"".join(rows)), strict=True))
    n = len(at.places)
    return [Column(*turned[i::n]) for i in range(n)]


def _check(rows: Sequence[bytes], size: int) -> None:
    length = BYTES_PER_READING * size
    if wrong := set(map(len, rows)) - {length}:
        raise ValueError(f"{min(wrong)} bytes instead of {length}")


@lru_cache(maxsize=256)
def _picker(size: int, places: tuple[int, ...], *, raw: bool = False) -> struct.Struct:
    def picked(one: str, skipped: str) -> str:
        return "".join(one if place in places else skipped for place in range(size))

    wide, narrow = picked("f", "4x"), picked("B", "x")
    widest = picked("d", "8x") if raw else f"{8 * size}x"
    return struct.Struct(f"<{widest}{wide}{wide}{narrow}{narrow}")


def none_for_nan(value: float) -> float | None:
    """None in place of NaN."""
    return None if math.isnan(value) else value
