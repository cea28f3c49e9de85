"""What the alarms of a time came to for whoever has to answer them: floods and chatter. Pure.

The rates and where they are from: `longsoak.core.alarmrates`.
"""

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import inf

from longsoak.core.alarmrates import Chatter, Flood, Rates
from longsoak.core.wording import age_words, with_noun
from longsoak.vocabulary.alarm import AlarmChange

_RATES = Rates()
_PUBLISHED = "ISA-18.2, EEMUA 191"


@dataclass(frozen=True, slots=True)
class Chattered:
    """One alarm that chattered: how often it came in that, when last, and whether it goes on."""

    key: str
    times: int
    last_ms: int
    goes_on: bool


@dataclass(frozen=True, slots=True)
class AlarmLoad:
    """How close together alarms came.

    `most` came within one span of a flood at most, the first of them at `most_ms`; `floods` are
    when each flood began, UTC ms; `goes_on` is whether the last of them is not over.
    """

    most: int
    most_ms: int
    floods: tuple[int, ...]
    goes_on: bool
    chattered: tuple[Chattered, ...]

    @property
    def calm(self) -> bool:
        """Whether there was neither a flood nor chatter."""
        return not (self.floods or self.chattered)


def alarm_load(changes: Sequence[AlarmChange], *, now_ms: int) -> AlarmLoad:
    """What some changes came to.

    A flood is of alarms that people were told of; an alarm chatters whoever was told.

    Parameters
    ----------
    changes : sequence of AlarmChange
        In any order.
    now_ms : int
        UTC, ms since 1970.
    """
    came = sorted((c for c in changes if c.came), key=lambda change: change.utc_ms)
    told = [change.utc_ms for change in came if change.told]
    most, most_ms = _most(told, round(_RATES.flood_span * 1000))
    floods, flood = [], Flood(_RATES)
    for utc_ms in told:
        was = flood.look(utc_ms / 1000)
        flood.raised(utc_ms / 1000)
        if flood.look(utc_ms / 1000) and not was:
            floods.append(utc_ms)
    goes_on = flood.look(now_ms / 1000)
    return AlarmLoad(most, most_ms, tuple(floods), goes_on, _chattered(came, now_ms))


def load_words(
    load: AlarmLoad, *, days: int, titles: Mapping[str, str], when: Callable[[int], str]
) -> tuple[str, str]:
    """One sentence or two about floods, and about chatter.

    Parameters
    ----------
    days : int
        How many days it is of.
    titles : mapping
        What alarms are called, by key.
    when : callable
        A moment in words.
    """
    lately, span = f"in the last {days} days", age_words(_RATES.flood_span)
    limit = f"a flood is more than {_RATES.flood} ({_PUBLISHED})"
    most = f"at most {with_noun(load.most, 'alarm')} came within {span}, at {when(load.most_ms)}"
    if load.goes_on:
        flood = f"A flood now, since {when(load.floods[-1])}: {most}; {limit}."
    elif load.floods:
        found, last = with_noun(len(load.floods), "flood"), when(load.floods[-1])
        flood = f"{found} {lately}, the last at {last}: {most}; {limit}."
    elif load.most:
        flood = f"No flood {lately}: {most}; {limit}."
    else:
        flood = f"No flood {lately}: no alarm came; {limit} within {span}."
    least = (
        f"an alarm chatters that comes {_RATES.chatter} times or more within "
        f"{age_words(_RATES.chatter_span)} ({_PUBLISHED})"
    )
    if not load.chattered:
        return flood, f"None chattered: {least}."
    said = ", ".join(
        f"{titles.get(each.key, each.key)} ({'still, ' if each.goes_on else ''}{each.times} times, "
        f"the last {when(each.last_ms)})"
        for each in load.chattered
    )
    return flood, f"Chattered: {said}; {least}."


def _most(times: Sequence[int], span: int) -> tuple[int, int]:
    """The most that lie within a span, and when the first of those came."""
    most, first = 0, 0
    for place, at in enumerate(times):
        count = bisect_right(times, at + span - 1) - place
        if count > most:
            most, first = count, at
    return most, first


def _chattered(came: Sequence[AlarmChange], now_ms: int) -> tuple[Chattered, ...]:
    chatter = Chatter(_RATES)
    last: dict[str, int] = {}
    times: dict[str, int] = {}
    for change in came:
        at = change.utc_ms / 1000
        _add(times, chatter.calmed(at))
        chatter.raised(change.key, at)
        if change.key in chatter:
            last[change.key] = change.utc_ms
    _add(times, chatter.calmed(now_ms / 1000))
    going = {key for key in last if key in chatter}
    _add(times, chatter.calmed(inf))
    found = [Chattered(key, times[key], last[key], key in going) for key in last]
    return tuple(sorted(found, key=lambda each: -each.last_ms))


def _add(times: dict[str, int], calmed: Sequence[tuple[str, int]]) -> None:
    for key, count in calmed:
        times[key] = times.get(key, 0) + count
