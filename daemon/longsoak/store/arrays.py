"""Ranges of readings as numpy arrays: for what works on months at once. Needs the analysis extra.

Reads the bytes of `longsoak.store.codec` with code of its own, so that each checks the other.
"""

import zlib
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from longsoak.store.codec import DECIMAL, HEAD, STEPS
from longsoak.store.derived import Derived
from longsoak.store.known import Chunk, intact
from longsoak.store.packing import seats
from longsoak.store.scans import Scans
from longsoak.store.sealed import of_readings, parts_of_readings
from longsoak.store.timeline import Span

_SIGN = np.uint64(1 << 63)
_WIDE = np.dtype(np.uint64)


@dataclass(frozen=True, slots=True)
class Columns:
    """One probe's readings as arrays of one length, in the order taken. NaN stands for "none".

    `utc_ms` int64; `raw` float64 in the unit that its scan's layout says; `values` and their
    standard `uncertainties` float32 in the unit of the probe's kind; `flags`, `reasons` uint8;
    `scans` int64, the ids of the scans they came in.
    """

    scans: npt.NDArray[np.int64]
    utc_ms: npt.NDArray[np.int64]
    raw: npt.NDArray[np.float64]
    values: npt.NDArray[np.float32]
    uncertainties: npt.NDArray[np.float32]
    flags: npt.NDArray[np.uint8]
    reasons: npt.NDArray[np.uint8]


def read(
    scans: Scans, within: Sequence[Span], probes: Collection[str], *, raw: bool = True
) -> dict[str, Columns]:
    """The readings of `probes` in some spans of scans; a probe without any has empty columns."""
    parts: dict[str, list[Columns]] = {probe: [] for probe in probes}
    for span in within:
        for chunk in scans.unbroken(span.first, span.last):
            for probe, columns in _sealed(scans, chunk, span, probes, raw):
                parts[probe].append(columns)
        for probe, columns in _live(scans, span, probes):
            parts[probe].append(columns)
    return {probe: _shown(scans, probe, _joined(found)) for probe, found in parts.items()}


def _shown(scans: Scans, probe: str, own: Columns) -> Columns:
    """A probe's columns with the values in them that were derived again."""
    derived = scans.derived
    if derived is None or probe not in derived.derivation.probes or not len(own.scans):
        return own
    old = int(np.searchsorted(own.scans, derived.derivation.last_scan, side="right"))
    if not old:
        return own
    runs = _again(derived, probe, int(own.scans[0]), int(own.scans[old - 1]))
    if not runs:
        return own
    again, *new = (np.concatenate(column) for column in zip(*runs, strict=True))
    if np.array_equal(again, own.scans[:old]):  # all of them, as it mostly is
        at: npt.NDArray[np.int64] | slice = slice(None)
        here: npt.NDArray[np.bool_] | slice = slice(None)
    else:
        at = np.minimum(np.searchsorted(again, own.scans[:old]), len(again) - 1)
        here = again[at] == own.scans[:old]  # those of its scans that are wanted
        at = at[here]

    def mixed(column: npt.NDArray[Any], derived: npt.NDArray[Any]) -> npt.NDArray[Any]:
        both = column.copy()
        both[:old][here] = derived[at]
        return both

    values, uncertainties, flags, reasons = new
    return Columns(
        own.scans,
        own.utc_ms,
        own.raw,
        mixed(own.values, values),
        mixed(own.uncertainties, uncertainties),
        mixed(own.flags, flags),
        mixed(own.reasons, reasons),
    )


def _again(
    derived: Derived, probe: str, first: int, last: int
) -> list[tuple[npt.NDArray[Any], ...]]:
    """Scans, values, uncertainties, flags and reasons of each run that was derived again."""
    found: list[tuple[npt.NDArray[Any], ...]] = []
    with derived.readable():
        for ids, data in derived.packed(probe, first, last):
            scans = _numbers(ids)[3].view(np.int64)
            _, *parts = parts_of_readings(data, of=of_readings(probe, first=int(scans[0])))
            columns = (
                scans,
                singles(parts[0]),
                singles(parts[1]),
                _marks(parts[2]),
                _marks(parts[3]),
            )
            if len({len(column) for column in columns}) != 1:
                raise ValueError(f"{len(columns[1])} readings of {len(scans)} scans")
            found.append(columns)
    return found


def _marks(data: bytes) -> npt.NDArray[np.uint8]:
    return np.frombuffer(zlib.decompress(data), np.uint8)


