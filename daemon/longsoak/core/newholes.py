"""New holes: a probe was moved or renewed, and another series begins under its name. Pure.

Wood differs from one place to the next, and so does contact between pins and wood: what is read
after is compared with what was read before only by an offset that somebody measured, best while
old and new were read side by side.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isfinite

from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.wording import rfc3339
from longsoak.vocabulary.logbook import NEW_HOLE, About, LogbookEntry
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Kind, Probe, Rig

_HOLES = (Kind.PINS, Kind.HUMIDITY, Kind.TEMPERATURE)  # what sits in the specimen
_KEYS = frozenset({"offset", "uncertainty", "overlap_h"})
_MOST = 300.0  # of an offset, in the probe's unit: more than any of them reads
_MOST_HOURS = 8760.0


@dataclass(frozen=True, slots=True)
class NewHole:
    """One that counts, at a time in UTC ms.

    `offset` is how much more the new series reads than the old one would, with its standard
    `uncertainty`, both in the probe's unit, and `overlap_h` for how long they were read side by
    side; None where nobody knows.
    """

    number: int
    at_ms: int
    probe: str
    offset: float | None
    uncertainty: float | None
    overlap_h: float | None
    by: str
    says: str


def hole_content(
    *,
    offset: float | None = None,
    uncertainty: float | None = None,
    overlap_h: float | None = None,
) -> dict[str, Json]:
    """What an entry of the kind "new hole" holds; it is about a probe."""
    return {"offset": offset, "uncertainty": uncertainty, "overlap_h": overlap_h}


def wrong_content(entry: LogbookEntry) -> str | None:
    """What is wrong with an entry of the kind "new hole"; None if nothing is."""
    content = entry.content
    if content.keys() != _KEYS:
        return "A new hole has an offset with its uncertainty, and hours of overlap, or none"
    if entry.subject.about is not About.PROBE:
        return "A new hole is about a probe. Name it"
    if (content["offset"] is None) != (content["uncertainty"] is None):
        return "An offset has a standard uncertainty, and no uncertainty stands alone"
    if content["overlap_h"] is not None and content["offset"] is None:
        return "Of an overlap the offset is told: how much more the new series read than the old"
    for key, low, most in (
        ("offset", -_MOST, _MOST),
        ("uncertainty", 0.0, _MOST),
        ("overlap_h", 0.0, _MOST_HOURS),
    ):
        value = content[key]
        if value is None:
            continue
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not isfinite(float(str(value))) or not low <= float(str(value)) <= most:
            return f"The {key.replace('_h', '')} of a new hole is a number, {low:g} to {most:g}"
    return None


def sits_in_one(probe: Probe) -> bool:
    """Whether a probe sits in a hole of the specimen."""
    return probe.kind in _HOLES and probe.bay is not None


def no_hole(entry: LogbookEntry, rig: Rig) -> str | None:
    """What is wrong with a new hole on a rig: its probe sits in none. None if nothing is."""
    probe = next((each for each in rig.probes if each.name == entry.subject.name), None)
    if probe is None or sits_in_one(probe):
        return None
    return f"{probe.name} sits in no hole: it is no pins, humidity or temperature in the specimen"


def new_holes(entries: Iterable[LogbookEntry]) -> list[NewHole]:
    """Those that count, oldest first; `entries` may be of any kind."""
    found = [
        NewHole(
            entry.number,
            speaks_of_ms(entry),
            entry.subject.name,
            _number(entry.content["offset"]),
            _number(entry.content["uncertainty"]),
            _number(entry.content["overlap_h"]),
            entry.by,
            entry.says,
        )
        for entry in entries
        if entry.kind == NEW_HOLE and not entry.corrected_by
    ]
    return sorted(found, key=lambda hole: (hole.at_ms, hole.number))


def _number(value: Json) -> float | None:
    return None if value is None else float(str(value))


def holes_of(holes: Sequence[NewHole], probe: str) -> list[NewHole]:
    """Those of one probe, oldest first."""
    return [hole for hole in holes if hole.probe == probe]


def offset_words(hole: NewHole, unit: str = "") -> str:
    """How the two series are tied, in words; that they are not, where nobody knows."""
    if hole.offset is None:
        return "no overlap and no offset was given, so the two can't be compared"
    doubled, side = 2 * (hole.uncertainty or 0.0), "less" if hole.offset < 0 else "more"
    value = f"{abs(hole.offset):.2f} ± {doubled:.2f}"
    says = f"the new one reads {value}{' ' if unit else ''}{unit} {side}"
    by = "" if hole.overlap_h is None else f", by {hole.overlap_h:g} h side by side"
    return f"{says}{by}"


def hole_document(hole: NewHole) -> dict[str, Json]:
    """A new hole for programs: time in RFC 3339 UTC, offset in the probe's unit, hours."""
    return {
        "number": hole.number,
        "probe": hole.probe,
        "at": rfc3339(hole.at_ms),
        "offset": hole.offset,
        "offset_standard_uncertainty": hole.uncertainty,
        "overlap_h": hole.overlap_h,
        "by": hole.by,
        "says": hole.says,
    }
