"""Finding the few lines a server refuses among many it would take. Pure but for `write`."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Refusal:
    """One line the server will not have, and what it said."""

    line: bytes
    says: str


@dataclass(frozen=True, slots=True)
class Sifted:
    """How far sifting came: `handled` lines from the start are either taken or in `refused`."""

    handled: int
    refused: tuple[Refusal, ...]
    last_taken: bytes | None


def sift(
    lines: Sequence[bytes],
    write: Callable[[Sequence[bytes]], str | None],
    *,
    least: int,
    most_writes: int,
) -> Sifted:
    """Write `lines` in order, halving what is refused until single lines are left.

    Lines may be written more than once: a server may keep the good part of what it refuses, and
    the same point written again is the same point.

    Parameters
    ----------
    lines : sequence of bytes
        One line of line protocol each.
    write : callable
        Returns None if all was taken, or the server's words; what it raises ends the sifting.
    least : int
        Lines that are handled whatever it takes, or a stop could leave no progress at all.
    most_writes : int
        Writes after which it stops once `least` lines are handled.
    """
    waiting = [(0, len(lines))]
    refused: list[Refusal] = []
    handled = writes = 0
    last_taken = None
    while waiting and not (writes >= most_writes and handled >= least):
        start, end = waiting.pop()
        says = write(lines[start:end])
        writes += 1
        if says is None:
            handled, last_taken = end, lines[end - 1]
        elif end - start == 1:
            refused.append(Refusal(lines[start], says))
            handled = end
        else:
            middle = (start + end) // 2
            waiting += [(middle, end), (start, middle)]
    return Sifted(handled, tuple(refused), last_taken)
