"""When water touched the specimen, which probes that spoils, and when they have recovered. Pure.

The clearance is used up once the level reaches the underside, or what splashes from it. Wetted from
below, a specimen is wetter than the test makes it, and may stay so: drying leaves it on another
branch than wetting.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from math import sqrt
from statistics import median
from typing import Any

from longsoak.core.quality.trend import scatter_about, theil_sen
from longsoak.core.wording import with_noun
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.logbook import About, Subject
from longsoak.vocabulary.rig import Bay, Kind, Probe, Rig
from longsoak.vocabulary.water import Aside, ContactWindow, Found, Recovery, WaterNews

DAY_MS = 86_400_000
# mm and s the level has to be below for the contact to be over. Own choice: more than sloshing,
# and a drop that hangs on is gone.
DEADBAND, OVER_AFTER = 2.0, 600.0
_WITHIN = 120.0  # s between two readings that bear each other out: one alone may be a spike
# mm above the underside that water climbs, at least, and in an hour; it goes with the root of time.
# Common practice for renders and brick; a dense one reaches less. Declare `reach` to know better.
REACH_LEAST, REACH_HOUR = 50.0, 20.0
SPOILED = (Kind.PINS, Kind.HUMIDITY, Kind.POLARISATION)
# The trend before: of 14 days, which is longer than weather lasts; 5 of them at least, or a line
# through them says nothing. Own choice.
TREND_DAYS, TREND_LEAST = 14, 5
# Its band: three times what its days scatter by about it, and in the kind's unit no less than what
# no sensor of the kind can tell. Common practice.
BAND_SIGMAS = 3.0
BAND_LEAST = {Kind.PINS: 0.5, Kind.HUMIDITY: 2.0, Kind.POLARISATION: 20.0}
# Days in a row inside that make it recovered, so that a damp day that crosses the band is none;
# days after which it is not waited for any longer. Own choice: render and wood of such rigs
# equalise within weeks.
RECOVERS_DAYS, STAYS_OFF_DAYS = 3, 28
_PROPOSAL = "close the phase and begin a new baseline."
RULE = (
    f"A probe is back on its trend once its daily means lie for {RECOVERS_DAYS} days in a row in "
    f"the band that its own {TREND_DAYS} days before the contact lead to: their straight line, "
    f"{BAND_SIGMAS:g} times their scatter to either side. If it is not after {STAYS_OFF_DAYS} "
    f"days, it stays off: {_PROPOSAL}"
)


@dataclass(slots=True)
class Contact:
    """Watches clearance; `line` is the level of contact, mm, `float_at` where its float trips."""

    line: float
    float_at: float | None
    begin: float | None = None  # s
    highest: float = 0.0  # mm
    by_float: bool = False
    touched: float | None = None  # a first reading that nothing bears out yet
    below: float | None = None  # since when

    def memory(self) -> dict[str, Any]:
        """What it goes on from, as plain values."""
        kept = asdict(self)
        del kept["line"], kept["float_at"]
        return kept

    def go_on(self, kept: Mapping[str, Any]) -> None:
        """Go on from a memory."""
        for name, value in kept.items():
            setattr(self, name, value)

    def level(self, at: float, level: float, *, u: float) -> list[WaterNews]:
        """Take a level in mm with its standard uncertainty."""
        if self.begin is None:
            if level < self.line:
                self.touched = None
                return []
            if self.touched is None or at - self.touched > _WITHIN:
                self.touched, self.highest = at, level
                return []
            begin, self.touched = self.touched, None
            return self._begins(begin, max(level, self.highest), u)
        self.by_float = False
        self.highest = max(self.highest, level)
        if level >= self.line - DEADBAND:
            self.below = None
            return []
        return self._below(at)

    def float_switch(self, at: float, up: bool, *, level_known: bool) -> list[WaterNews]:
        """Take what the float says; it is the only witness while the level is not known."""
        if level_known or self.float_at is None or self.float_at < self.line:
            return []
        if self.begin is None:
            return self._begins(at, None, 0.0) if up else []
        if up:
            self.below = None
            return []
        return self._below(at) if self.by_float else []

    def _begins(self, begin: float, highest: float | None, u: float) -> list[WaterNews]:
        self.begin, self.below = begin, None
        self.by_float, self.highest = highest is None, highest or 0.0
        return [WaterNews(Found.CONTACT, begin, None, self._says(u), figures=self._figures())]

    def _below(self, at: float) -> list[WaterNews]:
        if self.below is None:
            self.below = at
        if self.begin is None or at - self.below < OVER_AFTER:
            return []
        news = WaterNews(
            Found.CONTACT, self.begin, self.below, self._says(0.0), figures=self._figures()
        )
        self.begin = self.below = None
        return [news]

    def _figures(self) -> dict[str, float]:
        return {} if self.by_float else {"highest_mm": self.highest}

    def _says(self, u: float) -> str:
        if self.by_float:
            return "The float says that water reaches the specimen; no level is known."
        over = self.highest - self.line
        near = f". The level's own doubt, {u:.1f} mm, may explain that" if over < 2.0 * u else ""
        return (
            f"Water reached {self.highest:.0f} mm, and the specimen is touched or splashed from "
            f"{self.line:.0f} mm on{near}."
        )


def reach_of(bay: Bay, *, hours: float) -> float:
    """How far above the underside water climbs that has touched a bay for so long, mm."""
    if bay.reach is not None:
        return bay.reach
    return max(REACH_LEAST, REACH_HOUR * sqrt(max(0.0, hours)))


def spoiled(rig: Rig, *, hours: float) -> list[Probe]:
    """The probes that a contact of so many hours may have wetted from below."""
    reaches = {bay.name: reach_of(bay, hours=hours) for bay in rig.specimen.bays}
    wet = [
        probe
        for probe in rig.probes
        if probe.kind in SPOILED
        and probe.bay is not None
        and probe.height is not None
        and probe.height <= reaches[probe.bay]
    ]
    names = {probe.name for probe in wet}
    return wet + [probe for probe in rig.probes if probe.pair in names]


def asides(
    rig: Rig,
    windows: Sequence[ContactWindow],
    days: Mapping[str, Mapping[int, float]],
    *,
    now_ms: int,
) -> list[Aside]:
    """What contacts set aside, probe by probe.

    Parameters
    ----------
    rig : Rig
        Whose probes they spoil.
    windows : sequence of ContactWindow
        In the order of time.
    days : mapping of str to mapping of int to float
        By probe, the mean of each day (days since 1970 UTC), closed days only.
    now_ms : int
        Until when windows that are not over last, UTC ms.

    Returns
    -------
    list of Aside
        A probe's windows that begin before it has recovered are one: the trend is that before the
        first of them. One that stayed off until then stays so.
    """
    found: list[Aside] = []
    for probe in rig.probes:
        own = days.get(probe.name, {})
        last: Aside | None = None
        ended: int | None = None  # of the contact before
        for window in windows:
            until = now_ms if window.until_ms is None else window.until_ms
            if probe not in spoiled(rig, hours=(until - window.from_ms) / 3_600_000):
                continue
            begin = window.from_ms
            if last is not None and last.until_ms is not None and last.until_ms <= begin:
                found.append(last)
            elif last is not None:
                begin = last.from_ms
                known = {day: mean for day, mean in own.items() if day < window.from_ms // DAY_MS}
                stood = _judged(probe, last.window, begin, ended, known)
                if stood.recovery is Recovery.STAYS_OFF:
                    last = stood
                    continue
            ended = window.until_ms
            last = _judged(probe, window.number, begin, ended, own)
        if last is not None:
            found.append(last)
    return found


def as_flags(found: Sequence[Aside]) -> list[HandFlag]:
    """What contacts make of readings: suspect, with a reason of its own, and by nobody's hand."""
    return [
        HandFlag(
            0,
            Subject(About.PROBE, aside.probe),
            aside.from_ms,
            aside.until_ms,
            Flag.SUSPECT,
            "",
            aside.says,
            aside.from_ms,
            Reason.SET_ASIDE,
        )
        for aside in found
    ]


