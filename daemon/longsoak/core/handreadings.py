"""Readings taken by hand with a meter: put into a logbook entry, and judged. Pure.

A place is told as a probe's is: mm from the wet face, above the underside, from the left edge.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite

from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import About, LogbookEntry
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Bay, Rig, Specimen, WetFace

UNITS = ("%", "Ohm")  # UCUM codes of what a meter with pins shows
BOUNDS = ("", "at least", "at most")  # what a meter shows is the value, or all its scale can
GRAINS = ("", "across", "along")
PINS = ("", "insulated", "bare")
SAME_HOLE = "same_hole"  # the key that an entry has whose pins went into an old hole on purpose
LONGEST_LINE = 120  # characters of what is said of the meter
LONGEST_NOTE = 1000

_NO_FINER = 1.0  # mm
_MOST = {"%": 300.0, "Ohm": 1e13}  # wood that floats in water holds twice its own mass of it
_WITHIN = {"correction_temperature": (-40.0, 80.0), "wood_temperature": (-40.0, 80.0)}
_LINES = ("round", "scale", "meter")
_WORDS = {"bound": BOUNDS, "unit": UNITS, "grain": GRAINS, "pins": PINS}
_PREFIXES = {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9, "T": 1e12}
_LARGEST = ((1e12, "T"), (1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""))
_SHOWN = re.compile(
    r"(?P<bound>[<>])? ?(?P<number>\d+[.,]?\d*|[.,]\d+) ?"
    r"(?:(?P<percent>%)|(?P<prefix>[kKMGT])? ?(?P<ohm>\u03a9|\u2126|[oO]hms?)?)",
    re.ASCII,
)


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a bay, mm; `across` is None where nobody told it."""

    depth: float
    height: float
    across: float | None = None

    @property
    def words(self) -> str:
        """It in words."""
        more = "" if self.across is None else f", {self.across:g} mm across"
        return f"{self.depth:g} mm deep, {self.height:g} mm high{more}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What stays the same over a round: its name, the meter, and how that was set.

    `scale` is what the meter's scale is of, such as a species, group or material. It corrects to
    `correction_temperature`, degC, if it asks for one. `uncertainty` is standard, in its unit.
    """

    round: str
    meter: str
    scale: str = ""
    correction_temperature: float | None = None
    uncertainty: float | None = None
    grain: str = ""
    pins: str = ""


@dataclass(frozen=True, slots=True)
class Shown:
    """What a meter shows; `bound` says that it could show no more, or no less."""

    value: float
    unit: str
    bound: str = ""

    @property
    def words(self) -> str:
        """It as a person reads it."""
        value = f"{self.value:g} %" if self.unit == "%" else f"{self._ohm()}Ω"
        return f"{self.bound} {value}".strip()

    def _ohm(self) -> str:
        size, prefix = next((p for p in _LARGEST if self.value >= p[0]), _LARGEST[-1])
        return f"{self.value / size:.4g} {prefix}"


def shown_on(words: str, *, unit: str = "%") -> Shown:
    """What somebody read off a meter: "17.5", "17,5 %", ">60", "120 MOhm".

    A bare number is of `unit`.

    Raises
    ------
    RequestError
        It is no such thing.
    """
    found = _SHOWN.fullmatch(words.strip())
    if found is None or (found["prefix"] and unit == "%" and not found["ohm"]):
        raise RequestError(
            f"{words.strip()[:20]!r} is nothing a meter shows, expected for example 17.5, "
            ">60 where its scale ends at 60, or 120 MOhm. Nothing was kept."
        )
    number = float(found["number"].replace(",", "."))
    own = "%" if found["percent"] else "Ohm" if found["ohm"] or found["prefix"] else unit
    bound = {None: "", ">": "at least", "<": "at most"}[found["bound"]]
    return Shown(number * _PREFIXES[found["prefix"] or ""], own, bound)


def hand_content(
    place: Place,
    shown: Shown,
    setting: Setting,
    *,
    wood_temperature: float | None = None,
    note: str = "",
    same_hole: bool = False,
) -> dict[str, Json]:
    """What an entry of the kind "hand reading" holds; it is about a bay.

    `same_hole` says that the pins went into an old hole on purpose. It is a key only where it is
    true, so that entries of before are what they were.
    """
    found: dict[str, Json] = {
        "round": setting.round,
        "depth_mm": place.depth,
        "height_mm": place.height,
        "across_mm": place.across,
        "value": shown.value,
        "unit": shown.unit,
        "bound": shown.bound,
        "uncertainty": setting.uncertainty,
        "meter": setting.meter,
        "scale": setting.scale,
        "correction_temperature": setting.correction_temperature,
        "wood_temperature": wood_temperature,
        "grain": setting.grain,
        "pins": setting.pins,
        "note": note,
    }
    return {**found, SAME_HOLE: True} if same_hole else found


_FIELDS = frozenset(
    hand_content(Place(0, 0), Shown(1, "%"), Setting(round="1", meter="m")),
)


def wrong_content(entry: LogbookEntry) -> str | None:
    """What is wrong with an entry of the kind "hand reading"; None if nothing is."""
    content = entry.content
    if entry.subject.about is not About.BAY:
        return "A reading by hand is about a bay: name it"
    if content.keys() - {SAME_HOLE} != _FIELDS:
        return f"A reading by hand has {', '.join(sorted(_FIELDS))}"
    if content.get(SAME_HOLE, True) is not True:
        return f"The {SAME_HOLE} of a reading by hand is true, or left out"
    for name in _LINES:
        words = content[name]
        if not isinstance(words, str) or len(words) > LONGEST_LINE or not words.isprintable():
            return f"The {name} of a reading by hand is one line of up to {LONGEST_LINE} characters"
    note = content["note"]
    if not isinstance(note, str) or len(note) > LONGEST_NOTE:
        return f"The note of a reading by hand has up to {LONGEST_NOTE} characters"
    for name, allowed in _WORDS.items():
        if content[name] not in allowed:
            either = ", ".join(word for word in allowed if word)
            more = ", or left out" if "" in allowed else ""
            return f"The {name} of a reading by hand is one of {either}{more}"
    return _wrong_numbers(content) or _left_out(content)


def _wrong_numbers(content: Mapping[str, Json]) -> str | None:
    unit = str(content["unit"])
    value, most = content["value"], _MOST[unit]
    if not _within(value, 0.0, most) or value == 0:
        of = "%" if unit == "%" else "Ohm"
        return f"What a meter shows is more than 0 {of} and up to {most:g}, not {_found(value)}"
    for name in ("depth_mm", "height_mm"):
        if not _within(content[name], 0.0, 1e5):
            what = name.removesuffix("_mm")
            return f"The {what} of a reading by hand is a number of mm, not {_found(content[name])}"
    across, off = content["across_mm"], content["uncertainty"]
    if across is not None and not _within(across, 0.0, 1e5):
        return f"How far across it was taken is a number of mm, or left out, not {_found(across)}"
    if off is not None and (not _within(off, 0.0, most) or off == 0):
        return (
            "The standard uncertainty of a reading by hand is above 0, in its unit, or left out, "
            f"not {_found(off)}"
        )
    for name, (least, high) in _WITHIN.items():
        number = content[name]
        if number is not None and not _within(number, least, high):
            what = name.replace("_", " ")
            return f"The {what} is {least:g} to {high:g} °C, or left out, not {_found(number)}"
    return None


def _left_out(content: Mapping[str, Json]) -> str | None:
    if not content["round"]:
        return "A reading by hand belongs to a round: give it a number or a name"
    if not content["meter"]:
        return "Say which meter it was read with"
    if content["unit"] == "%" and not content["scale"]:
        return (
            "A value in % is one of a scale: say which species, group or material the meter was "
            "set to"
        )
    return None


def outside(entry: LogbookEntry, rig: Rig) -> str | None:
    """What to say of a place that is not inside its bay; None if it is.

    The entry is one that `wrong_content` found nothing wrong with, of a bay the rig has.
    """
    bay = _bay(rig, entry.subject.name)
    place = place_of(entry.content)
    return None if bay is None else beyond(place, bay, rig.specimen)


def beyond(place: Place, bay: Bay, specimen: Specimen) -> str | None:
    """What to say of a place that is not inside a bay of a specimen; None if it is."""
    height = specimen.height
    if place.depth > bay.thickness:
        return (
            f"{place.depth:g} mm from the wet face is outside: {bay.name} is {bay.thickness:g} mm "
            "thick"
        )
    if place.height > height:
        return (
            f"{place.height:g} mm above the underside is outside: the specimen is {height:g} mm "
            "high"
        )
    if place.across is not None and not bay.start <= place.across <= bay.end:
        return (
            f"{place.across:g} mm from the left edge is outside: {bay.name} is from {bay.start:g} "
            f"to {bay.end:g} mm"
        )
    return _apart(place, specimen) if specimen.lies else None


def _apart(place: Place, specimen: Specimen) -> str | None:
    """What to say of a depth and a height that can't both be; of one that lies, either tells both.

    A hand finds a place to about a millimetre.
    """
    from_below = specimen.wet_face is WetFace.UNDERSIDE
    right = place.depth if from_below else specimen.height - place.depth
    if abs(place.height - right) <= _NO_FINER:
        return None
    return (
        f"{place.depth:g} mm from the wet face, the {specimen.wet_face.value}, is {right:g} mm "
        f"above the underside, not {place.height:g}: correct one of them"
    )


def place_of(content: Mapping[str, Json]) -> Place:
    """The place in the content of an entry."""
    across = number_in(content["across_mm"])
    return Place(float(str(content["depth_mm"])), float(str(content["height_mm"])), across)


def shown_in(content: Mapping[str, Json]) -> Shown:
    """What the meter showed, in the content of an entry."""
    return Shown(float(str(content["value"])), str(content["unit"]), str(content["bound"]))


def said_words(bay: str, content: Mapping[str, Json]) -> str:
    """The sentence of a reading's entry."""
    on = f" on the scale for {content['scale']}" if content["scale"] else ""
    parts = [
        f"{bay}, {place_of(content).words}: {shown_in(content).words}{on}, {content['meter']}",
        f"round {content['round']}",
    ]
    if (wood := content["wood_temperature"]) is not None:
        parts.append(f"wood at {wood} °C")
    if SAME_HOLE in content:
        parts.append("in an old hole on purpose")
    note = f"\n{content['note']}" if content["note"] else ""
    return f"By hand, {', '.join(parts)}.{note}"


def _bay(rig: Rig, name: str) -> Bay | None:
    return next((bay for bay in rig.specimen.bays if bay.name == name), None)


def scale_key(scale: str) -> str:
    """What a scale is known by, however its name is written."""
    return " ".join(scale.casefold().split())


def number_in(value: Json) -> float | None:
    """A number of an entry's content, or None where it was left out."""
    return None if value is None else float(str(value))


def _within(number: object, least: float, most: float) -> bool:
    if not isinstance(number, int | float) or isinstance(number, bool):
        return False
    return isfinite(number) and least <= number <= most


def _found(value: Json) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)[:20]
