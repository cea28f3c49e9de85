"""Phases in whole hours, and the times over which readings are averaged for all of them. Pure."""

from collections.abc import Sequence
from typing import NamedTuple

from longsoak.core.phases import Phase

HOUR_MS = 3_600_000
DAY_H = 24
BEFORE_H = 7 * DAY_H  # of what a probe read before the water, for telling a rise
_DAY_MS = DAY_H * HOUR_MS


class Stretch(NamedTuple):
    """A phase as far as it has come, in whole hours, UTC ms."""

    phase: Phase
    edges: tuple[int, ...]

    @property
    def hours(self) -> int:
        """How many."""
        return len(self.edges) - 1

    @property
    def ends(self) -> tuple[int, int]:
        """From when to when."""
        return self.edges[0], self.edges[-1]


def stretch_of(phase: Phase, until_ms: int) -> Stretch:
    """A phase as far as it has come by a time, UTC ms."""
    until = min(until_ms, until_ms if phase.until_ms is None else phase.until_ms)
    hours = max(0, until - phase.from_ms) // HOUR_MS
    return Stretch(phase, tuple(phase.from_ms + n * HOUR_MS for n in range(hours + 1)))


def windows_over(stretches: Sequence[Stretch]) -> list[tuple[int, ...]]:
    """Over what each probe is averaged: phases, their last days, the days before a wetting."""
    wettings = [stretch for stretch in stretches if stretch.phase.phase == "wetting"]
    return [
        *(stretch.edges for stretch in stretches),
        *(last_day(stretch.edges[-1]) for stretch in stretches),
        *map(hours_before, wettings),
    ]


def last_day(until_ms: int) -> tuple[int, int]:
    """The day before a time, UTC ms."""
    return until_ms - _DAY_MS, until_ms


def hours_before(stretch: Stretch) -> tuple[int, ...]:
    """The hours before a phase that tell what a probe read before the water."""
    begin = stretch.edges[0]
    return tuple(begin - n * HOUR_MS for n in range(BEFORE_H, -1, -1))


def midnights(since_ms: int, until_ms: int) -> tuple[int, ...]:
    """Where days begin, UTC, from the one that holds the first time to the end of the last."""
    return tuple(
        range(since_ms // _DAY_MS * _DAY_MS, -(-until_ms // _DAY_MS) * _DAY_MS + 1, _DAY_MS)
    )
