"""What is remembered of probes as text, and back. Pure.

A library that does it by the types takes a megabyte for it, which is more than what is remembered.
"""

import json
from collections.abc import Mapping
from dataclasses import fields

from longsoak.core.quality.change import Sums
from longsoak.core.quality.checks import Before, Pending, Run
from longsoak.core.quality.day import Day, DaySums
from longsoak.core.quality.watched import Memory, Standing, Streak
from longsoak.vocabulary.health import Fault

_NAMES = tuple(field.name for field in fields(Memory))
_OF_A_DAY = tuple(field.name for field in fields(DaySums))


def written(memories: Mapping[str, Memory]) -> str:
    """All memories as JSON, but for NaN, which JSON does not have."""
    return json.dumps({probe: _row(memory) for probe, memory in memories.items()})


def read_again(text: str) -> dict[str, Memory]:
    """What `written` was given.

    Raises
    ------
    ValueError, TypeError, KeyError, AttributeError
        It is something else, or of another version.
    """
    return {probe: _memory(row) for probe, row in json.loads(text).items()}


def _row(memory: Memory) -> dict[str, object]:
    row = {name: getattr(memory, name) for name in _NAMES}
    sums = memory.sums
    row["sums"] = None if sums is None else [getattr(sums, name) for name in _OF_A_DAY]
    for name in ("means", "ran", "hours", "standing"):
        row[name] = list(row[name].items())
    return row


def _memory(row: dict[str, object]) -> Memory:
    if row.keys() != set(_NAMES):
        raise ValueError("it has not what is remembered")
    parts: dict = dict(row)  # type: ignore[type-arg]  # of JSON, each as it is used
    parts |= {
        "before": Before(*parts["before"]),
        "pending": Pending(*parts["pending"]),
        "run": _run(*parts["run"]),
        "sluggish": _run(*parts["sluggish"]),
        "streak": _streak(*parts["streak"]),
        "outside": _streak(*parts["outside"]),
        "sums": None if parts["sums"] is None else DaySums(*parts["sums"]),
        "waiting": [Day(*day) for day in parts["waiting"]],
        "means": dict(parts["means"]),
        "hours": {hour: tuple(sums) for hour, sums in parts["hours"]},
        "ran": {day: tuple(counts) for day, counts in parts["ran"]},
        "cusum": Sums(*parts["cusum"]),
        "standing": {Fault(name): Standing(*known) for name, known in parts["standing"]},
    }
    return Memory(**parts)


_Pairs = list[list[float]]


def _run(seen: int, size: int, at: float, highs: _Pairs, lows: _Pairs) -> Run:
    ends = ([(int(place), value) for place, value in each] for each in (highs, lows))
    return Run(seen, size, at, *map(tuple, ends))


def _streak(fault: str | None, began_ms: int, length: int) -> Streak:
    return Streak(None if fault is None else Fault(fault), began_ms, length)
