"""What months of readings come to: profiles, the front, where they tend, how bays differ.

Needs numpy. All of it rests on hourly means of readings that passed every check, without those that
contacts with the water set aside.
"""

from collections.abc import Iterator, Sequence
from functools import cached_property
from math import hypot, isfinite
from typing import TYPE_CHECKING, NamedTuple

from longsoak.core.findings.arrival import Arrival, arrival_of
from longsoak.core.findings.comparison import Comparison, compare
from longsoak.core.findings.decision import Bound, ToleranceLimit
from longsoak.core.findings.hours import hours_above
from longsoak.core.findings.settling import Settling, settle, time_to_decide
from longsoak.core.findings.verdict import rule_of
from longsoak.core.findings.windows import Windows, coarser
from longsoak.core.front import Front, front_pace
from longsoak.core.frontjudgement import Reach, front_doubts
from longsoak.core.phases import Phase, phases
from longsoak.core.uptake import Absorption, Undetermined, absorbed_per_area, absorption_coefficient
from longsoak.core.wettrades import wet_trades
from longsoak.core.zones import Spot, spots, spots_of
from longsoak.report.analysed import (
    Analysis,
    BayComparison,
    Exposure,
    MassUptake,
    Outlook,
    PhaseComparison,
    PlaceMean,
    Profile,
    Progress,
    Reached,
    Tendency,
)
from longsoak.report.extents import Extent
from longsoak.report.means import Means, ProbeMeans
from longsoak.report.seats import at_open_line, by_depth, doubt_of, mean_of, pairs_of
from longsoak.report.stretches import (
    DAY_H,
    HOUR_MS,
    Stretch,
    hours_before,
    last_day,
    midnights,
    stretch_of,
    windows_over,
)
from longsoak.report.wetted import Wetted, wetted
from longsoak.rigfile.load import parse
from longsoak.store.files import keeping_open
from longsoak.store.logbook import Logbook
from longsoak.store.overlay import flags_over
from longsoak.store.reader import Record
from longsoak.store.water import Happening, WaterRecord
from longsoak.vocabulary.rig import (
    Bay,
    Kind,
    Limit,
    LimitQuantity,
    Probe,
    Rig,
    Weighs,
)
from longsoak.vocabulary.water import Found

if TYPE_CHECKING:
    from longsoak.core.arrays import Array

RISE = 1.0  # % MC: what an unheated shop does to a pair of pins in a day (common practice)
NEAR = 0.5  # % MC or RH from its final value a course is called steady
EVERY_H = 3  # h that means compared between bays are over
LAST_H = 30 * DAY_H  # of a phase in which bays are compared: while water comes, all is in motion
MOST_DOUBTS = 3  # about one front
SEED = 1  # of the bootstrap, so that the same record gives the same interval
ONE_SPECIMEN = "this specimen only: its bays are no replicates"
ONE_RIG = "this specimen only: a wetting repeated after drying shows the rig's repeatability"
_PINS = (LimitQuantity.MOISTURE_CONTENT, LimitQuantity.WOOD_EQUIVALENT, LimitQuantity.DOWEL)
_READ = (*_PINS, LimitQuantity.HUMIDITY)
_SETTLES = ("wetting", "drying")


def analyst_of(record: Record, *, now_ms: int) -> "Analyst | None":
    """What works on a record as it is; None where nothing was recorded yet.

    Raises
    ------
    StoreError
        The record can't be read.
    """
    version, last = record.rig_version(), record.last_utc_ms()
    if version is None or last is None:
        return None
    rig = parse(version.text, file="rig.toml", find_kind=None)
    entries = Logbook(record.folder).entries()
    over = flags_over(record.folder, rig, now_ms=now_ms)
    stretches = [stretch_of(phase, last + 1) for phase in phases(entries)]
    means = Means(record, rig.probes, over, wet_trades(entries), strict=True)
    return Analyst(record, rig, stretches, means, last + 1)


class LookedUp(NamedTuple):
    """What was found of one probe: means, when water came in a phase, and where it tends."""

    means: ProbeMeans
    came: dict[tuple[int, str], Arrival | Undetermined | None]
    ends: dict[tuple[int, str], Settling | Undetermined]


