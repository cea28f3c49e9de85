"""A top-up, step by step: what to do at the can now, and how much still fits. Pure.

Uncertainty goes to the safe side: the water is taken to be where it will have settled, twice its
standard uncertainty higher. Whatever is not known means stop. A graver word comes at once; a milder
one only after it has held for a while, so that words do not flicker with the waves.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from math import hypot, isfinite
from statistics import median
from typing import NamedTuple

from longsoak.core.proof.reads import COVERAGE
from longsoak.core.water.pour import CALM, FEWEST, USUAL_LAG, WINDOW, Course, Sample, course
from longsoak.core.water.vessel import volume
from longsoak.vocabulary.rig import Reservoir

SLOW_LITRES = 1.0  # L to go at which to pour slowly
SLOW_AGAIN = 3.0  # L to go from which it is no longer slow
SLOW_SECONDS = 5.0  # s to go, at the rate of now: nobody reacts faster with a full can
STALEST = 3.0  # s, or this many periods, whichever is more
HOLDS = 2.0  # s a milder word has to hold before it is said
MARGIN = 1.0  # mm below the line, before a stop is taken back
SETTLING = 0.5  # of the lag, that a stop holds at least: what is on its way has to come
RISES = 0.05  # mm/s: about 1 L a minute in a tray of 0.3 m2
ROSE_FOR = 5.0  # s that a rise is told as pouring
RISEN = 1.0  # mm higher than ever: a slow pour that waves hide
CALM_SPREAD = 1.0  # mm, within `WINDOW`, of water that has settled
TABLE = 0.01  # of litres, standard: what a depth table is off by. Own choice: a can's scale.
COMING_LEAST = 0.05  # L on their way, the least that is told
FIRST_LEVELS = 6.0  # s in which the first levels come: the rig is asked to look more often
_KEEPS = 30.0  # s of samples


class Word(StrEnum):
    """What it is now; the values are the words people see."""

    READY = "ready"
    POURING = "pouring"
    SLOW = "slow down"
    STOP = "stop"
    OVER = "over the line"
    UNKNOWN = "level not known"
    FLOAT_UP = "float is up"


# Not a measure of danger, but of what is said first: a float speaks for itself.
_GRAVE = {
    Word.READY: 0,
    Word.POURING: 0,
    Word.SLOW: 1,
    Word.STOP: 2,
    Word.OVER: 3,
    Word.UNKNOWN: 4,
    Word.FLOAT_UP: 5,
}
_AT_THE_LINE = (Word.STOP, Word.OVER)
MAY_POUR = (Word.READY, Word.POURING, Word.SLOW)


class Look(NamedTuple):
    """What is known at one moment; times in s on a clock that is never set.

    `level` in mm and its standard `uncertainty` are None where there is none, `taken` is when it
    was read. `up` is whether the float is; None is not known, of a rig that has one.
    """

    at: float
    level: float | None = None
    uncertainty: float | None = None
    taken: float = 0.0
    up: bool | None = None
    up_taken: float = 0.0


@dataclass(frozen=True, slots=True)
class Setting:
    """What a top-up is guided by. `period` is how often the level is read, `lag` how late it is, s.

    `underside` is the specimen's height over the reservoir's floor, mm.
    """

    reservoir: Reservoir
    underside: float
    period: float
    lag: float = USUAL_LAG

    @property
    def stalest(self) -> float:
        """The oldest level to go by, s."""
        return max(STALEST, STALEST * self.period)

    def litres(self, mm: float) -> float:
        """Litres at a depth, as at the table's end beyond it, where nothing was measured."""
        table = self.reservoir.depth_table
        return volume(min(max(mm, table[0][0]), table[-1][0]), table) or 0.0

    def line(self, uncertainty: float) -> float:
        """How high the level may settle, mm, so that it is below the stop line for sure."""
        return self.reservoir.stop - COVERAGE * uncertainty


@dataclass(frozen=True, slots=True)
class TopUp:
    """A top-up under way: what one look needs to know of those before it."""

    samples: tuple[Sample, ...] = ()
    began_mm: float | None = None
    highest: float | None = None
    word: Word = Word.UNKNOWN
    milder_since: float | None = None
    rose_at: float | None = None


class Told(NamedTuple):
    """What is told at one look; None where it is not known.

    `poured` is what the level says has come since the begin, L, and `on_its_way` how much more may
    come yet; the two with `litres_to_go` make what fitted in at the begin. `over` is what to draw
    off, L. `age` is that of the level, s. `rose_at` is the time of the newest level that was seen
    rising.
    """

    word: Word
    poured: float | None = None
    on_its_way: float = 0.0
    litres_to_go: float | None = None
    mm_to_go: float | None = None
    clearance: float | None = None
    level: float | None = None
    settles: float | None = None
    rate: float | None = None
    age: float | None = None
    over: float = 0.0
    rose_at: float | None = None

    @property
    def on_the_safe_side(self) -> float | None:
        """What may have been poured at the most, L: with what may be on its way."""
        return None if self.poured is None else self.poured + self.on_its_way

    @property
    def may_pour(self) -> bool:
        """Whether water may go on coming."""
        return self.word in MAY_POUR


