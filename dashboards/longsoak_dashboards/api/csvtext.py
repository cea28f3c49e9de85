"""Readings as lines of CSV, RFC 4180: lines end in CR LF, and no cell begins a formula."""

import math
import re
from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence

from longsoak.core.wording import bound_words, rfc3339
from longsoak.report.cells import narrow_numbers, text_cell, wide_number
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import UNIT, Probe
from longsoak_dashboards.api.series import Row

_AT_ONCE = 500  # lines that are sent together
_REDUCED = ("time", "probe", "unit", "low", "mean", "high", "uncertainty", "flag", "bound")
_SINGLE = (
    *("time", "probe", "raw", "raw_unit", "value", "uncertainty", "unit", "flag", "flag_word"),
    *("reason", "bound"),
)


def file_name(rig: str, what: str) -> str:
    """A name that any disk takes: "render-pair-readings.csv"."""
    plain = re.sub(r"[^a-z0-9]+", "-", rig.lower()).strip("-")
    return f"{plain or 'rig'}-{what}.csv"


def reduced_lines(rows: Mapping[str, Sequence[Row]], probes: Mapping[str, Probe]) -> Iterator[str]:
    """The head, then a line for each interval of each probe, in the order of time."""
    yield _line(_REDUCED)
    cells = {name: (text_cell(name), UNIT[probe.kind]) for name, probe in probes.items()}
    ordered = sorted((row[0], name, row) for name, own in rows.items() for row in own)
    for start in range(0, len(ordered), _AT_ONCE):
        yield "".join(
            _line((rfc3339(at), *cells[name], *_numbers(row[1:5]), str(row[5]), row[6] or ""))
            for at, name, row in ordered[start : start + _AT_ONCE]
        )


def single_lines(
    readings: Iterable[Sequence[Reading]], probes: Mapping[str, Probe]
) -> Iterator[str]:
    """The head, then a line for each reading as it comes."""
    yield _line(_SINGLE)
    names = {name: text_cell(name) for name in probes}
    for some in readings:
        for start in range(0, len(some), _AT_ONCE):
            yield "".join(_single(r, names, probes) for r in some[start : start + _AT_ONCE])


def _single(reading: Reading, names: Mapping[str, str], probes: Mapping[str, Probe]) -> str:
    kind = probes[reading.probe].kind
    bound = bound_words(kind, reading.value, reading.reason)
    spread = None if bound else reading.uncertainty
    return _line(
        (
            *(rfc3339(reading.utc_ms), names[reading.probe]),
            "" if reading.raw is None else wide_number(reading.raw),
            text_cell(reading.raw_unit),
            *_numbers((reading.value, spread)),
            *(UNIT[kind], str(int(reading.flag)), Flag(reading.flag).word),
            *(text_cell(reading.reason.words), bound or ""),
        )
    )


def _numbers(values: Sequence[float | None]) -> list[str]:
    """Write numbers as the record holds them, with 32 bits; a mean is rounded to these."""
    return narrow_numbers(array("f", [math.nan if value is None else value for value in values]))


def _line(cells: Sequence[str]) -> str:
    return ",".join(cells) + "\r\n"
