"""Axes with round figures: values and UTC times."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

_MINUTE, _HOUR, _DAY = 60_000, 3_600_000, 86_400_000
_STEPS = (
    _MINUTE, 2 * _MINUTE, 5 * _MINUTE, 10 * _MINUTE, 15 * _MINUTE, 30 * _MINUTE,
    _HOUR, 2 * _HOUR, 3 * _HOUR, 6 * _HOUR, 12 * _HOUR,
    _DAY, 2 * _DAY, 7 * _DAY, 14 * _DAY,
)  # fmt: skip
_MOST_TICKS = 5  # as many as have room on a phone
_EPOCH_TO_MONDAY = 4 * _DAY  # 1 January 1970 was a Thursday


@dataclass(frozen=True, slots=True)
class Scale:
    """A vertical scale from `low` to `high` with its ticks."""

    low: float
    high: float
    ticks: tuple[float, ...]


def value_scale(values: Iterable[float], *, least: float, most_ticks: int = 4) -> Scale:
    """A scale round `values`, at least `least` from end to end, with ends on round figures."""
    found = list(values)
    low, high = (min(found), max(found)) if found else (0.0, least)
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
        if found and min(found) >= 0 > low:  # most of what is measured can't be negative
            low, high = 0.0, high - low
    step = _round_step((high - low) / most_ticks)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return Scale(first * step, last * step, tuple(i * step for i in range(first, last + 1)))


def _round_step(rough: float) -> float:
    power = 10.0 ** math.floor(math.log10(rough))
    return next(f * power for f in (1, 2, 5, 10) if f * power >= rough - 1e-12)


def time_ticks(since_ms: int, until_ms: int) -> tuple[tuple[int, str], ...]:
    """Round UTC times within a range with their words: "14:30", "23 Sep", "Oct"."""
    span = until_ms - since_ms
    step = next((s for s in _STEPS if span / s <= _MOST_TICKS), None)
    if step is None:
        return _months(since_ms, until_ms)
    offset = _EPOCH_TO_MONDAY if step >= 7 * _DAY else 0
    first = -(-(since_ms - offset) // step) * step + offset
    ticks = []
    for at in range(first, until_ms + 1, step):
        when = datetime.fromtimestamp(at / 1000, UTC)
        day = f"{when.day} {when:%b}"
        ticks.append((at, day if step >= _DAY or at % _DAY == 0 else f"{when:%H:%M}"))
    return tuple(ticks)


def _months(since_ms: int, until_ms: int) -> tuple[tuple[int, str], ...]:
    first = datetime.fromtimestamp(since_ms / 1000, UTC)
    every = max(1, math.ceil((until_ms - since_ms) / (30.4 * _DAY) / _MOST_TICKS))
    ticks = []
    at = first.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    while at.timestamp() * 1000 <= until_ms:
        if at.timestamp() * 1000 >= since_ms and (at.month - 1) % every == 0:
            words = f"{at:%b}" if at.month > 1 else f"{at:%b %Y}"
            ticks.append((round(at.timestamp() * 1000), words))
        at = (at + timedelta(days=32)).replace(day=1)
    return tuple(ticks)
