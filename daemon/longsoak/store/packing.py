"""How one scan's readings lie in its row: column after column, little-endian.

For n probes: n raw values (float64, bit for bit as the driver gave them), n converted values and n
standard uncertainties (float32, far finer than any uncertainty), n flags and n reasons (one byte
each); 18 bytes a reading. NaN stands for "none".
"""

import math
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Reading, Scan

BYTES_PER_READING = 18


def pack(scan: Scan) -> bytes:
    """One scan's readings as the bytes of its row."""
    n = len(scan.probes)
    return struct.pack(
        f"<{n}d{n}f{n}f{n}B{n}B",
        *scan.raw,
        *scan.values,
        *scan.uncertainties,
        *scan.flags,
        *scan.reasons,
    )


def unpack_one(readings: bytes, place: int, *, probe: str, utc_ms: int, unit: str) -> Reading:
    """The reading at `place` in a row's bytes, without decoding its neighbours."""
    n = len(readings) // BYTES_PER_READING
    (raw,) = struct.unpack_from("<d", readings, 8 * place)
    (value,) = struct.unpack_from("<f", readings, 8 * n + 4 * place)
    (uncertainty,) = struct.unpack_from("<f", readings, 12 * n + 4 * place)
    return Reading(
        probe=probe,
        utc_ms=utc_ms,
        raw=_none_for_nan(raw),
        raw_unit=unit,
        value=_none_for_nan(value),
        uncertainty=_none_for_nan(uncertainty),
        flag=Flag(readings[16 * n + place]),
        reason=Reason(readings[17 * n + place]),
    )


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


def columns(rows: Sequence[bytes], at: Seats) -> list[Column]:
    """What `rows` of one layout hold for each of `at.probes`, without decoding the rest.

    Raises
    ------
    ValueError
        A row is not as long as its layout says.
    """
    length = BYTES_PER_READING * at.size
    if wrong := set(map(len, rows)) - {length}:
        raise ValueError(f"{min(wrong)} bytes instead of {length}")
    turned = list(zip(*_picker(at.size, at.places).iter_unpack(b"".join(rows)), strict=True))
    n = len(at.places)
    return [Column(*turned[i::n]) for i in range(n)]


@lru_cache(maxsize=256)
def _picker(size: int, places: tuple[int, ...]) -> struct.Struct:
    def picked(one: str, skipped: str) -> str:
        return "".join(one if place in places else skipped for place in range(size))

    wide, narrow = picked("f", "4x"), picked("B", "x")
    return struct.Struct(f"<{8 * size}x{wide}{wide}{narrow}{narrow}")


def _none_for_nan(value: float) -> float | None:
    return None if math.isnan(value) else value
