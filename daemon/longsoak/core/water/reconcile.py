"""Top-ups that the level shows beside those that somebody wrote down. Pure."""

from collections.abc import Sequence
from enum import StrEnum
from math import hypot
from typing import NamedTuple

HOUR_MS = 3_600_000
# People write down what they poured when they are back at the desk. Own choice.
_NEAR_MS = 6 * HOUR_MS
_CAN_U = 0.03  # of litres by hand, standard: the scale of a can. Common practice.
_COVERAGE = 2.0


class Agreement(StrEnum):
    """How a top-up is known; the values are the words people see."""

    MATCHED = "by level and by hand"
    DISAGREES = "level and hand disagree"
    GUIDED = "guided"
    DISAGREES_GUIDED = "level and guide disagree"
    BY_HAND = "only by hand"
    BY_LEVEL = "only by level"


class ByLevel(NamedTuple):
    """A rise that the level shows; UTC ms, litres with standard uncertainty."""

    from_ms: int
    until_ms: int
    litres: float
    u: float


class ByHand(NamedTuple):
    """What somebody wrote down; `number` is that of the logbook entry.

    `guided` are litres by the levels before and after, as the guide measured them, and no can's.
    """

    at_ms: int
    litres: float
    number: int
    guided: bool = False


class TopUp(NamedTuple):
    """One top-up as it is known: `level`, `hand` or both; several cans may be one rise."""

    at_ms: int
    level: ByLevel | None
    hand: tuple[ByHand, ...]
    agreement: Agreement

    @property
    def litres(self) -> float:
        """What it counts: by the level, or by hand where the level shows none."""
        return self.level.litres if self.level else sum(each.litres for each in self.hand)

    @property
    def by_can(self) -> float | None:
        """The litres that people measured themselves; None where they measured none."""
        cans = [each.litres for each in self.hand if not each.guided]
        return sum(cans) if cans else None

    @property
    def by_level(self) -> bool:
        """Whether what it counts is by the level, be it as the guide measured it."""
        return self.level is not None or self.by_can is None

    @property
    def u(self) -> float:
        """The standard uncertainty of that."""
        return self.level.u if self.level else _CAN_U * self.litres


def reconciled(rises: Sequence[ByLevel], hands: Sequence[ByHand]) -> list[TopUp]:
    """Put together what belongs together, in the order of time.

    Each entry by hand goes to the rise that is nearest, up to 6 h away; one that lies within a time
    without readings, in which the level rose, goes to that.
    """
    of: dict[int, list[ByHand]] = {}
    alone = []
    for hand in hands:
        near = [(_away(rise, hand.at_ms), i) for i, rise in enumerate(rises)]
        away, i = min(near, default=(_NEAR_MS + 1, -1))
        if away <= _NEAR_MS:
            of.setdefault(i, []).append(hand)
        else:
            alone.append(hand)
    found = [
        TopUp(hand.at_ms, None, (hand,), Agreement.GUIDED if hand.guided else Agreement.BY_HAND)
        for hand in alone
    ]
    for i, rise in enumerate(rises):
        given = of.get(i)
        if not given:
            found.append(TopUp(rise.from_ms, rise, (), Agreement.BY_LEVEL))
            continue
        poured = sum(hand.litres for hand in given)
        allowed = _COVERAGE * hypot(rise.u, _CAN_U * poured)
        agrees = abs(poured - rise.litres) <= allowed
        kind = Agreement.MATCHED if agrees else Agreement.DISAGREES
        if all(hand.guided for hand in given):
            kind = Agreement.GUIDED if agrees else Agreement.DISAGREES_GUIDED
        found.append(TopUp(rise.from_ms, rise, tuple(given), kind))
    return sorted(found, key=lambda top_up: top_up.at_ms)


def _away(rise: ByLevel, at_ms: int) -> int:
    return max(rise.from_ms - at_ms, at_ms - rise.until_ms, 0)
