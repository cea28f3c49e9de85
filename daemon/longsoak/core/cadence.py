"""When the next poll is due. Pure; times in s on a clock that is never set."""

from math import floor


def next_due(due: float, *, period: float, now: float) -> float:
    """The first time on the grid ``due + k period`` that lies after `now`.

    A late pass does not shift the grid, and passes missed meanwhile are left out, not bunched.
    """
    return due + period * (floor((now - due) / period) + 1) if now >= due else due