def _sealed(
    scans: Scans, chunk: Chunk, span: Span, probes: Collection[str], raw: bool
) -> Iterator[tuple[str, Columns]]:
    times = scans.times(chunk)
    low, high = max(span.first, chunk.first), min(span.last, chunk.last) + 1
    ids = np.arange(low, high)
    there = slice(low - chunk.first, high - chunk.first)
    utc = np.frombuffer(times.utc_ms, np.int64)[there] + span.shift_ms
    for probe, data in scans.sealed_blobs(chunk, probes).items():
        holding = scans.holding((probe,))
        wanted: npt.NDArray[np.bool_] | slice = slice(None)
        cut = there  # of its own readings
        if not holding >= times.kinds:
            here = np.isin(np.frombuffer(times.layouts, np.int64), list(holding))
            wanted, before = here[there], int(here[: there.start].sum())
            cut = slice(before, before + int(wanted.sum()))
        with intact(chunk):
            parts = parts_of_readings(data, of=of_readings(probe, first=chunk.first))
            raws, values, uncertainties, flags, reasons = parts
            columns = Columns(
                ids[wanted],
                utc[wanted],
                doubles(raws)[cut] if raw else np.full(cut.stop - cut.start, np.nan),
                singles(values)[cut],
                singles(uncertainties)[cut],
                _marks(flags)[cut],
                _marks(reasons)[cut],
            )
        yield probe, columns


def _live(scans: Scans, span: Span, probes: Collection[str]) -> Iterator[tuple[str, Columns]]:
    alike: dict[int, list[tuple[int, int, bytes]]] = {}
    for row in scans.live_rows(scans.holding(probes), span.first, span.last):
        alike.setdefault(row[1], []).append((row[0], row[2], row[3]))
    for layout, same in alike.items():
        at = seats(probes, scans.layouts[layout].probes)
        ids, utc, rows = zip(*same, strict=True)
        n = at.size
        kinds = zip(Columns.__slots__[2:], ("<f8", "<f4", "<f4", "u1", "u1"), strict=True)
        as_laid = np.dtype([(name, kind, n) for name, kind in kinds])
        if wrong := set(map(len, rows)) - {as_laid.itemsize}:
            raise ValueError(f"{min(wrong)} bytes instead of {as_laid.itemsize}")
        laid = np.frombuffer(b"".join(rows), as_laid)
        for probe, place in zip(at.probes, at.places, strict=True):
            yield (
                probe,
                Columns(
                    np.array(ids, np.int64),
                    np.array(utc, np.int64) + span.shift_ms,
                    laid["raw"].reshape(-1, n)[:, place],
                    laid["values"].reshape(-1, n)[:, place],
                    laid["uncertainties"].reshape(-1, n)[:, place],
                    laid["flags"].reshape(-1, n)[:, place],
                    laid["reasons"].reshape(-1, n)[:, place],
                ),
            )


def _joined(parts: Sequence[Columns]) -> Columns:
    if not parts:
        return Columns(*(np.empty(0, kind) for kind in ("i8", "i8", "f8", "f4", "f4", "u1", "u1")))
    if len(parts) == 1:
        return parts[0]
    columns = [
        np.concatenate([getattr(part, name) for part in parts]) for name in Columns.__slots__
    ]
    scans = columns[0]
    if (np.diff(scans) < 0).any():  # several layouts hold it
        order = np.argsort(scans, kind="stable")
        columns = [column[order] for column in columns]
    return Columns(*columns)


def doubles(data: bytes) -> npt.NDArray[np.float64]:
    """What `longsoak.store.codec.pack_floats` was given, of floats of 8 bytes."""
    kind, power, marks, numbers = _numbers(data)
    if kind == DECIMAL:
        scale = 10.0 ** abs(power)
        whole = numbers.view(np.int64).astype(np.float64)
        values = whole / scale if power >= 0 else whole * scale
    else:
        values = (numbers + _SIGN).view(np.float64)
    if marks is not None:
        values[marks] = np.nan
    return values


def singles(data: bytes) -> npt.NDArray[np.float32]:
    """The same of floats of 4 bytes."""
    _, _, marks, numbers = _numbers(data, np.dtype(np.uint32))  # modulo 2**32, as their bits are
    values = numbers.view(np.float32)
    if marks is not None:
        values[marks] = np.nan
    return values


def _numbers(
    data: bytes, dtype: np.dtype[Any] = _WIDE
) -> tuple[int, int, npt.NDArray[np.bool_] | None, npt.NDArray[Any]]:
    """A column's kind, its power of ten, where it is NaN, and its whole numbers, modulo `dtype`."""
    kind, how, width, power, length, lowest, first, shared = HEAD.unpack_from(data)
    body, mask = HEAD.size + length, (1 << 8 * dtype.itemsize) - 1
    marks = np.frombuffer(zlib.decompress(data[HEAD.size : body]), np.bool_) if length else None
    if body == len(data):
        return kind, power, marks, np.empty(0, dtype)
    planes = np.frombuffer(zlib.decompress(data[body:]), np.uint8).reshape(width, -1)
    stored = np.ascontiguousarray(planes.T).view(f"<u{width}").ravel().astype(dtype)
    if shared != 1:
        stored *= dtype.type(shared & mask)
    if lowest:
        stored += dtype.type(lowest & mask)
    if how == STEPS:
        run = np.empty(len(stored) + 1, dtype)
        run[0] = first & mask
        run[1:] = stored
        stored = np.cumsum(run, dtype=dtype)
    return kind, power, marks, stored
