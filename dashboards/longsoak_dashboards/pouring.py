"""Known litres on the way through an address: what was said and when, never what was measured.

The levels are looked up in the record each time, so that nobody can write one into an address.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from longsoak.core.proof.finding import centre
from longsoak.core.proof.water import is_calm
from longsoak.proving.hands import SETTLED
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Reservoir

_MOST_POINTS = 40


@dataclass(frozen=True, slots=True)
class Level:
    """Litres that were said, and the level after them; None while readings come in, or it moves.

    `there` is how many readings came, at most as many as are needed.
    """

    litres: float
    since_ms: int
    there: int
    mm: float | None


@dataclass(frozen=True, slots=True)
class Pour:
    """All litres that were said so far, and the standard uncertainty of a level, mm."""

    levels: tuple[Level, ...]
    uncertainty: float

    @property
    def waiting(self) -> bool:
        """Whether the last level is still to come."""
        return self.levels[-1].mm is None

    @property
    def points(self) -> list[tuple[float, float]]:
        """Litres and level, where both are known."""
        return [(level.litres, level.mm) for level in self.levels if level.mm is not None]

    @property
    def words(self) -> str:
        """As an address holds it."""
        return poured_words([(level.litres, level.since_ms) for level in self.levels])

    @property
    def words_before(self) -> str:
        """The same without the last litres: a slip that is taken back."""
        return poured_words([(level.litres, level.since_ms) for level in self.levels[:-1]])


def poured_of(words: str) -> list[tuple[float, int]]:
    """Litres and times from an address such as ``0@1790165051000,5@1790165091000``.

    Empty where it is nothing of the kind.
    """
    try:
        parts = [part.partition("@") for part in words.split(",") if part]
        found = [(float(litres), int(since)) for litres, _, since in parts]
    except ValueError:
        return []
    fits = all(0 <= litres < 1e6 and 0 < since < 1e15 for litres, since in found)
    return found if fits and len(found) <= _MOST_POINTS else []


def poured_words(poured: Sequence[tuple[float, int]]) -> str:
    """Litres and times as an address holds them."""
    return ",".join(f"{litres:g}@{since}" for litres, since in poured)


def settled(poured: Sequence[tuple[float, int]], readings: Sequence[Reading]) -> Pour:
    """The level after each of some litres: the middle of the first few that hold still."""
    levels, uncertainty = [], 0.0
    ends = [since for _, since in poured[1:]] + [inf]
    for (litres, since), end in zip(poured, ends, strict=True):
        found = [r for r in readings if since <= r.utc_ms < end and r.value is not None]
        values = [reading.value for reading in found if reading.value is not None]
        few = (values[start : start + SETTLED] for start in range(len(values) - SETTLED + 1))
        calm = next((some for some in few if is_calm(some)), None)
        uncertainty = max([uncertainty, *(reading.uncertainty or 0.0 for reading in found)])
        there = min(len(found), SETTLED)
        levels.append(Level(litres, since, there, None if calm is None else centre(calm)))
    return Pour(tuple(levels), uncertainty)


def litres_most(reservoir: Reservoir | None) -> float:
    """How many litres a reservoir's depth table reaches; none without a reservoir."""
    return 0.0 if reservoir is None else reservoir.depth_table[-1][1]
