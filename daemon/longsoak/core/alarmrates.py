"""How many alarms come, and how close together. Pure; times in s of one clock.

Rates after ISA-18.2 and EEMUA 191, second hand: a flood begins with more than 10 alarms in 10 min
and ends below 5 in 10 min (the end from memory); an alarm chatters that comes three times or more
in a minute (sources disagree about exactly three, so that the count is declared).
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

BURST = 60.0  # s between two alarms that belong to one happening; own choice: half a dozen polls


@dataclass(frozen=True, slots=True)
class Rates:
    """What counts as too many. `flood` within `flood_span` s, `chatter` within `chatter_span` s.

    An alarm that chatters is told again once it has not come for `calm` s.
    """

    flood: int = 10  # more than this many begin one
    flood_over: int = 5  # fewer than this many end it
    flood_span: float = 600.0
    chatter: int = 3  # this many, or more
    chatter_span: float = 60.0
    calm: float = 600.0


class Flood:
    """Whether alarms come faster than anybody can follow.

    Parameters
    ----------
    rates : Rates
        What counts as a flood.
    """

    def __init__(self, rates: Rates) -> None:
        self._rates = rates
        self._raised: deque[float] = deque()
        self.on = False

    def raised(self, now: float) -> None:
        """Note an alarm that came and that people are told of."""
        self._raised.append(now)

    def look(self, now: float) -> bool:
        """Whether there is a flood now; also kept as `on`."""
        while self._raised and now - self._raised[0] >= self._rates.flood_span:
            self._raised.popleft()
        count = len(self._raised)
        self.on = count >= self._rates.flood_over if self.on else count > self._rates.flood
        return self.on


class Chatter:
    """Which alarms come and go faster than anybody can answer.

    Parameters
    ----------
    rates : Rates
        What counts as chattering.
    """

    def __init__(self, rates: Rates) -> None:
        self._rates = rates
        self._raised: dict[str, deque[float]] = {}
        self._last: dict[str, float] = {}  # of those that chatter, when each came last
        self._counts: dict[str, int] = {}

    def raised(self, key: str, now: float) -> bool:
        """Note that an alarm came; true if it begins to chatter with that."""
        times = self._raised.setdefault(key, deque(maxlen=max(1, self._rates.chatter)))
        times.append(now)
        if key in self._last:
            self._last[key] = now
            self._counts[key] += 1
            return False
        full = len(times) == self._rates.chatter
        if not full or now - times[0] > self._rates.chatter_span:
            return False
        self._last[key] = now
        self._counts[key] = len(times)
        return True

    def __contains__(self, key: str) -> bool:
        return key in self._last

    def calmed(self, now: float) -> list[tuple[str, int]]:
        """Those that have not come for long enough, each with how often it came; forgotten here."""
        over = [key for key, at in self._last.items() if now - at >= self._rates.calm]
        for key in over:
            del self._last[key]
            self._raised.pop(key, None)
        return [(key, self._counts.pop(key)) for key in over]


def first_outs(raised: Sequence[float], *, burst: float = BURST) -> dict[int, int]:
    """Which of some alarms came first of those that came together.

    Parameters
    ----------
    raised : sequence of float
        When each came, in the order they came; s, or the unit of `burst`.
    burst : float
        Two that follow within so much belong together.

    Returns
    -------
    dict of int to int
        For each place in `raised` that belongs to a group of two or more, the place of the first
        of that group.
    """
    groups: list[list[int]] = []
    for place, at in enumerate(raised):
        # A clock that was set back between two says nothing of how far apart they are.
        if groups and 0 <= at - raised[groups[-1][-1]] <= burst:
            groups[-1].append(place)
        else:
            groups.append([place])
    return {place: group[0] for group in groups if len(group) > 1 for place in group}


def is_stale(stood: float) -> bool:
    """Whether an alarm that has stood for so many s is stale: a day (ISA-18.2, second hand)."""
    return stood > 86_400.0
