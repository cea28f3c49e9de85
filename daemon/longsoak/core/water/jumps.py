"""Finds a level that jumps: again and again one reading lies far off those before and after. Pure.

One such reading is nothing to tell: somebody stirs, a switch arcs. Every figure here is a middle
value, which it does not move. Many of them on one day are a loose plug, water in it, or a motor's
cable beside the sensor's, and then no limit can be watched by it.
"""

from dataclasses import asdict, dataclass, field
from typing import Any

from longsoak.core.wording import with_noun
from longsoak.vocabulary.water import Found, WaterNews

# Own choice: more than slosh and ripples, which are 2 mm (tests/faults/waterworld), are off.
OFF_MM = 5.0
_MANY, _HOURS_APART = 8, 4  # of them, and in so many hours: a bucket makes waves within one
_DAY, _HOUR = 86_400.0, 3600.0  # s


@dataclass(slots=True)
class Jumps:
    """Follows one level; times in s, levels in mm.

    `times` are those of jumps within a day; `since` is when the first of them was, once it is told.
    """

    before: float | None = None
    last: tuple[float, float] | None = None  # at, level
    times: list[float] = field(default_factory=list)
    since: float | None = None

    def memory(self) -> dict[str, Any]:
        """What it goes on from, as plain values."""
        return asdict(self)

    def forget(self) -> None:
        """Compare nothing with what comes next: time went by, or the pump changed."""
        self.before = self.last = None

    def take(self, at: float, level: float) -> list[WaterNews]:
        """Take a reading; it says whether the one before it was off."""
        before, last = self.before, self.last
        self.before, self.last = None if last is None else last[1], (at, level)
        if before is not None and last is not None:
            there, back = last[1] - before, level - last[1]
            if there * back < 0.0 and min(abs(there), abs(back)) > OFF_MM:
                self.times.append(last[0])
        if self.times and at - self.times[0] > _DAY:
            self.times = [each for each in self.times if at - each <= _DAY]
        if self.since is None:
            return self._begins()
        return [] if self.times else self._ends(at)

    @property
    def says(self) -> str | None:
        """What is wrong, as long as it is."""
        if self.since is None:
            return None
        return (
            f"The level jumps: within a day {with_noun(len(self.times), 'reading')} lay more than "
            f"{OFF_MM:g} mm off those before and after. A loose or wet plug, or a motor's cable "
            "beside the sensor's, does so: look at the water with your own eyes."
        )

    def _begins(self) -> list[WaterNews]:
        if len(self.times) < _MANY or len({each // _HOUR for each in self.times}) < _HOURS_APART:
            return []
        self.since = self.times[0]
        figures = {"readings": float(len(self.times))}
        return [WaterNews(Found.JUMPS, self.since, None, self.says or "", figures=figures)]

    def _ends(self, at: float) -> list[WaterNews]:
        begin, self.since = self.since or at, None
        return [WaterNews(Found.JUMPS, begin, at, "The level has not jumped for a day.")]
