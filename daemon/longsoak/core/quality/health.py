"""Which probes of a rig can be believed: told from their readings, piece by piece. Pure.

The same steps run beside the measuring and over months in the store. What has to be remembered is
of a fixed size for each probe, and can be written down and taken up again.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from enum import Enum, auto
from math import inf, isnan, nan
from typing import NamedTuple

from longsoak.core.quality.checks import FAIL, MISSING, PASS, SUSPECT, Flags, piece_of, steps_of
from longsoak.core.quality.day import Day, DaySums
from longsoak.core.quality.faults import (
    Readings,
    front_end,
    gone_away,
    noise,
    outside,
    sluggish,
    stuck,
    wires,
)
from longsoak.core.quality.limits import DAY_MS
from longsoak.core.quality.peers import LONGEST, Apart, apart
from longsoak.core.quality.signatures import (
    HOUR_MS,
    condensation,
    cross_talk,
    layered,
    polarised,
    soaks,
    wicking,
)
from longsoak.core.quality.watched import BASE_DAYS, Checked, Memory, Watched, watched
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.health import Check, Fault, Finding, Suspicion
from longsoak.vocabulary.rig import Kind, Rig

_MANY = 8  # runs of suspect readings in one piece that are told as one
_COUNTS = frozenset({Reason.NONE, Reason.STAND_IN_TEMPERATURE, Reason.UNTRIED_TEMPERATURE})
# A probe with one of these is no measure for others.
_NO_PEER = frozenset({Fault.OPEN, Fault.SHORT, Fault.STUCK, Fault.STEP, Fault.DRIFT, Fault.SOAKS})

_ALL = 0.98  # of a day's looks at the pump

# Times of some scans, ms and s, with the least and the greatest step between them.
_NO_TIMES: tuple[Sequence[int], Sequence[float], tuple[float, float]] = ((), (), (0.0, 0.0))

News = Suspicion | Finding


class _Pump(Enum):
    """What the pump did all day."""

    RAN = auto()
    STOOD = auto()
    BOTH = auto()


class _Beside(NamedTuple):
    """A probe beside the peers that are sound: how far away it is, who they are, and all days."""

    off: Apart | None
    names: tuple[str, ...]
    own: Sequence[float]
    others: Sequence[Sequence[float]]


class ClosedDay(NamedTuple):
    """One probe's day that is over."""

    probe: str
    day: Day