def _judged(
    probe: Probe, number: int, from_ms: int, until_ms: int | None, days: Mapping[int, float]
) -> Aside:
    def aside(recovery: Recovery, until: int | None, says: str) -> Aside:
        return Aside(probe.name, number, from_ms, until, recovery, says)

    if until_ms is None:
        return aside(Recovery.WAITING, None, "Water touches the specimen.")
    first = from_ms // DAY_MS
    before = [(day, days[day]) for day in range(first - TREND_DAYS, first) if day in days]
    after = until_ms // DAY_MS + 1  # its own day is half of either
    newest = max(days, default=after - 1)
    waited = newest - after + 1
    if len(before) < TREND_LEAST:
        says = f"It had {with_noun(len(before), 'day')} before the contact, too few for a trend"
        if waited >= STAYS_OFF_DAYS:
            return aside(Recovery.STAYS_OFF, None, f"{says} to come back to: {_PROPOSAL}")
        return aside(Recovery.WAITING, None, f"{says}.")
    xs, ys = [float(day) for day, _ in before], [value for _, value in before]
    slope = theil_sen(xs, ys).slope
    rest = [y - slope * x for x, y in before]
    zero = median(rest)
    scatter = scatter_about(zero, rest)
    band = max(BAND_SIGMAS * scatter, BAND_LEAST.get(probe.kind, 0.0))
    unit, inside = probe.unit_words, 0
    for day in range(after, newest + 1):
        if day not in days:
            continue
        inside = inside + 1 if abs(days[day] - zero - slope * day) <= band else 0
        if inside == RECOVERS_DAYS:
            says = f"Back within {band:.2g} {unit} of its trend for {RECOVERS_DAYS} days."
            return aside(Recovery.RECOVERED, (day + 1) * DAY_MS, says)
    if waited < 1:
        return aside(Recovery.WAITING, None, "No day has passed since.")
    off = days[newest] - zero - slope * newest
    if waited >= STAYS_OFF_DAYS:
        says = f"Off its trend by {off:+.2g} {unit} after {waited} days: {_PROPOSAL}"
        return aside(Recovery.STAYS_OFF, None, says)
    if inside:
        says = (
            f"Within {band:.2g} {unit} of its trend on {with_noun(inside, 'day')}; it takes "
            f"{RECOVERS_DAYS} in a row."
        )
        return aside(Recovery.WAITING, None, says)
    says = f"Off its trend by {off:+.2g} {unit}, {band:.2g} is allowed."
    return aside(Recovery.WAITING, None, says)
