"""Which faults a probe's readings, or its days, tell of. Pure."""

from bisect import bisect_left
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from itertools import pairwise
from math import isnan, nan
from statistics import median
from typing import NamedTuple

from longsoak.core.quality.change import Cusum, Ewma
from longsoak.core.quality.checks import (
    FAIL,
    MISSING,
    NOT_EVALUATED,
    SUSPECT,
    Close,
    Expected,
    Flags,
    piece_of,
)
from longsoak.core.quality.day import Day
from longsoak.core.quality.limits import (
    DAY,
    DAY_MS,
    REFERENCE_ALLOWANCE,
    REFERENCE_DECISION,
    REFERENCE_LASTING,
    Limits,
)
from longsoak.core.quality.peers import Apart
from longsoak.core.quality.trend import mann_kendall, theil_sen
from longsoak.core.quality.watched import Season, Standing, Streak, Watched
from longsoak.core.quality.words import (
    drift_words,
    front_end_words,
    noise_words,
    open_words,
    outside_words,
    short_words,
    sluggish_words,
    step_words,
    stuck_words,
)
from longsoak.vocabulary.flags import Reason
from longsoak.vocabulary.health import Fault, Finding
from longsoak.vocabulary.rig import Kind

MONTH = 30  # days
_AT_ONCE = 3  # readings on end that make an open or a shorted wire
_FEWEST = 12  # readings that can be told to move too little
_NOISE_LEARNT = 5  # days
_NOISIER = 4.0  # times the noise of these days
_NOISY_DAYS = 2  # on end
_OF_ONE_DAY = 0.6  # of a change: a step
_TOLD_AGAIN = 2.0  # times what was told
_REFERENCE_LEARNT = 3  # days
_OPEN = frozenset({Reason.OPEN_CIRCUIT, Reason.OVER_RANGE})
_SHORT = frozenset({Reason.SHORT_CIRCUIT})
_WIRED = (Kind.PINS, Kind.REFERENCE)


class Readings(NamedTuple):
    """Some readings of one probe in the order of time, column by column; NaN is none."""

    utc_ms: Sequence[int]
    raw: Sequence[float]
    values: Sequence[float]
    flags: Sequence[int]
    reasons: Sequence[int]


def wires(one: Watched, readings: Readings) -> Iterator[Finding]:
    """Open and shorted wires: so many readings on end, and gone after as many without."""
    streak = one.memory.streak
    calm = streak.fault is None and streak.length >= _AT_ONCE
    if one.probe.kind not in _WIRED or (calm and not any(readings.reasons)):
        return
    told: list[tuple[int, Fault | None]] = []
    for ms, flag, reason in zip(readings.utc_ms, readings.flags, readings.reasons, strict=True):
        if flag > FAIL:  # missing: says nothing of the wire
            continue
        if flag == FAIL and reason in _OPEN:
            told.append((ms, Fault.OPEN))
        else:
            told.append((ms, Fault.SHORT if reason in _SHORT else None))
    name = one.probe.name
    words = {Fault.OPEN: open_words(name), Fault.SHORT: short_words(name)}
    one.memory.streak = yield from _on_end(one, streak, told, words)


def outside(one: Watched, times: Sequence[int], values: Sequence[float]) -> Iterator[Finding]:
    """Beyond the band that is expected on such a day of the test: so many readings on end."""
    flags, season = [NOT_EVALUATED] * len(times), None
    for each, first, last in _seasons(one, times):
        flags[first:last] = Expected(each.band.low, each.band.high).flags(values[first:last])
        season = each
    streak = one.memory.outside
    calm = streak.fault is None and streak.length >= _AT_ONCE
    if not one.seasons or (calm and SUSPECT not in flags):
        return
    words, told = "", []
    for ms, flag, value in zip(times, flags, values, strict=True):
        if flag == SUSPECT and season is not None and not words:
            words = outside_words(one.probe, value, season.band)
        if flag != MISSING:
            told.append((ms, Fault.OUTSIDE if flag == SUSPECT else None))
    one.memory.outside = yield from _on_end(one, streak, told, {Fault.OUTSIDE: words})


