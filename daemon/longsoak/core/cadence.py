"""When the next poll is due, and whose turn it is. Times in s on a clock that is never set."""

from collections.abc import Collection, Iterable, Mapping
from itertools import cycle
from math import floor, inf


def next_due(due: float, *, period: float, now: float) -> float:
    """The first time on the grid ``due + k period`` that lies after `now`.

    A late pass does not shift the grid, and passes missed meanwhile are left out, not bunched.
    """
    return due + period * (floor((now - due) / period) + 1) if now >= due else due


class Turns:
    """Whose turn it is on one bus, each probe by its own period.

    Turns go round: to the due probes of the shortest period, to those most late by the measure of
    their own period, to those that have been due the longest. So a float is not kept waiting
    behind a long pass, and on a bus that can't keep up nobody waits for ever. Within a turn those
    come first whose last turn was the longest ago.

    Parameters
    ----------
    periods : mapping of str to float
        Seconds between two polls of each probe; at least one.
    start : float
        When all of them are due first.
    """

    def __init__(self, periods: Mapping[str, float], *, start: float) -> None:
        self._usual = dict(periods)
        self._periods = dict(periods)
        self._closer_until: dict[str, float] = {}
        self._start = start
        self._due = dict.fromkeys(periods, start)
        self._took = dict.fromkeys(periods, -inf)
        self._rules = cycle((self._by_period, self._by_lateness, self._by_wait))

    def take(self, now: float, *, last: Collection[str] = ()) -> list[str]:
        """Who is to be asked next: probes of one period, those in `last` at the end; or nobody."""
        self._relax(now)
        due = [probe for probe, at in self._due.items() if at <= now]
        if not due:
            return []
        rule = next(self._rules)
        period = self._periods[min(due, key=lambda probe: rule(probe, now))]
        alike = [probe for probe in due if self._periods[probe] == period]
        return sorted(alike, key=lambda probe: (probe in last, self._took[probe]))

    def _by_period(self, probe: str, _now: float) -> float:
        return self._periods[probe]

    def _by_lateness(self, probe: str, now: float) -> float:
        return (self._due[probe] - now) / self._periods[probe]

    def _by_wait(self, probe: str, _now: float) -> float:
        return self._due[probe]

    def urgent(self, now: float, *, than: str) -> bool:
        """Whether a probe of a shorter period than that of `than` is due."""
        limit = self._periods[than]
        return any(at <= now and self._periods[probe] < limit for probe, at in self._due.items())

    def took(self, probe: str, *, now: float) -> None:
        """Note that the probe has had its turn; it is due again at its next grid point."""
        self._took[probe] = now
        self._due[probe] = next_due(self._due[probe], period=self._periods[probe], now=now)

    def closer(self, probes: Iterable[str], *, every: float, seconds: float, now: float) -> None:
        """Give probes a shorter period for some seconds, beginning at once; a longer one never."""
        for probe in probes:
            self._periods[probe] = min(every, self._usual[probe])
            self._due[probe] = now
            self._closer_until[probe] = now + seconds

    def _relax(self, now: float) -> None:
        """Put those back on their usual grid whose time of a shorter period is over."""
        for probe in [probe for probe, until in self._closer_until.items() if until <= now]:
            del self._closer_until[probe]
            self._periods[probe] = self._usual[probe]
            self._due[probe] = next_due(
                self._start, period=self._usual[probe], now=max(self._took[probe], self._start)
            )

    def again(self, probes: Iterable[str], *, now: float) -> None:
        """Make probes due at once."""
        self._due.update(dict.fromkeys(probes, now))

    @property
    def next(self) -> float:
        """When somebody is due next."""
        return min(self._due.values())