class Analyst:
    """Works out what is asked for from one record, hourly means once.

    Parameters
    ----------
    record : Record
        Read while it may be written.
    rig : Rig
        As it is recorded under now.
    stretches : sequence of Stretch
        The phases that count, oldest first, as far as they have come.
    means : Means
        Of the record's probes.
    until_ms : int
        UTC: how far the record goes.

    Raises
    ------
    StoreError
        From any method: the record can't be read.
    """

    def __init__(
        self,
        record: Record,
        rig: Rig,
        stretches: Sequence[Stretch],
        means: Means,
        until_ms: int,
    ) -> None:
        self._record = record
        self.rig = rig
        self._means = means
        self._until = until_ms
        self._stretches = stretches
        self._windows = windows_over(stretches)
        self._came: dict[tuple[int, str], Arrival | Undetermined | None] = {}
        self._ends: dict[tuple[int, str], Settling | Undetermined] = {}

    @property
    def names(self) -> list[str]:
        """The probes that it is about, and those of the room's air."""
        room = (self.rig.room.temperature, self.rig.room.humidity)
        return list(dict.fromkeys([*(s.probes[0] for s in self._spots), *filter(None, room)]))

    def look_up(self, name: str) -> LookedUp:
        """What takes longest of one probe, to be taken over by another of the same record."""
        ends = [stretch.ends for stretch in self._stretches if stretch.hours]
        with keeping_open():
            self._means.read(name, windows=self._windows, extents=[self._midnights, *ends])
            for stretch in self._stretches:
                if stretch.phase.phase in _SETTLES and stretch.hours:
                    for spot in self._spots:
                        if spot.probes[0] == name:
                            self._settled(stretch, spot)
        came = {key: found for key, found in self._came.items() if key[1] == name}
        tends = {key: found for key, found in self._ends.items() if key[1] == name}
        return LookedUp(self._means.found(name), came, tends)

    def take(self, found: LookedUp) -> None:
        """Take over what another looked up."""
        self._means.take(found.means)
        self._came.update(found.came)
        self._ends.update(found.ends)

    def all(self) -> Analysis:
        """Everything."""
        for name in dict.fromkeys(spot.probes[0] for spot in self._spots):
            self._means.read(name, windows=self._windows)
        return Analysis(
            tuple(self.profiles()),
            tuple(self.progress()),
            tuple(self.tendencies()),
            tuple(self.outlooks()),
            tuple(self.exposures()),
            tuple(self.bays()),
            tuple(self.phases()),
            tuple(self.masses()),
        )

    def profile(self, bay: str, *, title: str, until_ms: int) -> Profile:
        """A bay by depth over the day before a time."""
        begin, _ = last_day(until_ms)
        places = [self._mean(spot, begin, until_ms) for spot in self._spots if spot.bay == bay]
        places.sort(key=lambda place: (place.spot.depth or 0.0, place.spot.height or 0.0))
        return Profile(title, bay, begin, until_ms, tuple(places))

    def days(self, name: str) -> list[Extent]:
        """How far one probe went each day, UTC."""
        return self._means.extents(name, self._midnights)

    def extent(self, name: str, phase: Phase) -> Extent | None:
        """How far one probe went in a phase; None where nothing was read for an hour."""
        stretch = next(each for each in self._stretches if each.phase.number == phase.number)
        found = self._means.extents(name, stretch.ends) if stretch.hours else []
        return found[0] if found else None

    def profiles(self) -> Iterator[Profile]:
        """Each bay at the end of each phase, or as far as it has come."""
        for stretch in self._stretches:
            if stretch.hours >= DAY_H:
                yield from self.profiles_at(stretch.edges[-1], title=stretch.phase.title)

    def profiles_at(self, until_ms: int, *, title: str) -> Iterator[Profile]:
        """Each bay in which anything is read, over the day before a time, UTC ms."""
        for bay in self.rig.specimen.bays:
            found = self.profile(bay.name, title=title, until_ms=until_ms)
            if found.places:
                yield found

    def progress(self) -> Iterator[Progress]:
        """The wetting front through each bay in each wetting."""
        for stretch in self._stretches:
            if stretch.phase.phase == "wetting" and stretch.hours:
                for bay in self.rig.specimen.bays:
                    if bay.name != stretch.phase.control and self._pins(bay.name):
                        yield self._progress(stretch, bay.name)

    def tendencies(self) -> Iterator[Tendency]:
        """Where each probe tends in each wetting and drying, on known wetted time."""
        for stretch in self._stretches:
            if stretch.phase.phase in _SETTLES and stretch.hours:
                for spot in self._spots:
                    yield Tendency(stretch.phase, spot, self._settled(stretch, spot))

    def outlooks(self) -> Iterator[Outlook]:
        """How much longer the phase that goes on has to run, by limit and probe."""
        for stretch, limit in self._limited():
            if stretch.phase.until_ms is None and stretch.phase.phase in _SETTLES:
                bound = ToleranceLimit(limit.bound, limit.side)
                rule = rule_of(limit)
                for spot in spots_of(limit, self.rig):
                    found = time_to_decide(self._settled(stretch, spot), limit=bound, rule=rule)
                    yield Outlook(stretch.phase, limit, spot, found)

    def exposures(self) -> Iterator[Exposure]:
        """How long each probe of a limit was above its bound."""
        import numpy as np

        for stretch, limit in self._limited():
            for spot in spots_of(limit, self.rig):
                hourly = self._hourly(spot, stretch.edges)
                known = np.isfinite(hourly.means)
                if not known.any():
                    continue
                found = hours_above(
                    limit.bound,
                    times=(3600.0 * (np.flatnonzero(known) + 0.5)).tolist(),
                    values=hourly.means[known].tolist(),
                    uncertainties=hourly.uncertainties[known].tolist(),
                    longest=1.5 * 3600.0,
                    begin=0.0,
                    end=3600.0 * stretch.hours,
                    bounds=_bounds(hourly, known),
                )
                yield Exposure(stretch.phase, limit, spot, found)

    def _limited(self) -> Iterator[tuple[Stretch, Limit]]:
        """Phases with the limits for them that are on what a probe reads by itself."""
        for stretch in self._stretches:
            for limit in self.rig.limits:
                here = {stretch.phase.phase, stretch.phase.name} & set(limit.phases)
                if here and stretch.hours and limit.above is None and limit.quantity in _READ:
                    yield stretch, limit

    def bays(self) -> Iterator[BayComparison]:
        """Bays side by side, seat by seat, in each wetting and drying."""
        specimen = self.rig.specimen
        if len(specimen.bays) < 2:
            return
        for stretch in self._stretches:
            if stretch.phase.phase not in _SETTLES or not stretch.hours:
                continue
            for first, second in pairs_of(specimen.bays, stretch.phase.control):
                yield from self._two_bays(stretch, first, second)

    def phases(self) -> Iterator[PhaseComparison]:
        """Each wetting and drying against the one before it of its kind, hour by hour."""
        last: dict[str, Stretch] = {}
        for stretch in self._stretches:
            kind = stretch.phase.phase
            if kind not in _SETTLES or not stretch.hours:
                continue
            if kind in last:
                yield from self._two_phases(stretch, last[kind])
            last[kind] = stretch

    def masses(self) -> Iterator[MassUptake]:
        """Uptake by mass in each wetting, where the specimen is weighed."""
        specimen = self.rig.specimen
        area = specimen.width * specimen.run / 1e6
        for probe in self.rig.probes:
            if probe.kind is not Kind.SCALE or probe.weighs is not Weighs.SPECIMEN:
                continue
            for stretch in self._stretches:
                if stretch.phase.phase == "wetting" and stretch.hours:
                    found = self._uptake(probe, stretch, area)
                    yield MassUptake(stretch.phase, probe.name, area, found)

    @cached_property
    def _spots(self) -> list[Spot]:
        found = spots(self.rig.probes, self.rig.specimen.bays)
        return [spot for spot in found if spot.quantity in _READ]

    @cached_property
    def _midnights(self) -> tuple[int, ...]:
        return midnights(self._record.first_utc_ms() or 0, self._until)

    @cached_property
    def _wettings(self) -> list[Happening]:
        if self.rig.reservoir is None:
            return []
        return WaterRecord(self._record.folder).happenings(Found.WETTING, until_ms=self._until)

    def _pins(self, bay: str) -> list[Spot]:
        return [s for s in self._spots if s.bay == bay and s.quantity in _PINS]

    def _hourly(self, spot: Spot, edges: Sequence[int]) -> Windows:
        return self._means.windows(spot.probes[0], edges)

    def _coarse(self, spot: Spot, stretch: Stretch, first: int, last: int) -> Windows:
        """Means over `EVERY_H` of some of a stretch's hours."""
        return coarser(self._hourly(spot, stretch.edges), first, last, by=EVERY_H)

    def _mean(self, spot: Spot, from_ms: int, until_ms: int) -> PlaceMean:
        """Over one window."""
        found = self._means.windows(spot.probes[0], (from_ms, until_ms))
        value, off = float(found.means[0]), float(found.uncertainties[0])
        if not isfinite(value):
            return PlaceMean(spot, None, None, Bound.NONE)
        return PlaceMean(spot, value, off, _bound(found.at_least[0], found.at_most[0]))

    def _wetted(self, stretch: Stretch, bay: str) -> Wetted:
        return wetted(stretch.edges, [each for each in self._wettings if each.subject == bay])

    def _progress(self, stretch: Stretch, bay: str) -> Progress:
        wet = self._wetted(stretch, bay)
        reached = [self._reached(stretch, spot, wet) for spot in self._pins(bay)]
        came = [r for r in reached if r.hours and r.spot.depth]
        pace: Front | Undetermined = Undetermined("the front has reached fewer than two depths")
        if came:
            pace = front_pace(
                [r.spot.depth or 0.0 for r in came],
                arrivals=[3600.0 * (r.hours or 0.0) for r in came],
            )
        reaches = [
            Reach(r.spot.probes[0], r.spot.depth or 0.0, None, r.hours and 3600.0 * r.hours)
            for r in reached
            if not r.why
        ]
        doubts = [r.says for r in front_doubts(reaches, front=pace)] if came else []
        if len(doubts) > MOST_DOUBTS:
            doubts[MOST_DOUBTS:] = [f"{len(doubts) - MOST_DOUBTS} more doubts are like these."]
        return Progress(
            stretch.phase, bay, tuple(reached), pace, tuple(doubts), wet.unknown, wet.stood
        )

    def _reached(self, stretch: Stretch, spot: Spot, wet: Wetted) -> Reached:
        found = self._arrival(stretch, spot)
        if isinstance(found, Undetermined):
            return Reached(spot, None, None, found.why)
        if found is None:
            return Reached(spot, None, None)
        came = wet.at(found.onset + 0.5)  # a mean stands for the middle of its hour
        stood_out = wet.at(found.at + 1.0)
        return Reached(spot, came, stood_out - came)

    def _arrival(self, stretch: Stretch, spot: Spot) -> Arrival | Undetermined | None:
        key = stretch.phase.number, spot.probes[0]
        if key not in self._came:
            before = self._hourly(spot, hours_before(stretch)).means
            after = self._hourly(spot, stretch.edges).means
            self._came[key] = arrival_of(before, after, rise=RISE)
        return self._came[key]

    def _settled(self, stretch: Stretch, spot: Spot) -> Settling | Undetermined:
        key = stretch.phase.number, spot.probes[0]
        if key not in self._ends:
            self._ends[key] = self._end(stretch, spot)
        return self._ends[key]

    def _end(self, stretch: Stretch, spot: Spot) -> Settling | Undetermined:
        import numpy as np

        hourly = self._hourly(spot, stretch.edges)
        hours = np.arange(1.0, stretch.hours + 1.0)
        if stretch.phase.phase == "wetting" and spot.bay is not None:
            hours = self._wetted(stretch, spot.bay).hours
        # Time stands still while the face is dry: of several means at one time the last counts.
        told = np.isfinite(hourly.means) & np.append(np.diff(hours) > 0.0, True)
        if stretch.phase.phase == "wetting" and spot.quantity in _PINS:
            came = self._arrival(stretch, spot)
            if isinstance(came, Arrival):
                told[: came.at] = False  # before the water came it tends nowhere
            elif came is None and spot.bay != stretch.phase.control:
                return Undetermined(
                    "the water has not come there, and what was read before tells nothing of where "
                    "it will end"
                )
        if not told.any():
            return Undetermined("nothing was read there")
        common = float(np.median(hourly.uncertainties[told]))
        return settle(
            (3600.0 * hours[told]).tolist(),
            values=hourly.means[told].tolist(),
            within=NEAR,
            bounds=_bounds(hourly, told),
            common_uncertainty=common,
        )

    def _two_bays(self, stretch: Stretch, first: Bay, second: Bay) -> Iterator[BayComparison]:
        recent = max(0, stretch.hours - LAST_H)
        near = at_open_line(self.rig, first, second) | at_open_line(self.rig, second, first)
        ours, theirs = by_depth(self._spots, first.name), by_depth(self._spots, second.name)
        for key in (key for key in ours if key in theirs):
            pairs = [
                (ours[key][height], theirs[key][height])
                for height in sorted(ours[key].keys() & theirs[key].keys())
            ]
            kept = [pair for pair in pairs if not near & {s.probes[0] for s in pair}]
            out = {s.probes[0] for pair in pairs for s in pair} & near
            found: Comparison | Undetermined
            common = 0.0
            if kept:
                rows = [
                    [self._coarse(pair[n], stretch, recent, stretch.hours) for pair in kept]
                    for n in (0, 1)
                ]
                common = hypot(*map(doubt_of, rows))
                found = compare(
                    mean_of(rows[0]), second=mean_of(rows[1]), unit=ONE_SPECIMEN, seed=SEED
                )
            elif pairs:
                found = Undetermined("all of its probes lie at an open line between the bays")
            else:
                continue
            yield BayComparison(
                stretch.phase,
                first.name,
                second.name,
                *key,
                len(kept),
                tuple(sorted(out)),
                common,
                found,
            )

    def _two_phases(self, later: Stretch, earlier: Stretch) -> Iterator[PhaseComparison]:
        hours = min(later.hours, earlier.hours)
        first = max(0, hours - LAST_H)
        for bay in self.rig.specimen.bays:
            for key, seats in by_depth(self._spots, bay.name).items():
                both = [
                    mean_of([self._coarse(spot, own, first, hours) for spot in seats.values()])
                    for own in (later, earlier)
                ]
                found = compare(both[0], second=both[1], unit=ONE_RIG, seed=SEED)
                yield PhaseComparison(later.phase, earlier.phase, bay.name, *key, len(seats), found)

    def _uptake(self, probe: Probe, stretch: Stretch, area: float) -> Absorption | Undetermined:
        import numpy as np

        begin = stretch.edges[0]
        (dry,) = self._means.windows(probe.name, (begin - DAY_H * HOUR_MS, begin)).means
        if not isfinite(dry):
            return Undetermined("it was not weighed in the day before the water went on")
        hourly = self._means.windows(probe.name, stretch.edges).means
        known = np.isfinite(hourly)
        times = 3600.0 * (np.flatnonzero(known) + 0.5)  # the middle of each hour
        absorbed = absorbed_per_area(hourly[known].tolist(), dry_mass=float(dry), area=area)
        return absorption_coefficient(times.tolist(), absorbed=absorbed)


def _bound(at_least: object, at_most: object) -> Bound:
    return Bound.AT_LEAST if at_least else Bound.AT_MOST if at_most else Bound.NONE


def _bounds(hourly: Windows, told: "Array") -> list[Bound]:
    """What those of some windows that are `told` are: values, or a bound, and which."""
    return list(map(_bound, hourly.at_least[told], hourly.at_most[told]))