class RigHealth:
    """Takes in all readings of a rig and tells what they say of its probes.

    Parameters
    ----------
    rig : Rig
        As checked.
    known : mapping, optional
        What was remembered (`memories`); of probes that are others since, it is not taken up.
    began : int, optional
        The number of the first day there is (`began`), where something was remembered.
    """

    def __init__(
        self, rig: Rig, known: Mapping[str, Memory] | None = None, *, began: int | None = None
    ) -> None:
        left = known or {}
        self._watched = {p.name: watched(p, rig, left.get(p.name)) for p in rig.probes}
        self._pumps = [w for w in self._watched.values() if w.probe.runs_from is not None]
        pins = [w for w in self._watched.values() if w.probe.kind is Kind.PINS]
        self._layered = layered(pins)
        self._on_one_bus = [
            [w for w in pins if w.probe.bus == bus]
            for bus in dict.fromkeys(w.probe.bus for w in pins)
        ]
        self._faces = list(self._dry_faces(rig))
        self._hourly = {w.probe.name for each in self._faces for w in each[1:]}
        self.began = began
        # By probe, times from and until which its readings are taken in and not judged, UTC ms.
        self.not_judged: Mapping[str, Sequence[tuple[int, int | None]]] = {}
        # By probe, times from and until which water that touched the specimen is to blame: then it
        # is held against no other, and no other against it.
        self.set_aside: Mapping[str, Sequence[tuple[int, int | None]]] = {}
        self._seconds = _NO_TIMES

    @property
    def memories(self) -> dict[str, Memory]:
        """What has to be remembered, by probe; it goes on changing."""
        return {name: each.memory for name, each in self._watched.items()}

    def _dry_faces(self, rig: Rig) -> Iterator[tuple[Watched, Watched, Watched, Watched]]:
        """Of each bay that says so, its deepest pins, and what tells of condensation there."""
        for bay in rig.specimen.bays:
            pins = [
                w
                for w in self._watched.values()
                if w.probe.bay == bay.name and w.probe.kind is Kind.PINS
            ]
            if bay.dry_face is not None and pins:
                face, deepest = bay.dry_face, max(w.probe.depth or 0.0 for w in pins)
                names = face.surface, face.humidity, face.temperature
                surface, humidity, temperature = (self._watched[name] for name in names)
                for pair in pins:
                    if pair.probe.depth == deepest:
                        yield pair, surface, humidity, temperature

    def take(self, probe: str, readings: Readings) -> list[News]:
        """Take in readings of one probe; any not later than all before are left out.

        Returns
        -------
        list
            What they tell at once: readings that are suspect by themselves, and faults that began
            or are over.
        """
        one = self._watched.get(probe)
        if one is None:
            return []
        readings = _later(readings, one.memory.at_ms)
        if not readings.utc_ms:
            return []
        if self.began is None:
            self.began = readings.utc_ms[0] // DAY_MS
        judged = _left_alone(readings, self.not_judged.get(probe, ()))
        counting = _counting(judged)
        if one.probe.runs_from is not None:
            _watch_pump(one, readings.utc_ms, counting)
        news: list[News] = list(wires(one, judged))
        if one.checked is not None:
            news += self._checked(one, one.checked, judged, counting)
        if one.seasons:
            news += outside(one, judged.utc_ms, counting)
            news += sluggish(one, judged.utc_ms, counting)
        if probe in self._hourly:
            _add_to_hours(one.memory, judged.utc_ms, counting)
        _add_to_days(one, readings, counting)
        one.memory.at_ms = readings.utc_ms[-1]
        return news

    def _checked(
        self, one: Watched, by: Checked, readings: Readings, counting: Sequence[float]
    ) -> Iterator[News]:
        memory, times = one.memory, readings.utc_ms
        if times is not self._seconds[0]:  # the same for all probes of a bus
            each = [ms / 1000 for ms in times]
            self._seconds = times, each, steps_of(each)
        _, seconds, steps = self._seconds
        piece = piece_of(seconds, counting, steps)
        flags, memory.before = by.rate.step(piece, memory.before)
        yield from _suspicions(one, Check.RATE, flags, times)
        # What it says is of the reading that waited, and of all but the last.
        waited = [] if memory.pending.value is None else [memory.at_ms or 0]
        flags, memory.pending = by.spike.step(piece, memory.pending)
        yield from _suspicions(one, Check.SPIKE, flags, waited, times)
        if SUSPECT in flags and one.probe.kind is Kind.PINS:
            at = [*waited, *times]
            memory.struck += [at[i] for i, flag in enumerate(flags) if flag == SUSPECT]
        raw = readings.raw
        if counting is not readings.values:
            raw = [nan if isnan(v) else r for r, v in zip(raw, counting, strict=True)]
        flags, memory.run = by.still.step(piece_of(seconds, raw, steps), memory.run)
        yield from stuck(one, by.still, flags, times)

    def close_days(self, upto_ms: int) -> tuple[list[Finding], list[ClosedDay]]:
        """Judge the days that are over at a time up to which all readings were taken in.

        Returns
        -------
        tuple
            The faults that began or are over, and the days, oldest first.
        """
        last = upto_ms // DAY_MS - 1
        numbers: set[int] = set()
        for one in self._watched.values():
            memory = one.memory
            if memory.sums is not None and memory.sums.number <= last:
                memory.waiting.append(memory.sums.over())
                memory.sums = None
            numbers |= {day.number for day in memory.waiting}
        news: list[Finding] = []
        closed: list[ClosedDay] = []
        for number in sorted(numbers):
            days = {
                name: day
                for name, one in self._watched.items()
                for day in one.memory.waiting
                if day.number == number
            }
            closed += [ClosedDay(name, day) for name, day in days.items()]
            news += self._judge(number, days)
        for one in self._watched.values():
            one.memory.waiting.clear()
        self._seconds = _NO_TIMES
        return news, closed

    def _judge(self, number: int, days: Mapping[str, Day]) -> list[Finding]:
        oldest = number - LONGEST
        for name, day in days.items():
            means = self._watched[name].memory.means
            means[number] = day.mean
            for old in [each for each in means if each < oldest]:
                del means[old]
            if len(self._watched[name].memory.base) < BASE_DAYS and not isnan(day.mean):
                self._watched[name].memory.base.append(day.mean)
        at_ms = (number + 1) * DAY_MS
        pump = self._pump(number)
        away = self._compared(number, days, pump)  # all with all, before anything is said of one
        news: list[Finding] = []
        for name, day in days.items():
            one = self._watched[name]
            if one.checked is not None:
                limits = one.checked.limits
                if (beside := away.get(name)) is not None:
                    off, names, own, others = beside
                    if off is not None:
                        news += gone_away(one, limits, off, names, at_ms)
                    if one.probe.kind is Kind.PINS:
                        news += soaks(one, own, others, off, names, at_ms)
                if not (one.peers.in_air and pump is _Pump.BOTH):
                    news += noise(one, limits, day, at_ms)
            if one.probe.kind is Kind.REFERENCE:
                news += front_end(one, day, at_ms)
            if (pair := self._watched.get(one.probe.pair or "")) is not None:
                news += polarised(one, pair, day, at_ms)
        for deep, near in self._layered:
            if not any(self._aside_until(w.probe.name, number) > number for w in (deep, near)):
                news += wicking(deep, near, at_ms)
        for pair, surface, humidity, temperature in self._faces:
            news += condensation(pair, surface, humidity, temperature, at_ms)
        for name in self._hourly:
            hours = self._watched[name].memory.hours
            for old in [hour for hour in hours if hour * HOUR_MS < at_ms]:
                del hours[old]
        for pins in self._on_one_bus:
            news += cross_talk(pins, at_ms)
        return news

    def _pump(self, number: int) -> "_Pump | None":
        """What the pump did on a day; None where nothing tells."""
        for one in self._pumps:
            running, seen = one.memory.ran.get(number, (0, 0))
            if seen:
                share = running / seen
                return (
                    _Pump.RAN if share > _ALL else _Pump.STOOD if share < 1 - _ALL else _Pump.BOTH
                )
        return None

    def _aside_until(self, probe: str, number: int) -> float:
        """The day on which the last setting aside ended that a probe had by a day, as a number.

        Infinite while it lasts. What was before a contact is another course than what came after.
        """
        ends = [
            inf if until is None else until / DAY_MS
            for begin, until in self.set_aside.get(probe, ())
            if begin < (number + 1) * DAY_MS
        ]
        return max(ends, default=-inf)

    def _compared(
        self, number: int, days: Mapping[str, Day], today: _Pump | None
    ) -> "dict[str, _Beside]":
        """Each probe with the peers that are sound themselves."""
        # Things come to rest on the day they are switched on: nothing is counted from there.
        first = max(number - LONGEST, (number if self.began is None else self.began) + 1)
        span = range(first, number + 1)
        alike = [today is not _Pump.BOTH and self._pump(each) in (today, None) for each in span]
        aside = {name: self._aside_until(name, number) for name in self._watched}
        rows = {
            name: [
                # The air about a wet face is another one while no water runs down it.
                one.memory.means.get(each, nan)
                if (same or not one.peers.in_air) and each > aside[name]
                else nan
                for each, same in zip(span, alike, strict=True)
            ]
            for name, one in self._watched.items()
            if one.checked is not None
        }
        sound = {name for name in rows if not _NO_PEER & self._watched[name].memory.standing.keys()}
        found = {}
        for name, one in self._watched.items():
            if one.checked is None or name not in days:
                continue
            peers = tuple(peer for peer in one.peers.names if peer in sound)
            others = [rows[peer] for peer in peers]
            off = apart(span, rows[name], others, one.peers, one.checked.limits)
            found[name] = _Beside(off, peers, rows[name], others)
        return found