def sluggish(one: Watched, times: Sequence[int], values: Sequence[float]) -> Iterator[Finding]:
    """Moves less within a day than is expected on such a day of the test: attenuated signal."""
    covered = 0
    for season, first, last in _seasons(one, times):
        if not season.band.moves or first == last:
            continue
        covered += last - first
        some, every = times[first:last], one.probe.every
        still = Close(season.band.moves, every, suspect=max(_FEWEST, 1 + int(DAY / every)))
        piece = piece_of([ms / 1000 for ms in some], values[first:last])
        flags, one.memory.sluggish = still.step(piece, one.memory.sluggish)
        words = sluggish_words(one.probe, season.band)
        yield from _lasting(one, Fault.SLUGGISH, still, (flags, some), lambda _: words)  # noqa: B023
    if times and not covered and Fault.SLUGGISH in one.memory.standing:
        yield over(one, Fault.SLUGGISH, times[0])


def _seasons(one: Watched, times: Sequence[int]) -> Iterator[tuple[Season, int, int]]:
    """The seasons that some of the times lie in, each with the places where they begin and end."""
    for season in one.seasons:
        first, last = bisect_left(times, season.from_ms), bisect_left(times, season.until_ms)
        if first < last:
            yield season, first, last


def _on_end(
    one: Watched,
    streak: Streak,
    told: Sequence[tuple[int, Fault | None]],
    words: Mapping[Fault, str],
) -> Generator[Finding, None, Streak]:
    """Faults that so many readings on end make, and as many without them end; the streak since."""
    fault, began_ms, length = streak
    for ms, tells in told:
        if tells is not fault:
            fault, began_ms, length = tells, ms, 0
        length += 1
        if length != _AT_ONCE:
            continue
        for other in words:
            if other is not fault and other in one.memory.standing:
                yield over(one, other, began_ms)
        if fault is not None and fault not in one.memory.standing:
            yield begun(one, fault, began_ms, ms, words[fault])
    return Streak(fault, began_ms, length)


def stuck(one: Watched, still: Close, flags: Flags, times: Sequence[int]) -> Iterator[Finding]:
    """One and the same raw value for long: begins with the first flag, over with the first not."""
    yield from _lasting(
        one, Fault.STUCK, still, (flags, times), lambda lasted: stuck_words(one.probe, lasted)
    )


def _lasting(
    one: Watched,
    fault: Fault,
    still: Close,
    found: tuple[Flags, Sequence[int]],
    words: Callable[[float], str],
) -> Iterator[Finding]:
    """A fault that begins with the first flag, and is over with the first reading without one."""
    standing = fault in one.memory.standing
    if not standing and max(found[0]) < SUSPECT:
        return
    for flag, ms in zip(*found, strict=True):
        if flag > FAIL:  # a reading that is missing neither moves nor rests
            continue
        if flag == SUSPECT and not standing:
            since_ms = ms - round(((still.suspect or 0) - 1) * one.probe.every * 1000)
            yield begun(one, fault, since_ms, ms, words((ms - since_ms) / 1000))
        elif flag < SUSPECT and standing:
            yield over(one, fault, ms)
        standing = fault in one.memory.standing


def gone_away(
    one: Watched, limits: Limits, off: Apart, names: Sequence[str], at_ms: int
) -> Iterator[Finding]:
    """A step away from its neighbours, or a drift, told again once it is twice what was told."""
    held = next((f for f in (Fault.STEP, Fault.DRIFT) if f in one.memory.standing), None)
    since, change = off.since, off.change
    if held is not None:
        known = one.memory.standing[held]
        since = known.since_ms // DAY_MS - (1 if held is Fault.STEP else 0)
        path = off.since_day(since)
        if not path or path[0][0] != since:  # longer ago than is looked back
            return
        change = path[-1][1]
        if abs(change) < limits.apart / 2:
            for day, _ in path[1:-1]:  # they were wrong: nothing is counted from there
                one.memory.means[day] = nan
            yield over(one, held, at_ms)
        if held is Fault.STEP or abs(change) < _TOLD_AGAIN * known.told:
            return
    elif off.excess <= limits.apart:
        return
    days, away = zip(*off.since_day(since), strict=True)
    figures = {"change": change, "beyond what may be": off.excess}
    largest, jumped = max(
        (abs(b - a), day) for day, (a, b) in zip(days[1:], pairwise(away), strict=True)
    )
    if held is None and largest >= _OF_ONE_DAY * abs(change):
        fault, since_ms = Fault.STEP, jumped * DAY_MS
        says = step_words(one.probe, change, since_ms, names)
    else:
        fault, since_ms = Fault.DRIFT, since * DAY_MS
        slope = theil_sen(days, away)
        month = MONTH * slope.slope, MONTH * slope.low, MONTH * slope.high
        figures |= dict(zip(("a month", "at least", "at most"), month, strict=True))
        figures["p"] = mann_kendall(away).p
        says = drift_words(one.probe, change, month, since_ms, names)
    yield begun(one, fault, since_ms, at_ms, says, against=names, figures=figures, told=abs(change))


