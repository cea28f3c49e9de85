"""Readings reduced for a drawing as lines of CSV, RFC 4180; no cell begins a formula."""

import math
from array import array
from collections.abc import Iterator, Mapping, Sequence

from longsoak.core.wording import rfc3339
from longsoak.report.cells import narrow_numbers, text_cell
from longsoak.vocabulary.rig import UNIT, Probe
from longsoak_dashboards.api.series import Row

_AT_ONCE = 500  # lines that are sent together
_REDUCED = ("time", "probe", "unit", "low", "mean", "high", "uncertainty", "flag", "bound")


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


def _numbers(values: Sequence[float | None]) -> list[str]:
    """Write numbers as the record holds them, with 32 bits; a mean is rounded to these."""
    return narrow_numbers(array("f", [math.nan if value is None else value for value in values]))


def _line(cells: Sequence[str]) -> str:
    return ",".join(cells) + "\r\n"
