"""What days on end show of a pair of pins that its neighbours alone do not. Pure."""

from collections.abc import Iterator, Sequence
from math import isnan, nan
from statistics import median

from longsoak.core.quality.change import Cusum
from longsoak.core.quality.day import Day
from longsoak.core.quality.faults import begun, over
from longsoak.core.quality.limits import (
    DAY_MS,
    POLARISED,
    POLARISED_ALLOWANCE,
    POLARISED_DECISION,
    SOAKS,
    WICKS,
    WICKS_DAYS,
)
from longsoak.core.quality.peers import Apart, beside_what_went_before
from longsoak.core.quality.watched import BASE_DAYS, Watched
from longsoak.core.quality.words import (
    condensation_words,
    cross_talk_words,
    polarised_words,
    soaks_words,
    wicking_words,
)
from longsoak.vocabulary.health import Fault, Finding

HOUR_MS = 3_600_000
_TOGETHER = 3  # jumps in one and the same scan that are no chance
_SHARE = 0.8  # of all jumps of either pair
_CALM_DAYS = 2  # without one, and it is over


def soaks(
    one: Watched,
    own: Sequence[float],
    others: Sequence[Sequence[float]],
    off: Apart | None,
    names: Sequence[str],
    at_ms: int,
) -> Iterator[Finding]:
    """Gets wetter within days, and neither had begun to nor do its neighbours: leakage looks so."""
    standing = one.memory.standing
    if Fault.SOAKS in standing:
        path = [] if off is None else off.since_day(standing[Fault.SOAKS].since_ms // DAY_MS)
        if path and path[-1][1] < standing[Fault.SOAKS].told / 2:
            yield over(one, Fault.SOAKS, at_ms)
        return
    found = beside_what_went_before(own, others)
    if found is None or {Fault.STEP, Fault.DRIFT} & standing.keys():
        return
    least, most = SOAKS
    if not found.excess > max(least, min(found.usual, most)):
        return
    since_ms = at_ms - found.days * DAY_MS
    says = soaks_words(one.probe, found.change, found.days, names)
    figures = {"change": found.change, "beyond what may be": found.excess}
    yield begun(
        one, Fault.SOAKS, since_ms, at_ms, says, against=names, figures=figures, told=found.change
    )


def polarised(meter: Watched, pair: Watched, day: Day, at_ms: int) -> Iterator[Finding]:
    """What a pair's two polarities differ by has moved from what it was, or is large."""
    memory = meter.memory
    if isnan(day.mean) or len(memory.base) < BASE_DAYS:
        return
    usual = median(memory.base)
    chart = Cusum(POLARISED_ALLOWANCE, POLARISED_DECISION)
    memory.cusum = chart.step(memory.cusum, day.mean - usual)
    moved = bool(chart.signal(memory.cusum)) or abs(day.mean) > POLARISED
    if moved and Fault.POLARISED not in pair.memory.standing:
        days = sorted(each for each, mean in memory.means.items() if not isnan(mean))
        since = days[-1]
        for each in reversed(days):
            if abs(memory.means[each] - usual) < POLARISED_ALLOWANCE:
                break
            since = each
        says = polarised_words(pair.probe, day.mean, usual)
        figures = {"differ by, mV": day.mean, "in its first days, mV": usual}
        against = (meter.probe.name,)
        yield begun(
            pair, Fault.POLARISED, since * DAY_MS, at_ms, says, against=against, figures=figures
        )
    elif not moved and Fault.POLARISED in pair.memory.standing:
        yield over(pair, Fault.POLARISED, at_ms)


def wicking(deep: Watched, near: Watched, at_ms: int) -> Iterator[Finding]:
    """Has become wetter than a pair nearer to the wet face, which does not dry, for days."""
    memory, number = deep.memory, at_ms // DAY_MS - 1
    base = [median(w.memory.base) if len(w.memory.base) >= BASE_DAYS else nan for w in (deep, near)]
    now = [w.memory.means.get(number, nan) for w in (deep, near)]
    wetter, risen = now[0] - now[1], now[0] - base[0]
    if isnan(wetter) or isnan(risen) or isnan(base[1]):
        return
    standing = Fault.WICKING in memory.standing
    wettest = max(mean for mean in near.memory.means.values() if not isnan(mean))
    dries = now[1] < wettest - WICKS / 2
    ahead = wetter - max(0.0, base[0] - base[1])
    memory.wicks = memory.wicks + 1 if min(ahead, risen) > WICKS and not dries else 0
    if memory.wicks >= WICKS_DAYS and not standing:
        says = wicking_words(deep.probe, near.probe, risen, wetter)
        figures = {"risen": risen, "wetter than the nearer one": wetter}
        since_ms = at_ms - memory.wicks * DAY_MS
        against = (near.probe.name,)
        yield begun(deep, Fault.WICKING, since_ms, at_ms, says, against=against, figures=figures)
    elif standing and ahead < WICKS / 2:
        yield over(deep, Fault.WICKING, at_ms)


def condensation(
    pair: Watched, surface: Watched, humidity: Watched, temperature: Watched, at_ms: int
) -> Iterator[Finding]:
    """The dry face was at the room's dew point, or within doubt of it, for hours of a day."""
    from longsoak.core.humidity import condensation_margin

    hours = range((at_ms - DAY_MS) // HOUR_MS, at_ms // HOUR_MS)
    margins = []
    for hour in hours:
        read = [w.memory.hours.get(hour) for w in (surface, temperature, humidity)]
        if any(each is None for each in read):
            continue
        face, room, damp = (total / count for total, count in filter(None, read))
        if not (1 <= damp <= 100 and -40 <= room <= 60 and -40 <= face <= 60):
            continue
        found = condensation_margin(
            face,
            temperature=room,
            relative_humidity=damp,
            u_surface=0.25,
            u_temperature=0.25,
            u_relative_humidity=1.0,
        )
        margins.append((found.value, found.uncertainty))
    wet = [margin for margin, doubt in margins if margin <= 2 * doubt]
    standing = Fault.CONDENSATION in pair.memory.standing
    if wet and not standing:
        says = condensation_words(pair.probe, surface.probe, len(wet), min(wet))
        figures = {"hours": float(len(wet)), "least above the dew point, K": min(wet)}
        against = tuple(w.probe.name for w in (surface, temperature, humidity))
        yield begun(
            pair,
            Fault.CONDENSATION,
            at_ms - DAY_MS,
            at_ms,
            says,
            against=against,
            figures=figures,
        )
    elif standing and margins and not wet:
        yield over(pair, Fault.CONDENSATION, at_ms)


def cross_talk(pins: Sequence[Watched], at_ms: int) -> Iterator[Finding]:
    """Two pairs on one bus that jump in the same scans, and no others: a contact between them.

    Parameters
    ----------
    pins : sequence of Watched
        The pairs on one bus. What they remember of jumps up to `at_ms` is let go.
    at_ms : int
        The end of the day.
    """
    struck = {one.probe.name: [ms for ms in one.memory.struck if ms < at_ms] for one in pins}
    together: dict[int, list[str]] = {}
    for name, times in struck.items():
        for ms in times:
            together.setdefault(ms, []).append(name)
    for one in pins:
        memory, own = one.memory, struck[one.probe.name]
        memory.struck = [ms for ms in memory.struck if ms >= at_ms]
        partners = [
            name
            for ms in own
            if len(together[ms]) == 2
            for name in together[ms]
            if name != one.probe.name
        ]
        other = max(partners, key=partners.count, default="")
        count, jumps = partners.count(other), max(len(own), len(struck.get(other, ())))
        standing = Fault.CROSS_TALK in memory.standing
        if count >= _TOGETHER and count >= _SHARE * jumps:
            memory.calm = 0
            if not standing:
                says = cross_talk_words(one.probe, other, count)
                figures = {"jumps together": float(count), "its jumps": float(len(own))}
                yield begun(
                    *(one, Fault.CROSS_TALK, min(own), at_ms, says),
                    against=(other,),
                    figures=figures,
                )
        elif standing:
            memory.calm += 1
            if memory.calm >= _CALM_DAYS:
                yield over(one, Fault.CROSS_TALK, at_ms)


def layered(all_of: Sequence[Watched]) -> list[tuple[Watched, Watched]]:
    """Of pairs of pins, each with the next one alike that is nearer to the wet face, same place."""
    found = []
    for deep in all_of:
        near = [
            other
            for other in all_of
            if _above(other) == _above(deep) and (other.probe.depth or 0) < (deep.probe.depth or 0)
        ]
        if near:
            found.append((deep, max(near, key=lambda other: other.probe.depth or 0)))
    return found


def _above(one: Watched) -> tuple[object, ...]:
    p = one.probe
    return p.bay, p.height, p.across, p.curve, p.quantity
