"""Chance that can be had again."""

from random import Random


def drawn_from(*of: int | str) -> Random:
    """A generator of its own for each seed, and for each thing that is drawn from it."""
    return Random(repr(of))  # noqa: S311 - nothing secret is drawn
