"""When the next poll is due, and whose turn it is. Times in s on a clock that is never set."""

from collections.abc import Iterable, Mapping
from math import floor


def next_due(due: float, *, period: float, now: float) -> float:
    """The first time on the grid ``due + k period`` that lies after `now`.

    A late pass does not shift the grid, and passes missed meanwhile are left out, not bunched.
    """
    return due + period * (floor((now - due) / period) + 1) if now >= due else due


class Turns:
    """Whose turn it is on one bus: every probe by its own period, those of the shortest first.

    Parameters
    ----------
    periods : mapping of str to float
        Seconds between two polls of each probe; at least one.
    start : float
        When all of them are due first.
    """

    def __init__(self, periods: Mapping[str, float], *, start: float) -> None:
        self._periods = dict(sorted(periods.items(), key=lambda item: item[1]))
        self._due = dict.fromkeys(self._periods, start)

    def due(self, now: float) -> list[str]:
        """Who is due, the shortest period first; among equals in the order given."""
        return [probe for probe, at in self._due.items() if at <= now]

    def urgent(self, now: float, *, than: str) -> bool:
        """Whether a probe of a shorter period than that of `than` is due."""
        limit = self._periods[than]
        return any(at <= now and self._periods[probe] < limit for probe, at in self._due.items())

    def took(self, probe: str, *, now: float) -> None:
        """Note that the probe has had its turn; it is due again at its next grid point."""
        self._due[probe] = next_due(self._due[probe], period=self._periods[probe], now=now)

    def again(self, probes: Iterable[str], *, now: float) -> None:
        """Make probes due at once."""
        self._due.update(dict.fromkeys(probes, now))

    @property
    def next(self) -> float:
        """When somebody is due next."""
        return min(self._due.values())
