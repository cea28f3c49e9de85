"""What the balance tells that nobody wants: leak, rise, stuck level, a pump that stands. Pure.

What was lost in the last hours is held against what was usually lost in as many hours of the two
weeks before, in air as it is now where that is measured. So weather widens the bounds by itself,
and a rig is judged by its own past.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import accumulate, pairwise
from math import isnan, nan, sqrt
from statistics import median
from typing import Any, NamedTuple

from longsoak.core.quality.trend import scatter_about, theil_sen
from longsoak.core.water.decline import DAY, HOUR, PAN_FILLED
from longsoak.core.wording import with_noun
from longsoak.vocabulary.water import Found, WaterHour, WaterNews


class _Look(NamedTuple):
    """A window: its length, h, and what in it is a leak.

    That is `factor` times the usual, or `dry` times what a pan or the room's air leads to where one
    is measured, and `sigmas` of what such windows differ by, which is `spread` of the usual at the
    least, and `least` mm more. `history` is what is needed of the past, h. Own choice, found on
    simulated years in which days differ by a third and hang together (tests/core/water): the
    longer, the finer, but weather lasts for days.
    """

    hours: float
    factor: float
    dry: float
    sigmas: float
    least: float
    history: float
    spread: float = 0.07


LOOKS = (
    _Look(3, 4.0, 2.4, 8.0, 2.0, 36),
    _Look(12, 2.6, 1.7, 6.0, 2.0, 72),
    _Look(24, 2.3, 1.45, 5.0, 2.0, 96),
    _Look(48, 2.1, 1.35, 4.5, 2.0, 144),
    _Look(120, 2.0, 1.2, 5.0, 2.0, 336, 0.03),
)
_COVERED = 0.7  # of a window that has to be measured
_FITTED = 24.0  # h, at most, of windows by which it is told what the air does to the loss
_FEWEST = 4  # windows that tell what is usual
_ENOUGH = 8  # windows from which what the air does to the loss can be told
_MOST_PAIRED = 40  # of them that are looked at: pairs grow with their square
_LEAST_SHARE = 0.2  # of the usual: even in wet air so much is lost
_SOAKS_AGAIN = 48.0  # h after a pump that stood: a specimen takes up again what it lost meanwhile
_STOOD = 2.0  # h that it has to have stood for that
_RUNS = 0.9  # of a window: a pump that runs
_STILL = 0.4  # of the usual: evaporation from the reservoir alone, the face gets no water
_FLAT = 0.1  # of the usual: water never evaporates that little
_FLAT_MM = 2.0  # that should have been lost before a level is called stuck
_RISE_MM = 3.0
_OVER = 12.0  # h of losing as usual after which it is over
_SLOW, _SLOW_OVER = 48.0, 24.0  # h: looks from so long on, and the same for what they found


class _Part(NamedTuple):
    """From one hour to the next of the same stretch: s, L lost, running share, lack of vapour."""

    until: float
    lasts: float
    fell: float
    noise: float
    running: float
    dries: float


@dataclass(slots=True)
class Losses:
    """Judges each hour by those before; remembers what stands, and what was usual before it."""

    standing: dict[str, dict[str, float]] = field(default_factory=dict)
    # Of what stands, the hours it was found in, L/d beyond the usual, and what is in `_Usual`.
    beside: dict[str, tuple[float, ...]] = field(default_factory=dict)
    past: list[tuple[float, float]] = field(default_factory=list)  # times that were not as usual
    # By the hours of a look: until when it is taken to be so, and what is in `_Usual`.
    usual: dict[str, tuple[float, float, float, float, float]] = field(default_factory=dict)
    parts: list[_Part] = field(default_factory=list)  # of the hours, made once

    def memory(self) -> dict[str, Any]:
        """What it goes on from, as plain values."""
        return {
            "standing": self.standing,
            "beside": self.beside,
            "past": self.past,
            "usual": self.usual,
        }

    def judge(self, hours: Sequence[WaterHour], *, pump_known: bool) -> list[WaterNews]:
        """Judge the newest hour; `hours` are about three weeks, the newest last.

        Parameters
        ----------
        hours : sequence of WaterHour
            In the order taken.
        pump_known : bool
            Whether a flow or a current tells what the pump does: the balance is not asked then.
        """
        self._make_parts(hours)
        if not self.parts:
            return []
        self.past = [(begin, end) for begin, end in self.past if end > self.parts[0].until]
        sums = _Sums(self.parts, self.past)
        now, surface = self.parts[-1].until, hours[-1].surface
        found = self._ends(sums, now)
        if self.standing:
            return found
        for look in LOOKS:
            here = sums.window(now, look.hours * HOUR)
            if here is None or self._was_over(now - look.hours * HOUR):
                continue
            usual = self._usual(look, sums, now)
            if usual is None:
                continue
            then = usual.in_air_that(here.dries)
            recent = sums.window(now, min(look.hours, _OVER) * HOUR)
            if recent is not None and not usual.still_off(recent, here.rate - then.rate):
                continue  # it is over already
            told = self._told(look, here, then, sums, now, surface, pump_known=pump_known)
            if told is not None:
                self.beside[told.found] = (look.hours, here.rate - then.rate, *usual)
                return [*found, told]
        return found

    def _make_parts(self, hours: Sequence[WaterHour]) -> None:
        """What went from one hour to the next; but for the newest it is there already."""
        if self.parts and len(hours) > 2 and self.parts[-1].until >= hours[-3].at:
            self.parts = [part for part in self.parts if part.until > hours[0].at]
            at = max(0, len(hours) - 3)
            self.parts += [p for p in _parts(hours[at:]) if p.until > self.parts[-1].until]
        else:
            self.parts = _parts(hours)

    def _usual(self, look: _Look, sums: "_Sums", now: float) -> "_Usual | None":
        """What is usual, looked at anew a few times in a look's length."""
        kept = self.usual.get(f"{look.hours:g}")
        if kept is not None and kept[0] > now:
            return _Usual(*kept[1:])
        found = sums.usual(look, before=now - (72 if look.hours >= 48 else look.hours) * HOUR)
        if found is not None:
            until = now + max(2.0, look.hours / 4) * HOUR
            self.usual[f"{look.hours:g}"] = (until, *found)
        return found

    def stop(self, found: Found, now: float) -> list[WaterNews]:
        """End what stands of a kind: it was seen to be otherwise."""
        kept = self.standing.pop(found, None)
        self.beside.pop(found, None)
        if kept is None:
            return []
        self.past.append((kept["begin"], now))
        self.usual.clear()
        return [WaterNews(found, kept["begin"], now, f"{_NAMES[found]} is over.", figures=kept)]

    def says(self, found: Found) -> str | None:
        """How it stands with what was found, while it does; None where it does not."""
        kept = self.standing.get(found)
        if kept is None:
            return None
        now, usual = kept["litres_per_day"], kept["usual_litres_per_day"]
        lost = f"{now:.2f} L/d are lost" if now > -0.005 else f"{-now:.2f} L/d come in"
        return f"{lost}, {usual:.2f} L/d are lost usually."

    def _was_over(self, since: float) -> bool:
        """Whether something was over since a time: what a window still holds of it is known."""
        return any(end > since for _, end in self.past)

    def _told(
        self,
        look: _Look,
        here: "_Window",
        usual: "_Usual",
        sums: "_Sums",
        now: float,
        surface: float,
        *,
        pump_known: bool,
    ) -> WaterNews | None:
        expected, spread = usual.rate, usual.spread
        factor = look.factor if isnan(usual.follows) else look.dry
        days = here.lasts / DAY
        mm = surface / days  # L/d that one mm in the window is
        noise = 3.0 * here.noise / days
        bound = max(factor * expected, expected + look.sigmas * spread)
        soaking = sums.soaks_again(now, max(_SOAKS_AGAIN, look.hours))
        if soaking:
            bound *= 2.0
        bound = max(bound, expected + look.least * mm, expected + noise)
        if here.rate > bound and not (soaking and look.hours > 3):
            since = sums.since(now, (here.rate + expected) / 2, above=True)
            return self._begin(Found.LEAK, here, usual, since)
        rises = min(-_RISE_MM * mm, expected - look.sigmas * spread - _RISE_MM * mm, -noise)
        if look.hours <= 24 and here.rate < rises:
            return self._begin(Found.RISES, here, usual, now - here.lasts)
        if look.hours < 24 or expected * days < max(_FLAT_MM * surface, 3.0 * here.noise):
            return None
        stood = here.running < _RUNS  # what the tray alone gives off may be next to nothing
        if abs(here.rate) < _FLAT * expected and not stood:
            since = sums.since(now, expected / 2, above=False)
            return self._begin(Found.STUCK, here, usual, since)
        low = min(_STILL * expected, expected - 4.0 * spread)
        if not pump_known and here.rate < low:
            return self._begin(Found.PUMP_STILL, here, usual, now - here.lasts)
        return None

    def _begin(self, kind: Found, here: "_Window", usual: "_Usual", begin: float) -> WaterNews:
        figures = {
            "begin": begin,
            "litres_per_day": here.rate,
            "usual_litres_per_day": usual.rate,
            "spread": usual.spread,
            "hours": here.lasts / HOUR,
        }
        self.standing[kind] = figures
        last = with_noun(round(here.lasts / HOUR), "hour")
        now, then = f"{here.rate:.2f} L/d in the last {last}", f"{usual.rate:.2f} L/d usually"
        says = {
            Found.LEAK: f"More water is lost than evaporates: {now}, {then}. Look under and "
            "around the reservoir, at hose, pump and joints, from a dry floor.",
            Found.RISES: f"The level rises and nobody pours: {-here.rate:.2f} L/d in the last "
            f"{last}. Water comes in, or the sensor drifts: look at the water with your own eyes.",
            Found.STUCK: f"The level does not move: {now}, {then}. The sensor may be stuck, "
            "fouled or dry: look at the water with your own eyes.",
            Found.PUMP_STILL: f"Less water is lost than with wet faces: {now}, {then}. The "
            "pump may stand still: look whether water runs.",
        }[kind]
        return WaterNews(kind, begin, None, says, figures=figures)

    def _ends(self, sums: "_Sums", now: float) -> list[WaterNews]:
        found: list[WaterNews] = []
        for name, kept in list(self.standing.items()):
            hours, beyond, *known = self.beside[name]
            # What took long to find takes a day to end, or a warm afternoon would end it.
            over = (_OVER if hours < _SLOW else _SLOW_OVER) * HOUR
            here = sums.window(now, over)
            if here is None or now - kept["begin"] < over:
                continue
            if not _Usual(*known).still_off(here, beyond):
                found += self.stop(Found(name), now)
        return found


