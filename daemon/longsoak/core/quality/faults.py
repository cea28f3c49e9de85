"""Which faults a probe's readings, or its days, tell of. Pure."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from math import isnan, nan
from statistics import median
from typing import NamedTuple

from longsoak.core.quality.change import Cusum, Ewma
from longsoak.core.quality.checks import FAIL, SUSPECT, Close
from longsoak.core.quality.day import Day
from longsoak.core.quality.limits import (
    REFERENCE_ALLOWANCE,
    REFERENCE_DECISION,
    REFERENCE_LASTING,
    Limits,
)
from longsoak.core.quality.peers import Apart
from longsoak.core.quality.trend import mann_kendall, theil_sen
from longsoak.core.quality.watched import Standing, Streak, Watched
from longsoak.core.quality.words import (
    drift_words,
    front_end_words,
    noise_words,
    open_words,
    short_words,
    step_words,
    stuck_words,
)
from longsoak.vocabulary.flags import Reason
from longsoak.vocabulary.health import Fault, Finding
from longsoak.vocabulary.rig import Kind

DAY_MS = 86_400_000
MONTH = 30  # days
_AT_ONCE = 3  # readings on end that make an open or a shorted wire
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
    fault, began_ms, length = one.memory.streak
    calm = fault is None and length >= _AT_ONCE
    if one.probe.kind not in _WIRED or (calm and not any(readings.reasons)):
        return
    for ms, flag, reason in zip(readings.utc_ms, readings.flags, readings.reasons, strict=True):
        if flag > FAIL:  # missing: says nothing of the wire
            continue
        tells = None
        if flag == FAIL and reason in _OPEN:
            tells = Fault.OPEN
        elif reason in _SHORT:
            tells = Fault.SHORT
        if tells is not fault:
            fault, began_ms, length = tells, ms, 0
        length += 1
        if length != _AT_ONCE:
            continue
        for other in (Fault.OPEN, Fault.SHORT):
            if other is not fault and other in one.memory.standing:
                yield _over(one, other, began_ms)
        if fault is not None and fault not in one.memory.standing:
            words = open_words if fault is Fault.OPEN else short_words
            yield _begun(one, fault, began_ms, ms, words(one.probe.name))
    one.memory.streak = Streak(fault, began_ms, length)


def stuck(
    one: Watched, still: Close, flags: Sequence[int], times: Sequence[int]
) -> Iterator[Finding]:
    """One and the same raw value for long: begins with the first flag, over with the first not."""
    standing = Fault.STUCK in one.memory.standing
    if not standing and max(flags) < SUSPECT:
        return
    for ms, flag in zip(times, flags, strict=True):
        if flag > FAIL:  # a reading that is missing neither moves nor rests
            continue
        if flag == SUSPECT and not standing:
            needed = still.suspect or 0
            since_ms = ms - round((needed - 1) * one.probe.every * 1000)
            yield _begun(
                one, Fault.STUCK, since_ms, ms, stuck_words(one.probe, (ms - since_ms) / 1000)
            )
        elif flag < SUSPECT and standing:
            yield _over(one, Fault.STUCK, ms)
        standing = Fault.STUCK in one.memory.standing


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
            yield _over(one, held, at_ms)
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
    yield _begun(
        one, fault, since_ms, at_ms, says, against=names, figures=figures, told=abs(change)
    )


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
        yield _begun(one, Fault.NOISE, since_ms, at_ms, says, figures=figures)
    elif not memory.noisy and Fault.NOISE in memory.standing:
        yield _over(one, Fault.NOISE, at_ms)


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
        yield _begun(one, Fault.FRONT_END, since * DAY_MS, at_ms, says, figures=figures)
    elif not moved and Fault.FRONT_END in memory.standing:
        yield _over(one, Fault.FRONT_END, at_ms)


def _off_since(away: Mapping[int, float], usual: float, least: float) -> int:
    """The first of the days on end, up to the last, on which it was off by `least` or more."""
    since = max(away)
    for day in sorted(away, reverse=True):
        if abs(away[day] - usual) < least:
            break
        since = day
    return since


def _begun(
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


def _over(one: Watched, fault: Fault, at_ms: int) -> Finding:
    since_ms = one.memory.standing.pop(fault).since_ms
    says = f"{one.probe.name}: {fault.value} no longer"
    return Finding(one.probe.name, fault, since_ms, at_ms, says, over=True)