def _watch_pump(one: Watched, times: Sequence[int], values: Sequence[float]) -> None:
    """Note of each day how often the pump was found running."""
    ran, least = one.memory.ran, one.probe.runs_from or 0.0
    for ms, value in zip(times, values, strict=True):
        if not isnan(value):
            running, seen = ran.get(ms // DAY_MS, (0, 0))
            ran[ms // DAY_MS] = running + (value >= least), seen + 1
    for old in [day for day in ran if day < times[-1] // DAY_MS - LONGEST]:
        del ran[old]


def _later(readings: Readings, at_ms: int | None) -> Readings:
    """The readings after a time: a clock that is set back gives times twice."""
    if at_ms is None or not readings.utc_ms or readings.utc_ms[0] > at_ms:
        return readings
    first = bisect_right(readings.utc_ms, at_ms)
    times, raw, values, flags, reasons = readings
    return Readings(times[first:], raw[first:], values[first:], flags[first:], reasons[first:])


def _left_alone(readings: Readings, times: Sequence[tuple[int, int | None]]) -> Readings:
    """The same with those of some times as if they were missing."""
    if not times:
        return readings
    flags = list(readings.flags)
    for begin, end in times:
        first = bisect_left(readings.utc_ms, begin)
        last = len(flags) if end is None else bisect_left(readings.utc_ms, end)
        flags[first:last] = [MISSING] * max(0, last - first)
    return readings._replace(flags=flags)


def _counting(readings: Readings) -> Sequence[float]:
    """The values that can be judged: no bounds, nothing that failed."""
    values, flags, reasons = readings.values, readings.flags, readings.reasons
    if flags.count(PASS) == len(flags) and not any(reasons):
        return values
    return [
        value if flag in (PASS, SUSPECT) and reason in _COUNTS else nan
        for value, flag, reason in zip(values, flags, reasons, strict=True)
    ]


def _add_to_hours(memory: Memory, times: Sequence[int], values: Sequence[float]) -> None:
    for ms, value in zip(times, values, strict=True):
        if not isnan(value):
            total, count = memory.hours.get(ms // HOUR_MS, (0.0, 0))
            memory.hours[ms // HOUR_MS] = total + value, count + 1


def _add_to_days(one: Watched, readings: Readings, counting: Sequence[float]) -> None:
    start, times, memory = 0, readings.utc_ms, one.memory
    while start < len(times):
        number = times[start] // DAY_MS
        end = len(times)
        if times[-1] >= (number + 1) * DAY_MS:
            end = bisect_left(times, (number + 1) * DAY_MS)
        if memory.sums is None or memory.sums.number != number:
            if memory.sums is not None:
                memory.waiting.append(memory.sums.over())
            memory.sums = DaySums(number)
        good = readings.flags[start:end].count(PASS)
        memory.sums.add(counting[start:end], good=good)
        start = end


def _suspicions(
    one: Watched, check: Check, flags: Flags, *times: Sequence[int]
) -> Iterator[Suspicion]:
    """Runs of flags that are suspect or worse; where there are many of them, all as one."""
    if max(flags, default=PASS) < SUSPECT:
        return
    bad = [i for i, flag in enumerate(flags) if SUSPECT <= flag <= FAIL]
    if not bad:
        return
    at = [ms for part in times for ms in part]
    runs = [[bad[0]]]
    for i in bad[1:]:
        if i == runs[-1][-1] + 1:
            runs[-1].append(i)
        else:
            runs.append([i])
    for run in runs if len(runs) <= _MANY else [bad]:
        worst = Flag(max(flags[i] for i in run))
        yield Suspicion(one.probe.name, check, worst, at[run[0]], at[run[-1]], len(run))