def step(state: TopUp, look: Look, setting: Setting) -> tuple[TopUp, Told]:
    """Go on by one look.

    Parameters
    ----------
    state : TopUp
        What the look before left; `TopUp()` at first.
    look : Look
        Level and float now.
    setting : Setting
        The reservoir and how it is measured.

    Returns
    -------
    (TopUp, Told)
        What to go on with, and what to tell.
    """
    state = _taken(state, look)
    age = look.at - look.taken
    has_level = look.level is not None and isfinite(look.level)
    fresh = has_level and look.uncertainty is not None and abs(age) <= setting.stalest
    known = course(state.samples, lag=setting.lag) if fresh else None
    told = Told(Word.UNKNOWN, age=None if look.level is None else age)
    uncertainty = look.uncertainty or 0.0
    if known is not None and isfinite(uncertainty):
        if state.began_mm is None:
            state = replace(state, began_mm=known.level)
        if state.highest is None or known.level >= state.highest + RISEN:
            rose = state.rose_at if state.highest is None else known.at
            state = replace(state, highest=known.level, rose_at=rose)
        if known.rate > RISES + COVERAGE * known.rate_u:
            state = replace(state, rose_at=known.at)
        told = _told(state, known, uncertainty, setting)._replace(age=age, rose_at=state.rose_at)
    if setting.reservoir.float_switch is not None:
        if look.up:
            told = told._replace(word=Word.FLOAT_UP)
        elif look.up is None or abs(look.at - look.up_taken) > setting.stalest:
            told = told._replace(word=Word.UNKNOWN)
    holds = max(HOLDS, SETTLING * setting.lag) if state.word in _AT_THE_LINE else HOLDS
    state = _held(state, told.word, look.at, holds=holds)
    return state, told._replace(word=state.word)


def _taken(state: TopUp, look: Look) -> TopUp:
    """The same with a level that was not seen yet."""
    if look.level is None or not isfinite(look.level):
        return state
    new = Sample(look.taken, look.level)
    newest = state.samples[-1].at if state.samples else look.taken - 1
    if new.at < newest:  # a clock was set: what was seen before lies at no known time
        return replace(state, samples=(new,), rose_at=None, milder_since=None)
    if new.at == newest:
        return state
    kept = [sample for sample in state.samples if sample.at > new.at - _KEEPS]
    return replace(state, samples=(*kept, new))


def _told(state: TopUp, known: Course, uncertainty: float, setting: Setting) -> Told:
    line, stop = setting.line(uncertainty), setting.reservoir.stop
    settled, there = setting.litres(known.settles), setting.litres(known.level)
    to_go = max(0.0, setting.litres(line) - settled)
    began = known.level if state.began_mm is None else state.began_mm
    seconds = (line - known.settles) / known.rate if known.rate > RISES else None
    # Whoever pours slower has less on its way: the word holds until clearly more fits again.
    near = SLOW_LITRES if _GRAVE[state.word] < _GRAVE[Word.SLOW] else SLOW_AGAIN
    margin = MARGIN if state.word in _AT_THE_LINE else 0.0
    rose = state.rose_at is not None and known.at - state.rose_at <= ROSE_FOR
    if known.level > stop:
        word = Word.OVER
    elif known.settles >= line - margin:
        word = Word.STOP
    elif to_go <= near or (seconds is not None and seconds <= SLOW_SECONDS):
        word = Word.SLOW
    else:
        word = Word.POURING if rose else Word.READY
    return Told(
        word,
        poured=there - setting.litres(began),
        on_its_way=settled - there,
        litres_to_go=to_go,
        mm_to_go=max(0.0, line - known.settles),
        clearance=setting.underside - known.level,
        level=known.level,
        settles=known.settles,
        rate=known.rate,
        over=max(0.0, there - setting.litres(stop)),
    )


def _held(state: TopUp, word: Word, now: float, *, holds: float) -> TopUp:
    """A graver word at once, a milder one only once it has held."""
    if _GRAVE[word] >= _GRAVE[state.word]:
        return replace(state, word=word, milder_since=None)
    since = now if state.milder_since is None else state.milder_since
    if now - since < holds:
        return replace(state, milder_since=since)
    return replace(state, word=word, milder_since=None)


class Ended(NamedTuple):
    """What a top-up came to: settled levels in mm, litres by the table, and their doubt."""

    before_mm: float
    after_mm: float
    litres: float
    litres_u: float


def is_settled(state: TopUp) -> bool:
    """Whether the water has been calm for as long as is looked at."""
    if not state.samples:
        return False
    newest = state.samples[-1].at
    near = [sample for sample in state.samples if sample.at >= newest - WINDOW]
    reaches = near[0].at <= newest - WINDOW + CALM
    spread = max(s.mm for s in near) - min(s.mm for s in near)
    return reaches and len(near) >= FEWEST and spread <= CALM_SPREAD


def ended(state: TopUp, setting: Setting, *, uncertainty: float) -> Ended | None:
    """What the top-up came to, by the levels of now; None where none was ever known.

    Parameters
    ----------
    uncertainty : float
        Standard uncertainty of one level, mm. Both levels' are taken as independent, which for
        one sensor is more than there is, and the table's own share is added (JCGM 100, 5.1.2;
        from memory).
    """
    if state.began_mm is None or len(state.samples) < FEWEST:
        return None
    newest = state.samples[-1].at
    after = median(sample.mm for sample in state.samples if sample.at >= newest - CALM)
    litres = setting.litres(after) - setting.litres(state.began_mm)
    each = [
        (setting.litres(mm + uncertainty) - setting.litres(mm - uncertainty)) / 2
        for mm in (state.began_mm, after)
    ]
    return Ended(state.began_mm, after, litres, hypot(*each, TABLE * litres))
