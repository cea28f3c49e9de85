"""One probe's readings over a time as columns of equal length, for programs and for drawings."""

import math
from collections.abc import Iterable, Sequence
from typing import Literal

from longsoak.core.wording import bound_words
from longsoak.store.buckets import Bucket
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Probe
from longsoak_dashboards.api.documents import finite, probe_document

COLUMNS = ("time_ms", "low", "mean", "high", "standard_uncertainty", "flag", "bound")

Bound = Literal["at least", "at most"] | None
Row = tuple[int, float | None, float | None, float | None, float | None, int, Bound]


def of_reading(reading: Reading, probe: Probe) -> Row:
    """A single reading; one that fails, or is no finite number, has no value."""
    value = reading.value
    if value is None or reading.flag is Flag.FAIL or not math.isfinite(value):
        return reading.utc_ms, None, None, None, None, int(reading.flag), None
    bound = bound_words(probe.kind, value, reading.as_kept.reason)
    spread = None if bound else finite(reading.uncertainty)
    return reading.utc_ms, value, value, value, spread, int(reading.flag), bound


def of_buckets(buckets: Sequence[Bucket]) -> list[Row]:
    """Intervals: each at its beginning, with its worst flag. A bound has no mean."""
    if not buckets:
        return []
    columns = zip(*buckets, strict=True)
    times, lows, highs, means, spreads, _, worst, wetter, drier = columns
    bounds: list[Bound] = [None] * len(times)
    if any(wetter) or any(drier):
        bounds = [
            None if finite(low) is None else "at least" if over else "at most" if under else None
            for low, over, under in zip(lows, wetter, drier, strict=True)
        ]
    values = map(_finite, (lows, means, highs, spreads))
    return list(zip(times, *values, map(int, worst), bounds, strict=True))


def _finite(values: Sequence[float | None]) -> Sequence[float | None]:
    """`finite` of each, at once where all are."""
    try:
        if math.isfinite(sum(values)):  # type: ignore[arg-type]  # what is none is caught
            return values
    except TypeError:
        pass
    return list(map(finite, values))


def document(probe: Probe, rows: Iterable[Row]) -> dict[str, object]:
    """A probe with its readings, column by column in the order of `COLUMNS`."""
    columns: Sequence[Sequence[object]] = list(zip(*rows, strict=True)) or [()] * len(COLUMNS)
    return (
        probe_document(probe)
        | {"columns": list(COLUMNS)}
        | dict(zip(COLUMNS, map(list, columns), strict=True))
    )
