"""Chance that can be had again."""

from collections.abc import Sequence
from random import Random
from typing import TypeVar

T = TypeVar("T")


def drawn_from(*of: int | str) -> Random:
    """A generator of its own for each seed, and for each thing that is drawn from it."""
    return Random(repr(of))  # noqa: S311 - nothing secret is drawn


def some(of: Sequence[T], chance: Random) -> list[T]:
    """None, all, those up to one of them, or any of them; in their order."""
    match chance.randrange(5):
        case 0:
            return []
        case 1:
            return list(of)
        case 2:
            return list(of[: chance.randint(0, len(of))])
        case _:
            likely = chance.random()
            return [one for one in of if chance.random() < likely]
