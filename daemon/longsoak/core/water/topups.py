"""Finds rises (top-ups) and drops (drawn off) in a level as it comes. Pure, streaming.

A step is a level that leaves its course by more than its noise explains and settles elsewhere. What
comes and goes (sloshing, a spike) is none; several pours within half an hour are one; the film
that runs back when the pump stops is none, see `longsoak.core.water.film`.
"""

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from math import hypot, isnan, nan, sqrt
from statistics import median
from typing import Any, NamedTuple

from longsoak.core.water.bins import Bin
from longsoak.core.water.film import SETTLES, Film
from longsoak.core.water.vessel import TABLE_U, Table, held

# mm: the least step there is, and the least times the change at which a level is kept. Own choice:
# less than a can pours, more than a day's warmth moves a level within half an hour.
LEAST_MM, RESOLUTIONS = 1.5, 1.5
_SIGMAS = 6.0  # of the noise from bin to bin: a year has a hundred thousand of them
_NOISE_MM = 0.3  # standard: at first, and the least that is stated of a level against itself
_LEARNS = 0.02  # how much of the noise each bin is worth
_BASE = 6  # bins that make the level before a step
_BASE_AGE = 7200.0  # s: older ones count no more
_SETTLED = 3  # bins alike
MERGES = 1800.0  # s: pours no further apart are one top-up
_GIVES_UP = 6 * 3600.0  # s: what has not settled by then is no step
_COMES_BACK = 24 * 3600.0  # s within which an equal step back may tell that no water moved
_SLOPE_U = 0.5  # of the decline that is expected in a gap


class Step(NamedTuple):
    """A level that went from one height to another; times in s.

    `litres` is above 0 for a rise; both their `litres_u` and levels have the film taken off. `gap`:
    it was during a time without readings. `back`: an equal step undoes it, so that it may have
    been the sensor or the film, and no water.
    """

    begin: float
    end: float
    before_mm: float
    after_mm: float
    litres: float
    litres_u: float
    gap: bool = False
    back: bool = False


@dataclass(slots=True)
class _Move:
    """A level that left its course and has not been told yet."""

    begin: float
    before: float  # L
    before_mm: float
    gap: bool
    doubt: float  # L more than usual, of what happened meanwhile
    bins: list[tuple[float, float, float]] = field(default_factory=list)  # at, litres, mm
    after: float = nan  # L, once it has settled
    end: float = nan


class Course(NamedTuple):
    """A bin that lies on the level's course: what hours are made of."""

    at: float
    level: float
    litres: float
    surface: float
    noise: float  # L
    stretch: int