_NAMES = {
    Found.LEAK: "The leak",
    Found.RISES: "The rise",
    Found.STUCK: "The standstill of the level",
    Found.PUMP_STILL: "The low loss",
}


class _Window(NamedTuple):
    rate: float  # L/d
    lasts: float  # s, of what was measured
    noise: float  # L
    dries: float  # Pa, or mm/d of a pan
    running: float  # share of it in which the pump ran, as far as is known


class _Usual(NamedTuple):
    """What is usual, L/d; `follows` L/d for each unit that the air dries more than `dries`.

    NaN where the air is not measured.
    """

    rate: float
    spread: float
    dries: float
    follows: float

    def in_air_that(self, dries: float) -> "_Usual":
        """The same in air that dries so much."""
        if isnan(self.follows) or isnan(dries):
            return self._replace(follows=nan)
        rate = self.rate + self.follows * (dries - self.dries)
        return self._replace(rate=max(rate, _LEAST_SHARE * self.rate), dries=dries)

    def still_off(self, here: _Window, beyond: float) -> bool:
        """Whether a window is nearer to `beyond` the usual, L/d, than to the usual in such air."""
        off = here.rate - self.in_air_that(here.dries).rate
        return off > beyond / 2 if beyond > 0 else off < beyond / 2


class _Sums:
    """Sums over any window of the parts, each looked up at once."""

    def __init__(self, parts: Sequence[_Part], past: Sequence[tuple[float, float]]) -> None:
        self.past = past
        self.parts = parts
        self.times = [part.until for part in parts]
        self.fell = [0.0, *accumulate(part.fell for part in parts)]
        self.lasts = [0.0, *accumulate(part.lasts for part in parts)]
        dries = [0.0 if isnan(part.dries) else part.dries for part in parts]
        self.dries = [0.0, *accumulate(dries)]
        self.known = [0, *accumulate(not isnan(part.dries) for part in parts)]
        # A part of which it is not known counts as run: the level alone has to say it then.
        ran = (part.lasts * (1.0 if isnan(part.running) else part.running) for part in parts)
        self.ran = [0.0, *accumulate(ran)]
        self.noise = median(part.noise for part in parts)

    def window(self, until: float, lasts: float) -> _Window | None:
        """What was lost in a time up to one; None where too little of it was measured."""
        low, high = bisect_right(self.times, until - lasts), bisect_right(self.times, until)
        measured = self.lasts[high] - self.lasts[low]
        if measured < _COVERED * lasts:
            return None
        known = self.known[high] - self.known[low]
        return _Window(
            (self.fell[high] - self.fell[low]) / measured * DAY,
            measured,
            self.noise * sqrt(2.0),
            (self.dries[high] - self.dries[low]) / known if known else nan,
            (self.ran[high] - self.ran[low]) / measured,
        )

    def usual(self, look: _Look, *, before: float) -> _Usual | None:
        """What windows as long as a look's lost before a time, their middle and their spread."""
        high = bisect_right(self.times, before)
        if self.lasts[high] < look.history * HOUR:
            return None
        found = self._windows(look.hours, high)
        if len(found) < _FEWEST:
            return None
        rates = [window.rate for window in found]
        middle = median(rates)
        dries, follows = nan, nan
        # What the air does is told by days: long windows are few, and all of them alike.
        fitted = found if look.hours <= _FITTED else self._windows(_FITTED, high)
        known = [window for window in fitted if not isnan(window.dries)]
        if len(known) >= max(_ENOUGH, len(fitted) / 2):
            dries = median(window.dries for window in known)
            some = known[:: max(1, len(known) // _MOST_PAIRED)]
            air = [window.dries for window in some]
            if max(air) > min(air):
                follows = max(0.0, theil_sen(air, [window.rate for window in some]).slope)
                middle = median(w.rate - follows * (w.dries - dries) for w in known)
                found = [window for window in found if not isnan(window.dries)]
                rates = [w.rate - follows * (w.dries - dries) for w in found]
                if len(rates) < _FEWEST:
                    return None
        spread = scatter_about(middle, rates)
        return _Usual(max(middle, 0.0), max(spread, look.spread * abs(middle)), dries, follows)

    def _windows(self, hours: float, high: int) -> list[_Window]:
        """Windows of so many hours up to a part that were as usual: overlaps tell little more."""
        return [
            window
            for until in self.times[: high : max(2, int(hours) // 4)]
            if not any(a < until < b + hours * HOUR for a, b in self.past)
            and (window := self.window(until, hours * HOUR)) is not None
        ]

    def since(self, now: float, middle: float, *, above: bool) -> float:
        """When the loss began that is above or below `middle`, L/d: as a CUSUM says it."""
        best, run, begin = 0.0, 0.0, self.times[-1] - self.parts[-1].lasts
        for part in reversed(self.parts):
            beyond = part.fell - middle * part.lasts / DAY
            run += beyond if above else -beyond
            if run > best:
                best, begin = run, part.until - part.lasts
            if now - part.until > 96 * HOUR:
                break
        return begin

    def soaks_again(self, now: float, hours: float) -> bool:
        """Whether the pump stood for long in the last hours."""
        stood = sum(
            part.lasts * (1.0 - part.running)
            for part in self.parts[bisect_right(self.times, now - hours * HOUR) :]
            if not isnan(part.running)
        )
        return stood >= _STOOD * HOUR


def _parts(hours: Sequence[WaterHour]) -> list[_Part]:
    found = []
    for a, b in pairwise(hours):
        if a.stretch == b.stretch and 0.0 < b.at - a.at <= 2.5 * HOUR:
            lasts = b.at - a.at
            pan = a.pan - b.pan  # NaN where one is not there
            filled = pan < -PAN_FILLED
            dries = nan if filled else b.lack if isnan(pan) else pan / lasts * DAY
            found.append(_Part(b.at, lasts, a.litres - b.litres, b.litres_u, b.running, dries))
    return found