def noise(one: Watched, limits: Limits, day: Day, at_ms: int) -> Iterator[Finding]:
    """A probe that wavers far more than it did in its first days, for days."""
    memory = one.memory
    if isnan(day.noise):
        return
    if len(memory.noises) < _NOISE_LEARNT:
        memory.noises.append(day.noise)
        return
    usual = max(limits.noise, median(memory.noises))
    memory.noisy = memory.noisy + 1 if day.noise > _NOISIER * usual else 0
    if memory.noisy >= _NOISY_DAYS and Fault.NOISE not in memory.standing:
        says = noise_words(one.probe, day.noise, usual)
        figures = {"noise": day.noise, "usual": usual}
        since_ms = at_ms - _NOISY_DAYS * DAY_MS
        yield begun(one, Fault.NOISE, since_ms, at_ms, says, figures=figures)
    elif not memory.noisy and Fault.NOISE in memory.standing:
        yield over(one, Fault.NOISE, at_ms)


def front_end(one: Watched, day: Day, at_ms: int) -> Iterator[Finding]:
    """A reference resistor that is read otherwise than in its first days: by CUSUM, or EWMA."""
    memory, nominal = one.memory, one.probe.nominal
    if isnan(day.mean) or nominal is None:
        return
    off = (day.mean / nominal - 1) * 100
    if len(memory.off) < _REFERENCE_LEARNT:
        memory.off.append(off)
        return
    usual = median(memory.off)
    sums, average = Cusum(REFERENCE_ALLOWANCE, REFERENCE_DECISION), Ewma(*REFERENCE_LASTING)
    memory.cusum = sums.step(memory.cusum, off - usual)
    memory.average = average.step(memory.average, off - usual)
    moved = bool(sums.signal(memory.cusum) or average.signal(memory.average))
    if moved and Fault.FRONT_END not in memory.standing:
        days = [day for day in sorted(memory.means) if not isnan(memory.means[day])]
        away = {day: (memory.means[day] / nominal - 1) * 100 for day in days}
        since = _off_since(away, usual, average.limit / 2)
        later = [day for day in days if day >= since]
        month = nan
        if len(later) > 1:
            month = MONTH * theil_sen(later, [away[day] for day in later]).slope
        says = front_end_words(one.probe, off, month, since * DAY_MS)
        figures = {"off": off, "a month": month}
        yield begun(one, Fault.FRONT_END, since * DAY_MS, at_ms, says, figures=figures)
    elif not moved and Fault.FRONT_END in memory.standing:
        yield over(one, Fault.FRONT_END, at_ms)


def _off_since(away: Mapping[int, float], usual: float, least: float) -> int:
    """The first of the days on end, up to the last, on which it was off by `least` or more."""
    since = max(away)
    for day in sorted(away, reverse=True):
        if abs(away[day] - usual) < least:
            break
        since = day
    return since


def begun(
    one: Watched,
    fault: Fault,
    since_ms: int,
    found_ms: int,
    says: str,
    *,
    against: Sequence[str] = (),
    figures: Mapping[str, float] | None = None,
    told: float = 0.0,
) -> Finding:
    """Note that a fault stands from now on; the finding that tells it."""
    one.memory.standing[fault] = Standing(since_ms, told)
    return Finding(
        one.probe.name,
        fault,
        since_ms,
        found_ms,
        says,
        against=tuple(against),
        figures=figures or {},
    )


def over(one: Watched, fault: Fault, at_ms: int) -> Finding:
    """Note that a fault stands no longer; the finding that tells it."""
    since_ms = one.memory.standing.pop(fault).since_ms
    says = f"{one.probe.name}: {fault.value} no longer"
    return Finding(one.probe.name, fault, since_ms, at_ms, says, over=True)
