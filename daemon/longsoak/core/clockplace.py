"""Where scans belong in time that were taken under a clock nobody had set.

Within one boot CLOCK_BOOTTIME orders everything, and the UTC of its zero, the boot's *base*, places
it: UTC = base + CLOCK_BOOTTIME. A wall clock gives a base of its own, which changes only where the
clock is set: slewing moves both clocks alike (Linux, kernel/time/timekeeping.c: from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

from longsoak.core.wording import age_words

STEP_MS = 100  # reading two clocks one after the other differs by a few ms, setting one by more
EARLIEST_MS = 1_767_225_600_000  # 2026-01-01: nothing was recorded before there was this program

NOT_KNOWN = "the clock was not known yet"  # of a time that may be far from the truth


@dataclass(frozen=True, slots=True)
class Unplaced:
    """A boot that ended before its clock was synchronised.

    `base_ms` is what its own clock said last, `ran_ms` the CLOCK_BOOTTIME of its last scan.
    """

    base_ms: int
    ran_ms: int


def was_set(before_ms: int, after_ms: int) -> bool:
    """Whether a base that went from one value to the other, ms, tells of a clock that was set."""
    return abs(after_ms - before_ms) > STEP_MS


def lay_between(
    boots: Sequence[Unplaced], *, after_ms: int | None, before_ms: int | None
) -> list[int]:
    """The base of each of some boots that followed on one another, UTC ms.

    A boot keeps its own if that is possible. Else it comes directly after what was before it: as
    early as can be; with nothing before it, as late as can be.

    Parameters
    ----------
    boots : sequence of Unplaced
        In their order.
    after_ms : int or None
        UTC of the last scan before them; None if there is none.
    before_ms : int or None
        The base of the boot after them; None if that is not known either.
    """
    ran = [boot.ran_ms for boot in boots]
    room = [sum(ran) - done for done in accumulate(ran)]  # what the boots after it take
    bases = []
    for boot, taken in zip(boots, room, strict=True):
        latest = None if before_ms is None else before_ms - taken - boot.ran_ms
        earliest = EARLIEST_MS if after_ms is None else after_ms + 1
        base = boot.base_ms
        if base < earliest or (latest is not None and base > latest):
            if after_ms is not None:
                base = earliest
            elif latest is not None:
                base = latest - 1
        bases.append(base)
        after_ms = base + boot.ran_ms
    return bases


def far_words(ms: int) -> str:
    """How far something is moved in time: "12 min later", "1.5 s earlier"."""
    seconds = abs(ms) / 1000
    return f"{span_words(seconds)} {'later' if ms > 0 else 'earlier'}"


def set_words(ms: int) -> str:
    """How far a clock was set: "the clock was set 12 min on"."""
    return f"the clock was set {span_words(abs(ms) / 1000)} {'on' if ms > 0 else 'back'}"


def span_words(seconds: float) -> str:
    """A length of time of any size: "1.5 s", "12 min", "3 days"."""
    return f"{seconds:.1f} s" if seconds < 100 else age_words(seconds)
