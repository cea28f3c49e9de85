"""Single readings, all there are, as lines of CSV or as one JSON document, made as they are sent.

CSV is that of RFC 4180: lines end in CR LF; no cell begins a formula.
"""

import json
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import nan

from longsoak.core.wording import bound_words, rfc3339
from longsoak.report.cells import narrow_numbers, text_cell, wide_number
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import UNIT, Probe
from longsoak_dashboards.api.documents import Document, probe_document

COLUMNS = (
    *("time", "probe", "raw", "raw_unit", "value", "uncertainty", "unit"),
    *("flag", "flag_word", "reason", "bound", "flag_taken"),
)
_MOST_KEPT = 2048  # texts: names, units and reasons come again and again
_NO_NUMBERS = frozenset(("", "INF", "-INF"))


@dataclass(frozen=True, slots=True)
class _Form:
    """How a cell is written: a text, a number that is one already as a text, and none at all."""

    text: Callable[[str], str]
    number: Callable[[str], str]
    none: str


def as_csv(readings: Iterable[Sequence[Reading]], probes: Mapping[str, Probe]) -> Iterator[str]:
    """The columns' names, then a line for each reading; an empty text where none comes."""
    yield ",".join(COLUMNS) + "\r\n"
    for some in readings:
        yield "".join(f"{row}\r\n" for row in _rows(some, probes, _CSV))


def as_json(
    head: Document, readings: Iterable[Sequence[Reading]], probes: Mapping[str, Probe]
) -> Iterator[str]:
    """One document that begins with `head`; an empty text where no reading comes."""
    described = [probe_document(probe) for probe in probes.values()]
    whole = {**head, "raw": True, "columns": COLUMNS, "probes": described}
    begun = json.dumps(whole, ensure_ascii=False, allow_nan=False)
    yield f'{begun[:-1]}, "readings": ['
    between = "\n"
    for some in readings:
        rows = ",\n".join(f"[{row}]" for row in _rows(some, probes, _JSON))
        yield f"{between}{rows}" if rows else ""
        between = ",\n" if rows else between
    yield "]}"


def _rows(some: Sequence[Reading], probes: Mapping[str, Probe], form: _Form) -> Iterator[str]:
    text, number, none = form.text, form.number, form.none
    values = _narrow([reading.value for reading in some])
    spreads = _narrow([reading.uncertainty for reading in some])
    for reading, value, spread in zip(some, values, spreads, strict=True):
        kind, flag, why = probes[reading.probe].kind, reading.flag, reading.reason.words
        bound = bound_words(kind, reading.value, reading.as_kept.reason)
        yield ",".join(
            (
                *(text(_time(reading.utc_ms)), text(reading.probe)),
                none if reading.raw is None else number(wide_number(reading.raw)),
                *(text(reading.raw_unit), number(value), none if bound else number(spread)),
                *(text(UNIT[kind]), str(int(flag)), text(flag.word)),
                *(text(why) if why else none, text(bound) if bound else none),
                str(int(reading.as_kept.flag)),
            )
        )


def _narrow(numbers: Sequence[float | None]) -> list[str]:
    """Numbers of 32 bits, without the digits that 64 bits would add to them."""
    return narrow_numbers(array("f", [nan if number is None else number for number in numbers]))


def _or_null(number: str) -> str:
    return "null" if number in _NO_NUMBERS else number


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


_time = lru_cache(_MOST_KEPT)(rfc3339)  # probes of a bus are read at the same time
_CSV = _Form(lru_cache(_MOST_KEPT)(text_cell), str, "")
_JSON = _Form(lru_cache(_MOST_KEPT)(_quoted), _or_null, "null")
