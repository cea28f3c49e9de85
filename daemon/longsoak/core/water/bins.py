"""Levels as they come to a middle value every few minutes. Pure, streaming.

A level that is kept only when it changes counts for as long as it stood; so ripples, quantisation
and a spike that lasts a moment do not weigh more because they were kept more often.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from math import floor
from typing import Any, NamedTuple

SHORTEST = 300.0  # s. Own choice: sloshing is over, and an hour still has twelve.


class Bin(NamedTuple):
    """A middle value and the time it is of, s; `measured` is for how long of it there were any."""

    at: float
    value: float
    measured: float


@dataclass(slots=True)
class Bins:
    """Puts values into bins of `width` s; a value stands until the next, for `hold` s at most."""

    width: float
    hold: float
    number: int = -1
    last_at: float = 0.0
    last: float = 0.0
    begun: bool = False
    parts: list[tuple[float, float]] = field(default_factory=list)

    def add(self, at: float, value: float) -> list[Bin]:
        """Take one value; return the bins that are over by that, the oldest first."""
        if not self.begun:
            self.begun, self.number = True, floor(at / self.width)
            self.last_at, self.last = at, value
            return []
        until = min(at, self.last_at + self.hold)
        number = self.number
        if at < (number + 1) * self.width:  # what nearly every value comes to
            self.parts.append((self.last, until - self.last_at))
            self.last_at, self.last = at, value
            return []
        found = []
        begin = self.last_at
        while (number + 1) * self.width <= at:
            end = (number + 1) * self.width
            if until > begin:
                self.parts.append((self.last, min(until, end) - begin))
            if self.parts:
                found.append(_middle(self.parts, end - self.width / 2))
                self.parts = []
            begin = end
            if begin >= until:
                number = floor(at / self.width)
                break
            number += 1
        if until > begin:
            self.parts.append((self.last, until - begin))
        self.number, self.last_at, self.last = number, at, value
        return found

    def memory(self) -> dict[str, Any]:
        """What it goes on from, as plain values."""
        return asdict(self)

    def go_on(self, kept: Mapping[str, Any]) -> None:
        """Go on from a memory of bins as wide."""
        self.number, self.begun = kept["number"], kept["begun"]
        self.last_at, self.last = kept["last_at"], kept["last"]
        self.parts = [(value, weight) for value, weight in kept["parts"]]

    def forget(self) -> None:
        """Begin anew with the next value."""
        self.begun, self.parts = False, []


def _middle(parts: list[tuple[float, float]], at: float) -> Bin:
    """The median, each value weighing as long as it stood."""
    whole = sum(weight for _, weight in parts)
    reached = 0.0
    for value, weight in sorted(parts):
        reached += weight
        if reached >= whole / 2:
            return Bin(at, value, whole)
    return Bin(at, parts[-1][0], whole)  # all of them stood for no time at all
