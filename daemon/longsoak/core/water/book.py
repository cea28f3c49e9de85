"""The water of one rig as its scans come: what ties the parts of this package together. Pure.

Streaming: it is told each scan's readings and tells what it found. A scan that brings nothing of
the water costs a look-up, one in which nothing happens some microseconds.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from math import inf, isnan
from statistics import median
from typing import Any

from longsoak.core.humidity import saturation_over_water
from longsoak.core.water.bins import SHORTEST, Bin, Bins
from longsoak.core.water.contact import Contact
from longsoak.core.water.decline import DAY, HOUR
from longsoak.core.water.film import HOSE, PER_M2
from longsoak.core.water.hours import Hours
from longsoak.core.water.jumps import Jumps
from longsoak.core.water.losses import Losses
from longsoak.core.water.roles import DAMP, FLOAT, LEVEL, RUNS, SALT, WARM, roles_of
from longsoak.core.water.salts import TWICE, concentration
from longsoak.core.water.stepwords import step_news
from longsoak.core.water.topups import Step, Steps
from longsoak.core.water.wetting import Wettings
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.rig import Probe, Reservoir, Rig
from longsoak.vocabulary.water import Found, WaterHour, WaterNews, Wetting

KEPT = 22 * 24  # hours: what a rig is judged by
_SILENT = 1800.0  # s without a level, at least, after which nobody knows what it did meanwhile
_FAST = 1200.0  # s that a fall lasts before it is told although it has not ended
_FALLS = 4  # bins over which it still falls: a level that ripples does not
_SALTS_OVER = 1.7  # times the first: so far they have to go down again
_SIPHON_STANDS = 2 * DAY  # or until somebody pours
_FORM = 2  # of the memory


@dataclass(slots=True)
class _Open:
    """What is remembered from scan to scan; times in s. Plain, so that it can be kept as JSON."""

    at: float | None = None  # of the last scan
    level_at: float | None = None
    level: float = 0.0
    unknown: bool = False  # time went by, and nobody knows how much
    warm: float = 0.0  # degC
    warm_at: float = -inf
    salts: list[float] = field(default_factory=list)  # of today
    salt_day: int = -1
    first_salts: float | None = None
    salty_since: float | None = None
    salty: str | None = None
    falling: float | None = None  # since when a fall is told that has not ended
    siphon_at: float = -inf
    siphon: str | None = None


class WaterBook:
    """What is known of the water of one rig.

    Parameters
    ----------
    rig : Rig
        With a reservoir.
    """

    def __init__(self, rig: Rig) -> None:
        if rig.reservoir is None:
            raise ValueError("the rig has no reservoir, so there is no water to keep books of")
        reservoir = self._reservoir = rig.reservoir
        probes = {probe.name: probe for probe in rig.probes}
        level = probes[reservoir.level]
        width = max(SHORTEST, 3 * level.every)
        # A level that is kept on a change alone stands until the next record period.
        self._bins = Bins(width, hold=3 * level.record + level.every)
        self._level_u = 1.0 if level.uncertainty is None else level.uncertainty
        self._silent = max(_SILENT, 3 * level.record + width)
        self._table = reservoir.depth_table
        face = rig.specimen.width * rig.specimen.run * 1e-6
        self._steps = Steps(self._table, PER_M2 * face + HOSE, level.resolution, width)
        self._hours = Hours(width)
        self._losses = Losses()
        self._jumps = Jumps()
        self._contact = _contact(reservoir, rig.specimen.underside, probes)
        self._wettings = Wettings(rig)
        self._roles = roles_of(rig, reservoir)
        self._salt_probe = SALT in self._roles.values()
        self._layouts: dict[tuple[str, ...], list[tuple[int, str, str]]] = {}
        self.hours: list[WaterHour] = []
        self._open = _Open()

    # Telling it ------------------------------------------------------------------------------

    def take(
        self,
        at: float,
        probes: tuple[str, ...],
        values: Sequence[float],
        flags: Sequence[int],
        *,
        known: bool = True,
    ) -> list[WaterNews | WaterHour]:
        """Take one scan.

        Parameters
        ----------
        at : float
            Any clock that only rises, s.
        probes, values, flags : sequence
            The scan's, as `longsoak.vocabulary.reading.Scan` has them; NaN is no value.
        known : bool
            Whether `at` less that of the scan before is the time that went by. If not, what
            lies between is a time of which nobody knows how long it was.

        Returns
        -------
        list of WaterNews or WaterHour
            What was found by it.
        """
        wanted = self._layouts.get(probes)
        if wanted is None:
            wanted = self._layouts[probes] = [
                (place, name, self._roles[name])
                for place, name in enumerate(probes)
                if name in self._roles
            ]
        found: list[WaterNews | WaterHour] = []
        if not known and self._open.at is not None:
            self._open.unknown = True
            found += self._wettings.gap(self._open.at)
        elif self._open.at is None:
            self._wettings.begin(at)
        self._open.at = at
        for place, name, role in wanted:
            value = values[place]
            if isnan(value) or flags[place] > Flag.SUSPECT:
                continue
            if role == LEVEL:
                found += self._take_level(at, value)
            elif role == RUNS:
                found += self._wettings.take(at, name, value)
            else:
                found += self._take_beside(at, role, value)
        return found

    def water_round(self, at: float, conductivity_25: float) -> list[WaterNews]:
        """Take a conductivity at 25 degC that was measured by hand, uS/cm."""
        return [] if self._salt_probe else self._judge_salts(at, conductivity_25)

    @property
    def wants(self) -> frozenset[str]:
        """The probes it looks at, by name."""
        return frozenset(self._roles)

    @property
    def at(self) -> float | None:
        """The time of the last scan, s; None before the first."""
        return self._open.at

    # What stands -----------------------------------------------------------------------------

    def alarms(self) -> dict[str, str | None]:
        """What is wrong with the water, by cause; None where nothing is."""
        kept = self._open
        falls = None if kept.falling is None else "The level falls fast."
        return {
            Found.LEAK.value: falls or self._losses.says(Found.LEAK),
            Found.SIPHON.value: kept.siphon,
            Found.SALTS.value: kept.salty,
            Found.JUMPS.value: self._jumps.says,
            **{
                found.value: self._losses.says(found)
                for found in (Found.STUCK, Found.RISES, Found.PUMP_STILL)
            },
        }

    def wetted(self, bay: str) -> dict[Wetting, float]:
        """Seconds that a bay is known to have been wetted, known not to, and unknown."""
        return self._wettings.counted(bay, self._open.at or 0.0)

    # ------------------------------------------------------------------------------------------

    def _take_level(self, at: float, value: float) -> list[WaterNews | WaterHour]:
        found: list[WaterNews | WaterHour] = []
        before = self._open.level_at
        if before is not None and (self._open.unknown or at - before > self._silent):
            found += self._course_of(self._bins.add(before + 1e-3, self._open.level), at)
            self._bins.forget()
            self._jumps.forget()
            self._steps.gap(before, unknown=self._open.unknown)
        self._open.unknown = False
        self._open.level_at, self._open.level = at, value
        if self._wettings.known:
            if at >= self._wettings.due:
                found += self._wettings.look(at)
            if self._wettings.wavers or self._wettings.running != self._steps.running:
                self._jumps.forget()  # film runs back, or out
            self._steps.pump(self._wettings.running)
        found += self._jumps.take(at, value)
        contact = self._contact
        if value >= contact.line or contact.begin is not None:
            found += contact.level(at, value, u=self._level_u)
        bins = self._bins.add(at, value)
        return found + self._course_of(bins, at) if bins else found

    def _course_of(self, bins: Sequence[Bin], at: float) -> list[WaterNews | WaterHour]:
        found: list[WaterNews | WaterHour] = []
        for each in bins:
            courses, steps = self._steps.take(each)
            for step in steps:
                found += self._told(step, at)
            found += self._falls(each.at)
            for course in courses:
                hour = self._hours.take(course, running=self._wettings.running)
                if hour is not None:
                    found += self._hour(hour)
        return found

    def _told(self, step: Step, at: float) -> list[WaterNews]:
        news = step_news(step, stop=self._reservoir.stop)
        found = []
        if self._open.falling is not None and step.begin <= self._open.falling:
            found.append(
                WaterNews(Found.LEAK, self._open.falling, step.end, "The level falls no more.")
            )
            self._open.falling = None
        if news.found is Found.SIPHON:
            self._open.siphon, self._open.siphon_at = None if step.back else news.says, at
        elif step.litres > 0:
            self._open.siphon = None
        if Found.STUCK in self._losses.standing and not step.back:
            found += self._losses.stop(Found.STUCK, at)
        return [*found, news]

    def _falls(self, at: float) -> list[WaterNews]:
        """Tell of a fall that goes on: nobody should have to wait for its end."""
        move = self._steps.move
        if move is None or len(move.bins) < _FALLS or not isnan(move.after):
            return []
        before, last = move.bins[-_FALLS][1], move.bins[-1][1]
        least = self._steps.least_mm * self.hours[-1].surface if self.hours else 0.0
        fell = move.before - last
        if (
            self._open.falling is not None
            or at - move.begin < _FAST
            or min(fell, before - last) < least
        ):
            return []
        self._open.falling = move.begin
        minutes = (at - move.begin) / 60
        says = (
            f"The level falls fast: {fell:.1f} L in {minutes:.0f} min. A joint may leak or a hose "
            "siphon: look under the reservoir and along the hoses, from a dry floor."
        )
        return [WaterNews(Found.LEAK, move.begin, None, says, figures={"litres": fell})]

    def _hour(self, hour: WaterHour) -> list[WaterNews | WaterHour]:
        self.hours = [*self.hours, hour][-KEPT:]
        day = [h for h in self.hours[-24:] if h.stretch == hour.stretch]
        if day[-1].at - day[0].at >= 6 * HOUR:
            self._steps.slope = (day[-1].litres - day[0].litres) / (day[-1].at - day[0].at)
        found: list[WaterNews | WaterHour] = [hour]
        found += self._losses.judge(self.hours, pump_known=self._wettings.running is not None)
        if hour.at - self._open.siphon_at > _SIPHON_STANDS:
            self._open.siphon = None
        return found

    def _take_beside(self, at: float, role: str, value: float) -> list[WaterNews]:
        if role == FLOAT:
            fresh = self._open.level_at is not None and at - self._open.level_at <= self._silent
            return self._contact.float_switch(at, value >= 0.5, level_known=fresh)
        if role == SALT:
            return self._salt(at, value)
        if role == WARM:
            self._open.warm, self._open.warm_at = value, at
        elif role == DAMP:
            warm = self._open.warm
            if at - self._open.warm_at <= HOUR and 0.0 <= warm <= 50.0:
                lack = saturation_over_water(warm) * (1.0 - min(value, 100.0) / 100.0)
                self._hours.note("lack", lack)
        else:
            self._hours.note(role, value)
        return []

    def _salt(self, at: float, value: float) -> list[WaterNews]:
        """Take a conductivity; each day is judged by its middle value, once it is over."""
        kept, day = self._open, int(at // DAY)
        if day == kept.salt_day:
            kept.salts.append(value)
            return []
        over, kept.salts, kept.salt_day = kept.salts, [value], day
        return self._judge_salts(at, median(over)) if over else []

    def _judge_salts(self, at: float, now: float) -> list[WaterNews]:
        if self._open.first_salts is None:
            self._open.first_salts = now if now > 0 else None
            return []
        found = concentration(self._open.first_salts, now)
        figures = {"first": self._open.first_salts, "now": now, "factor": found.factor}
        kept = self._open
        if kept.salty_since is None and found.factor >= TWICE:
            kept.salty_since, kept.salty = at, found.says
            return [WaterNews(Found.SALTS, at, None, found.says, figures=figures)]
        if kept.salty_since is not None and found.factor < _SALTS_OVER:
            begin, kept.salty_since, kept.salty = kept.salty_since, None, None
            return [WaterNews(Found.SALTS, begin, at, found.says, figures=figures)]
        return []

    # Memory ----------------------------------------------------------------------------------

    def memory(self) -> dict[str, Any]:
        """All it goes on from, for JSON: about three weeks of hours, and what lies open."""
        return {
            "of": self._of_rig(),
            "open": asdict(self._open),
            "bins": self._bins.memory(),
            "steps": self._steps.memory(),
            "gathering": self._hours.memory(),
            "hours": [list(hour) for hour in self.hours],
            "losses": self._losses.memory(),
            "jumps": self._jumps.memory(),
            "contact": self._contact.memory(),
            "wettings": self._wettings.memory(),
        }

    def _of_rig(self) -> list[object]:
        """What has to be as it was for a memory to mean the same."""
        return [_FORM, self._reservoir.level, self._bins.width, [[*row] for row in self._table]]

    def go_on(self, memory: Mapping[str, Any]) -> None:
        """Go on from a memory; see `book_of`."""
        if memory["of"] != self._of_rig():
            raise ValueError("the memory is of another reservoir, or of another version")
        self._open = _Open(**memory["open"])
        self._bins.go_on(memory["bins"])
        self._steps.go_on(memory["steps"])
        self._hours.go_on(memory["gathering"])
        self.hours = [WaterHour(*hour) for hour in memory["hours"]]
        self._losses = Losses(**memory["losses"])
        self._jumps = Jumps(**memory["jumps"])
        self._contact.go_on(memory["contact"])
        self._wettings.go_on(memory["wettings"])


def book_of(rig: Rig, memory: Mapping[str, Any] | None) -> WaterBook:
    """The book of a rig that goes on from a memory; a new one where that can't be read."""
    book = WaterBook(rig)
    if memory is not None:
        try:
            book.go_on(memory)
        except (LookupError, TypeError, ValueError, AttributeError):
            return WaterBook(rig)
    return book


def _contact(reservoir: Reservoir, underside: float, probes: Mapping[str, Probe]) -> Contact:
    switch = reservoir.float_switch
    return Contact(
        line=underside - reservoir.splash,
        float_at=None if switch is None else probes[switch].trips_at,
    )
