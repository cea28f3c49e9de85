"""The course of the level, the pan, the scale and the air to hours. Pure, streaming."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import floor, isnan, nan, sqrt
from statistics import fmean, median
from typing import Any

from longsoak.core.water.decline import HOUR
from longsoak.core.water.topups import Course
from longsoak.vocabulary.water import WaterHour

LEAST = 0.3  # of an hour: less says little and is left out. Own choice.


@dataclass(slots=True)
class Hours:
    """Gathers bins of `width` s until an hour is over, or another stretch begins."""

    width: float
    bins: list[Course] = field(default_factory=list)
    ran: list[float] = field(default_factory=list)
    beside: dict[str, list[float]] = field(default_factory=dict)

    def memory(self) -> dict[str, Any]:
        """What it goes on from, as plain values."""
        return {"bins": [[*each] for each in self.bins], "ran": self.ran, "beside": self.beside}

    def go_on(self, kept: Mapping[str, Any]) -> None:
        """Go on from a memory."""
        self.bins = [Course(*each) for each in kept["bins"]]
        self.ran, self.beside = list(kept["ran"]), dict(kept["beside"])

    def note(self, what: str, value: float) -> None:
        """Note a value of what is averaged beside the level: `pan`, `mass`, `lack`."""
        self.beside.setdefault(what, []).append(value)

    def take(self, found: Course, *, running: bool | None) -> WaterHour | None:
        """Take what lies on the course; return the hour that is over by that."""
        over = None
        if self.bins:
            first = self.bins[0]
            if first.stretch != found.stretch or floor(first.at / HOUR) != floor(found.at / HOUR):
                over = self.over()
        self.bins.append(found)
        if running is not None:
            self.ran.append(float(running))
        return over

    def over(self) -> WaterHour | None:
        """The hour as far as it went; None if that is too little."""
        bins, ran, beside = self.bins, self.ran, self.beside
        self.bins, self.ran, self.beside = [], [], {}
        measured = len(bins) * self.width / HOUR
        if not bins or measured < LEAST:
            return None
        noise = median(each.noise for each in bins)
        return WaterHour(
            at=fmean(each.at for each in bins),
            stretch=bins[0].stretch,
            hours=min(1.0, measured),
            level=median(each.level for each in bins),
            litres=median(each.litres for each in bins),
            litres_u=noise / sqrt(min(len(bins), 3)),  # bins hang together
            surface=median(each.surface for each in bins),
            pan=_middle(beside, "pan"),
            mass=_middle(beside, "mass"),
            lack=_middle(beside, "lack"),
            running=fmean(ran) if ran else nan,
        )


def _middle(beside: dict[str, list[float]], what: str) -> float:
    found = [value for value in beside.get(what, ()) if not isnan(value)]
    return median(found) if found else nan
