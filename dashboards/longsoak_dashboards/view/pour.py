"""What the guide of a top-up shows: a word, a figure, a column, and what to do."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from markupsafe import Markup

from longsoak.core.water.guide import COMING_LEAST, FIRST_LEVELS, SLOW_LITRES, Setting, Told, Word
from longsoak.core.wording import age_words
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Reservoir, Rig
from longsoak_dashboards.drawing.column import draw_column, heights

SOURCES = ("", "demineralised", "rain", "tap", "other")  # nothing is said unless somebody does
_SIGNS = {
    Word.READY: "ready",
    Word.POURING: "down",
    Word.SLOW: "slow",
}
_TONES = {Word.READY: "", Word.POURING: "", Word.SLOW: "slow"}
# The oldest level that tells how much fits while nobody pours: s, or periods of the record.
_OLD, _OLD_PERIODS = 120.0, 3.0


@dataclass(frozen=True, slots=True)
class Pouring:
    """What is shown of a top-up; the names are those of ``pour.js``."""

    word: str
    sign: str
    tone: str
    big: str
    unit: str
    poured: str
    clearance: str
    age: str
    note: str
    level: str
    heights: Mapping[str, float]
    over: bool  # there is too much in it
    age_s: float | None

    def as_json(self) -> dict[str, object]:
        """For the page that is open."""
        return {
            name: getattr(self, name)
            for name in (
                *("word", "sign", "tone", "big", "unit", "poured", "clearance", "age", "note"),
                *("level", "heights", "over"),
            )
        }


def pouring(told: Told, setting: Setting, *, began: float | None, since_s: float) -> Pouring:
    """Put one look at a top-up into words.

    Parameters
    ----------
    told : Told
        What the guide says.
    setting : Setting
        What it is guided by.
    began : float or None
        The level when it began, mm.
    since_s : float
        How long ago that was, s.
    """
    reservoir = setting.reservoir
    word, tone = told.word, _TONES.get(told.word, "stop")
    name, big, unit, note = str(word), "?", "the level is not known", _UNKNOWN
    to_go = "?" if told.litres_to_go is None else _litres(told.litres_to_go)
    if word is Word.UNKNOWN and since_s < FIRST_LEVELS:
        name, tone, big, unit = "a moment", "", "…", "looking at the level"
        note = "The rig is asked to look more often."
    elif word is Word.READY:
        big, unit, note = to_go, "litres fit", "Pour when you are ready."
    elif word is Word.POURING:
        big, unit = to_go, "litres to go"
        note = (
            f"The level follows the can by about {setting.lag:.0f} s. Pour the last litre slowly."
        )
    elif word is Word.SLOW:
        big, unit, note = to_go, "litres to go", "Pour slowly now, and be ready to stop."
    elif word is Word.STOP:
        big, unit = to_go, "litres to go"
        note = "Stop pouring: what is on its way brings the water to the line."
    elif word is Word.OVER or (word is Word.FLOAT_UP and told.over > 0.0):
        big = _litres(told.over)
        unit = "litres over the line" if word is Word.OVER else "litres over, and the float is up"
        note = f"Stop, and draw that much off, down to {reservoir.stop:g} mm."
    elif word is Word.FLOAT_UP:
        big, unit = to_go, "the float is up"
        note = "Stop pouring. The float goes up by itself, whatever the level says: look yourself."
    poured = "not known"
    if told.poured is not None:
        coming = f", {told.on_its_way:.1f} coming" if told.on_its_way >= COMING_LEAST else ""
        poured = f"{told.poured:.1f} L{coming}"
    return Pouring(
        word=name,
        sign=_SIGNS.get(word, "stop" if tone else "ready"),
        tone=tone,
        big=big,
        unit=unit,
        poured=poured,
        clearance="not known" if told.clearance is None else f"{told.clearance:.0f} mm",
        age="not yet" if told.age is None else f"{age_words(told.age)} ago",
        note=note,
        level="level ?" if told.level is None else f"{told.level:.0f} mm",
        heights=heights(reservoir, setting.underside, level=told.level, began=began),
        over=told.over > 0.0 or word is Word.FLOAT_UP,
        age_s=told.age,
    )


def at_rest(rig: Rig, reservoir: Reservoir, level: Reading | None, *, now_ms: int) -> Pouring:
    """Put into words how much fits while nobody pours.

    Parameters
    ----------
    rig, reservoir
        What is declared.
    level : Reading, optional
        The latest level; None where none was read.
    now_ms : int
        UTC ms.
    """
    setting = Setting(reservoir, rig.specimen.underside, period=1.0)
    believed = level is not None and level.flag not in (Flag.FAIL, Flag.MISSING)
    mm = level.value if level is not None and believed else None
    age = None if level is None else (now_ms - level.utc_ms) / 1000
    record = next(probe.record for probe in rig.probes if probe.name == reservoir.level)
    if mm is None or age is None or age > max(_OLD, _OLD_PERIODS * record):
        told = Told(Word.UNKNOWN, age=age)
        return pouring(told, setting, began=None, since_s=FIRST_LEVELS)
    uncertainty = (level.uncertainty if level is not None else None) or 0.0
    line, holds = setting.line(uncertainty), setting.litres(mm)
    told = Told(
        Word.OVER if mm > reservoir.stop else Word.READY if mm < line else Word.STOP,
        litres_to_go=max(0.0, setting.litres(line) - holds),
        mm_to_go=max(0.0, line - mm),
        clearance=rig.specimen.underside - mm,
        level=mm,
        age=age,
        over=max(0.0, holds - setting.litres(reservoir.stop)),
    )
    shown = pouring(told, setting, began=None, since_s=FIRST_LEVELS)
    if told.word is Word.READY:
        return replace(
            shown, word="it fits", note=f"That is {told.mm_to_go:.0f} mm, up to the stop."
        )
    if told.word is Word.STOP:
        return replace(shown, word="full", tone="", sign="ready", note="Nothing fits in.")
    return shown


def column_of(
    shown: Pouring, reservoir: Reservoir, underside: float, *, began: float | None
) -> Markup:
    """The column beside the words."""
    words = {
        "now": shown.level,
        "stop": f"stop {reservoir.stop:g}",
        "pump": f"pump {reservoir.pump_needs:g}",
        "was": "" if began is None else f"began {began:.0f}",
    }
    says = (
        f"Water column: {shown.level}, stop line {reservoir.stop:g} millimetres, specimen's "
        f"underside {underside:g}"
    )
    return draw_column(shown.heights, words, says=says)


NEXT_WORDS = Markup(
    "next words: <b>slow down</b> at {:g} L · <b>stop</b> before the line · "
    "<b>over the line</b> beyond it, with what to draw off"
).format(SLOW_LITRES)
_UNKNOWN = "Stop pouring, and look at the water yourself: nothing fresh has come of level or float."


def _litres(litres: float) -> str:
    return f"{litres:.1f}"