@dataclass(slots=True)
class Steps:
    """Follows one level. `most_film` in L; `width` of a bin in s; `resolution` in mm.

    What it holds is plain, so that `memory` can be kept as JSON.
    """

    table: Table
    most_film: float
    resolution: float
    width: float
    stretch: int = 0
    noise: float = _NOISE_MM  # mm
    slope: float = 0.0  # L/s, as the last hours went
    base: list[tuple[float, float, float]] = field(default_factory=list)  # at, litres, mm
    running: bool | None = None
    film: Film = field(init=False)
    waiting: list[tuple[float, float]] = field(default_factory=list)  # at, mm
    wait_from: float = nan
    wait_why: str = ""  # "gap" or "pump"
    ran: bool | None = None  # before what is waited out
    unknown: bool = False  # of a gap, whether nobody knows how long it was
    stood_from: float = nan  # since when water may have come beside the film
    move: _Move | None = None
    told: list[Step] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.film = Film(self.most_film)

    def memory(self) -> dict[str, Any]:
        """What it goes on from, as plain values."""
        kept = asdict(self)
        for key in ("table", "most_film", "resolution", "width"):
            del kept[key]
        return kept

    def go_on(self, memory: Mapping[str, Any]) -> None:
        """Go on from a memory of a level of the same kind."""
        kept = dict(memory)
        film, move = Film(**kept.pop("film")), kept.pop("move")
        told = [Step(*each) for each in kept.pop("told")]
        for key, value in kept.items():
            setattr(self, key, value)
        self.film, self.told = film, told
        self.film.most = self.most_film
        self.move = None if move is None else _Move(**move)

    @property
    def least_mm(self) -> float:
        """The least step that is found now, mm."""
        return max(LEAST_MM, RESOLUTIONS * self.resolution, _SIGMAS * self.noise)

    def gap(self, begin: float, *, unknown: bool) -> None:
        """Note that nothing was known of the level from `begin` on; `unknown` is for how long."""
        if self.move is not None:  # how it went on, nobody saw
            self.base = [(self.move.begin, self.move.before, self.move.before_mm)]
            begin, self.move = self.move.begin, None
        if not self.wait_why:
            self.wait_from = begin
        if self.wait_why != "gap":
            self.ran, self.unknown = self.running, False
        self.wait_why, self.waiting = "gap", []
        self.unknown |= unknown
        self.stretch += 1

    def pump(self, running: bool | None) -> None:
        """Note what the pump does; None is not known."""
        if running is None or running == self.running:
            return
        before, self.running = self.running, running
        if before is None or not self.base or self.wait_why == "gap":
            return
        at = self.base[-1][0] if self.move is None else self.move.bins[-1][0]
        self.film.changed(at)
        if self.film.cycles(at):
            return
        self.waiting = []
        if self.wait_why:  # it changed again before its film had run
            return
        self.wait_why, self.ran, self.wait_from = "pump", before, at
        if self.move is not None:  # somebody stopped it while pouring
            self.base = [(self.move.begin, self.move.before, self.move.before_mm)]
            self.wait_from = self.stood_from = self.move.begin
            self.move = None
        self.stretch += 1

    def take(self, found: Bin) -> tuple[list[Course], list[Step]]:
        """Take one bin; return what lies on the course by it, and steps that are told."""
        if self.wait_why:
            self.waiting.append((found.at, found.value))
            begin = self.waiting[0][0]
            enough = len(self.waiting) >= _SETTLED
            if self.wait_why != "gap":
                enough = enough and found.at - begin >= SETTLES
            if not enough:
                return [], []
            return self._after_waiting()
        return self._follow(found.at, found.value)

    # What the wait was for -------------------------------------------------------------------

    def _after_waiting(self) -> tuple[list[Course], list[Step]]:
        why, waited = self.wait_why, self.waiting
        self.wait_why, self.waiting = "", []
        settled = waited[-_SETTLED:]
        now_mm = median(mm for _, mm in settled)
        now, surface = held(now_mm, self.table)
        begin, doubt = self.wait_from, 0.0
        if self.base:
            expected = self._expected(settled[0][0])
            change = now - self.film.back - expected
            least = self.least_mm * surface
            if why == "gap":
                doubt = _SLOPE_U * abs(self.slope) * (settled[0][0] - self.wait_from)
                if self.unknown and change < 0.0:  # nobody knows how long it went down
                    self.base = []
            if self.ran is True and self.running is False:
                self.film.stopped(change, doubt=least)
                self.stood_from = self.wait_from
            elif self.ran is False and self.running is True:
                unseen = not self.film.back
                fall = expected + self.film.back - now
                self.film.started(fall, learn=why == "pump")
                if unseen and 0.0 < fall <= self.film.most:
                    self.base = []  # it had not been seen to run back: nothing was drawn off
                elif now - expected > least and not isnan(self.stood_from):
                    begin = self.stood_from  # more than film came while the pump stood
        courses, steps = self._follow(*settled[0], begin=begin, gap=why == "gap", doubt=doubt)
        for at, mm in settled[1:]:
            more, told = self._follow(at, mm)
            courses += more
            steps += told
        return courses, steps

    # The course ------------------------------------------------------------------------------

    def _expected(self, at: float) -> float:
        """Litres that the course leads to at a time."""
        middle = self.base[len(self.base) // 2][0]
        return median(each[1] for each in self.base) + self.slope * (at - middle)

    def _follow(
        self, at: float, mm: float, *, begin: float = nan, gap: bool = False, doubt: float = 0.0
    ) -> tuple[list[Course], list[Step]]:
        litres, surface = held(mm, self.table)
        litres -= self.film.back
        if self.move is not None:
            return self._moving(at, litres, mm, surface)
        if not self.base:
            return self._on_course(at, litres, mm, surface), []
        off = litres - self._expected(at)
        # In a gap it may have lost twice what is usual, or nothing: both are no step.
        if abs(off) <= self.least_mm * surface + 2.0 * doubt:
            if isnan(begin):
                strays = min(abs(off) / surface, 3.0 * self.noise + 0.05)
                self.noise += _LEARNS * (1.25 * strays - self.noise)
            else:  # a new beginning: what lay between is not known well enough
                self.base = []
            return self._on_course(at, litres, mm, surface), []
        before_mm = median(each[2] for each in self.base)
        since = self.base[-1][0] + self.width / 2 if isnan(begin) else begin
        self.move = _Move(since, self._expected(at), before_mm, gap, doubt)
        return self._moving(at, litres, mm, surface)

    def _on_course(self, at: float, litres: float, mm: float, surface: float) -> list[Course]:
        self.base = [each for each in self.base if at - each[0] <= _BASE_AGE][1 - _BASE :]
        self.base.append((at, litres, mm))
        return [Course(at, mm, litres, surface, self.noise * surface, self.stretch)]

    def _moving(
        self, at: float, litres: float, mm: float, surface: float
    ) -> tuple[list[Course], list[Step]]:
        move = self.move
        assert move is not None  # noqa: S101 - whoever calls has looked
        move.bins.append((at, litres, mm))
        least = self.least_mm * surface
        last = move.bins[-_SETTLED:]
        alike = len(last) == _SETTLED and max(b[1] for b in last) - min(b[1] for b in last) <= (
            least / 2
        )
        if alike and isnan(move.after):
            middle = median(b[1] for b in last)
            if abs(middle - move.before) <= least + move.doubt:  # it came and went
                steps = list(self._there_and_back(move, least=least, surface=surface))
                self.move, self.base = None, []
                return [c for b in last for c in self._on_course(b[0], b[1], b[2], surface)], steps
            # It lay there from the first bin on after which none strays, quiet or not.
            strays = [b[0] + self.width / 2 for b in move.bins if abs(b[1] - middle) > least]
            move.after, move.end = middle, max(strays, default=move.begin)
        elif not isnan(move.after):
            if abs(litres - move.after - self.slope * (at - move.end)) > least / 2:
                if not _lone(move.bins, move.after, least):
                    move.after = move.end = nan  # more is poured, or it goes on falling
            elif at - move.end >= MERGES:
                return self._told(move)
        if at - move.begin >= _GIVES_UP:
            if isnan(move.after):
                move.after, move.end = median(b[1] for b in last), at
            return self._told(move)
        return [], []

    def _told(self, move: _Move) -> tuple[list[Course], list[Step]]:
        """End a move that has settled: one step, and a new stretch of the course behind it."""
        rest = [b for b in move.bins if b[0] >= move.end] or move.bins[-1:]
        after_mm = median(b[2] for b in rest[:_SETTLED])
        surface = held(after_mm, self.table)[1]
        litres = move.after - move.before
        u = self._litres_u(litres, surface, move.doubt)
        end = min(move.end, max(move.begin, rest[0][0]))
        step = Step(move.begin, end, move.before_mm, after_mm, litres, u, move.gap)
        self.move, self.base = None, []
        self.stretch += 1
        courses: list[Course] = []
        for at, held_litres, mm in rest:
            courses += self._on_course(at, held_litres, mm, surface)
        return courses, list(self._with_its_return(step, least=self.least_mm * surface))

    def _litres_u(self, litres: float, surface: float, doubt: float) -> float:
        """Standard uncertainty of a step's litres."""
        return hypot(sqrt(2.0) * max(self.noise, _NOISE_MM) * surface, doubt, TABLE_U * litres)

    def _there_and_back(self, move: _Move, *, least: float, surface: float) -> Iterator[Step]:
        """Two steps of a level that stood elsewhere for a while: poured, and drawn off again."""
        away = [b for b in move.bins[:-_SETTLED] if abs(b[1] - move.before) > least + move.doubt]
        stood = next((p for p in pairwise(away) if abs(p[1][1] - p[0][1]) <= least / 2), None)
        if stood is None or move.gap:
            return
        at, litres, mm = stood[0]
        there, rest = litres - move.before, move.bins[-_SETTLED]
        u = self._litres_u(there, surface, move.doubt)
        began, ended = at - self.width / 2, away[-1][0] + self.width / 2
        yield Step(move.begin, max(move.begin, began), move.before_mm, mm, there, u, back=True)
        yield Step(ended, max(ended, rest[0] - self.width / 2), mm, rest[2], -there, u, back=True)

    def _with_its_return(self, step: Step, *, least: float) -> Iterator[Step]:
        """The step, and the earlier one that it undoes, both marked."""
        self.told = [each for each in self.told if step.begin - each.end <= _COMES_BACK]
        for i, earlier in enumerate(self.told):
            if abs(earlier.litres + step.litres) <= least:
                del self.told[i]
                yield earlier._replace(back=True)
                yield step._replace(back=True)
                return
        self.told.append(step)
        yield step


def _lone(bins: list[tuple[float, float, float]], after: float, least: float) -> bool:
    """Whether only the last bin is off: a spike."""
    return len(bins) < 2 or abs(bins[-2][1] - after) <= least / 2
