"""Every reading of one probe, as it was kept, sent while it is read from the record."""

import json
from array import array
from collections.abc import Iterable, Iterator
from functools import lru_cache
from math import nan

from longsoak.core.handflags import as_flagged, flags_of
from longsoak.core.wording import bound_words, rfc3339
from longsoak.report.cells import narrow_numbers, text_cell, wide_number
from longsoak.store.reader import Record
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Probe
from longsoak_dashboards.api.documents import finite, probe_document

COLUMNS = (
    *("time", "value", "bound", "standard_uncertainty", "flag", "reason"),
    *("raw", "raw_unit", "flag_taken"),
)
AT_ONCE = 1500  # readings that are made at a time: a hundredth of a second, for others wait
_HOUR_MS = 3_600_000
_LONGEST_MS = 240 * _HOUR_MS  # looked at in one go: a packed block of the record is about as long

Cell = str | float | None


def rows(
    record: Record, probe: Probe, flags: list[HandFlag], *, since_ms: int, until_ms: int
) -> Iterator[list[tuple[Cell, ...]]]:
    """Some readings after the other, ``since_ms <= time < until_ms``, as `COLUMNS` says."""
    own = flags_of(flags, probe)
    length, at = _HOUR_MS, since_ms
    while at < until_ms:
        end = min(until_ms, at + length)
        found = record.series(probe.name, since_ms=at, until_ms=end)
        yield _rows(probe, found, own)
        at = end
        if len(found) > AT_ONCE:
            length = max(1, length // 2)
        elif len(found) < AT_ONCE // 4:
            length = min(_LONGEST_MS, 2 * length)


def as_csv(parts: Iterable[list[tuple[Cell, ...]]]) -> Iterator[bytes]:
    """The same as lines of text (RFC 4180), with the columns' names in the first."""
    yield (",".join(COLUMNS) + "\r\n").encode()
    for part in parts:
        if part:
            yield "".join(",".join(map(_cell, row)) + "\r\n" for row in part).encode()


def as_json(head: dict[str, object], parts: Iterable[list[tuple[Cell, ...]]]) -> Iterator[bytes]:
    """The same as one document, which begins with `head`."""
    said = json.dumps({**head, "columns": COLUMNS}, ensure_ascii=False, allow_nan=False)
    yield f'{said[:-1]}, "readings": ['.encode()
    between = ""
    for part in parts:
        if part:
            lines = (json.dumps(row, ensure_ascii=False, allow_nan=False) for row in part)
            yield (between + ",\n".join(lines)).encode()
            between = ",\n"
    yield b"]}"


def head_of(rig: str, probe: Probe, *, since_ms: int, until_ms: int) -> dict[str, object]:
    """What the document says before its readings."""
    return {
        "rig": rig,
        **probe_document(probe),
        "from": rfc3339(since_ms),
        "to": rfc3339(until_ms),
    }


def _rows(probe: Probe, readings: list[Reading], own: list[HandFlag]) -> list[tuple[Cell, ...]]:
    values = _narrow([reading.value for reading in readings])
    doubts = _narrow([reading.uncertainty for reading in readings])
    found: list[tuple[Cell, ...]] = []
    for reading, value, doubt in zip(readings, values, doubts, strict=True):
        bound = bound_words(probe.kind, reading.value, reading.reason)
        flagged = as_flagged(reading, own) if own else reading
        found.append(
            (
                *(rfc3339(reading.utc_ms), value, bound, None if bound else doubt),
                *(int(flagged.flag), flagged.reason.words or None),
                *(finite(reading.raw), reading.raw_unit, int(reading.flag)),
            )
        )
    return found


def _narrow(numbers: list[float | None]) -> list[float | None]:
    """Numbers of 32 bits without the digits that 64 bits would add to them."""
    known = (finite(number) for number in numbers)
    kept = array("f", [nan if number is None else number for number in known])
    return [float(text) if text else None for text in narrow_numbers(kept)]


def _cell(value: Cell) -> str:
    if value is None:
        return ""
    return _text(value) if isinstance(value, str) else wide_number(value)


_text = lru_cache(text_cell)  # units and reasons come again and again
