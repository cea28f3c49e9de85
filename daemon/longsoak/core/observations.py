"""What somebody saw on the specimen, as entries of the logbook, and how it went over time. Pure.

A witness that is no number, such as a stain, is looked for at the same place again and again and
graded on the same scale each time; that nothing was seen is told as well, as grade 0, for only so
can anybody tell later between when and when it came.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import isfinite

from longsoak.core.gradescales import scale_called
from longsoak.core.handreadings import number_in
from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.mould import GROWTH_CAUTION
from longsoak.core.wording import rfc3339, time_words
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import OBSERVATION, About, LogbookEntry
from longsoak.vocabulary.observation import Face, GradeScale, Looked, Sight
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig

LONGEST_WORDS = 120  # characters of what is seen, of a scale's name and of a grade's words
MOST_GRADES = 20
_FARTHEST = 1e5  # mm
_LINES = ("of", "scale", "word")


@dataclass(frozen=True, slots=True)
class SeenAt:
    """Where something was seen: on a face of a bay, or at a depth that was laid open, mm.

    Exactly one of `face` and `depth` is told. It goes from `low` to `high` above the underside;
    both are None for all of the bay.
    """

    bay: str
    face: str | None = None
    depth: float | None = None
    low: float | None = None
    high: float | None = None

    @property
    def words(self) -> str:
        """It in words: "plain lime, dry face, 0 to 120 mm high"."""
        where = f"{self.face} face" if self.depth is None else f"{self.depth:g} mm deep"
        if self.low is None or self.high is None:
            return f"{self.bay}, {where}"
        span = f"{self.low:g}" if self.low == self.high else f"{self.low:g} to {self.high:g}"
        return f"{self.bay}, {where}, {span} mm high"


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """What was seen once; `highest` is the scale's highest grade, `extent` a share in %."""

    number: int
    at_ms: int
    by: str
    at: SeenAt
    of: str
    scale: str
    grade: int
    highest: int
    word: str
    extent: float | None
    looked: str
    says: str
    photos: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Series:
    """What was looked for at one place, from the first time to the last."""

    at: SeenAt
    of: str
    seen: tuple[Observation, ...]


def observation_content(
    at: SeenAt,
    *,
    of: str,
    scale: GradeScale,
    grade: int,
    extent: float | None = None,
    looked: str = Looked.BY_EYE,
) -> dict[str, Json]:
    """What an entry of the kind "observation" holds; it is about a bay.

    The words of the grade and the highest grade stand in it, so that it says the same once the rig
    file's scale has changed.
    """
    return {
        "of": of,
        "scale": scale.name,
        "grade": grade,
        "highest": scale.highest,
        "word": scale.words[grade],
        "extent_percent": extent,
        "looked": str(looked),
        "face": at.face,
        "depth_mm": at.depth,
        "height_from_mm": at.low,
        "height_to_mm": at.high,
    }


_FIELDS = frozenset(
    observation_content(
        SeenAt("b", Face.DRY), of="o", scale=GradeScale("s", ("o",), ("none", "some"), ""), grade=0
    )
)


def wrong_content(entry: LogbookEntry) -> str | None:
    """What is wrong with an entry of the kind "observation"; None if nothing is."""
    content = entry.content
    if entry.subject.about is not About.BAY:
        return "An observation is about a bay: name it"
    if content.keys() != _FIELDS:
        return f"An observation has {', '.join(sorted(_FIELDS))}"
    for name in _LINES:
        words = content[name]
        good = isinstance(words, str) and words.isprintable() and 0 < len(words) <= LONGEST_WORDS
        if not good:
            return f"The {name} of an observation is one line of up to {LONGEST_WORDS} characters"
    grade, highest = content["grade"], content["highest"]
    if not _whole(highest) or not 1 <= int(str(highest)) < MOST_GRADES:
        return f"The highest grade of a scale is 1 to {MOST_GRADES - 1}, not {_found(highest)}"
    if not _whole(grade) or not 0 <= int(str(grade)) <= int(str(highest)):
        return f"The grade of an observation is 0 to {highest}, not {_found(grade)}"
    if content["looked"] not in list(Looked):
        return f"How somebody looked is one of {', '.join(Looked)}"
    return _wrong_place(content) or _wrong_extent(content)


def _wrong_place(content: Mapping[str, Json]) -> str | None:
    face, depth = content["face"], content["depth_mm"]
    if face is not None and face not in list(Face):
        return f"The face of an observation is one of {', '.join(Face)}"
    if (face is None) == (depth is None):
        return "An observation is on a face, or at a depth that was laid open: tell one of them"
    low, high = content["height_from_mm"], content["height_to_mm"]
    for what, length in (("depth", depth), ("lower end", low), ("upper end", high)):
        if length is not None and not _between(length, 0.0, _FARTHEST):
            return f"The {what} of an observation is a number of mm, not {_found(length)}"
    if (low is None) != (high is None):
        return "An observation goes from one height to another: tell both, or neither for all of it"
    if low is not None and float(str(low)) > float(str(high)):
        return f"An observation goes up: from {_found(high)} to {_found(low)} mm"
    return None


def _wrong_extent(content: Mapping[str, Json]) -> str | None:
    extent = content["extent_percent"]
    if extent is None:
        return None
    if not _between(extent, 0.0, 100.0):
        return f"The extent of an observation is 0 to 100 %, or left out, not {_found(extent)}"
    if (float(str(extent)) > 0) != (content["grade"] != 0):
        return (
            "Grade 0 is that nothing was seen, and goes with an extent of 0 %, any other grade "
            "with more: correct one of them, or leave the extent out"
        )
    return None


def unfit(entry: LogbookEntry, rig: Rig) -> str | None:
    """What to say of an observation that this rig has no scale or no place for; None if it has.

    The entry is one that `wrong_content` found nothing wrong with, of a bay the rig has.
    """
    content, at = entry.content, seen_at(entry)
    of, name = str(content["of"]), str(content["scale"])
    try:
        scale = scale_called(name, of, rig)
    except RequestError as error:
        return str(error).removesuffix(" Nothing was kept.").rstrip(".")
    grade = int(str(content["grade"]))
    if content["highest"] != scale.highest or content["word"] != scale.words[grade]:
        return f"Grade {grade} of the scale {name} is {scale.words[grade]!r} of {scale.highest}"
    bay = next(bay for bay in rig.specimen.bays if bay.name == at.bay)
    if at.depth is not None and at.depth > bay.thickness:
        return (
            f"{at.depth:g} mm from the wet face is outside: {bay.name} is {bay.thickness:g} mm "
            "thick"
        )
    if at.high is not None and at.high > rig.specimen.height:
        return (
            f"{at.high:g} mm above the underside is outside: the specimen is "
            f"{rig.specimen.height:g} mm high"
        )
    return None


def seen_at(entry: LogbookEntry) -> SeenAt:
    """Where an entry of the kind "observation" is."""
    content = entry.content
    face = content["face"]
    return SeenAt(
        entry.subject.name,
        None if face is None else str(face),
        *(number_in(content[name]) for name in ("depth_mm", "height_from_mm", "height_to_mm")),
    )


def observations(entries: Iterable[LogbookEntry]) -> list[Observation]:
    """The observations that count, oldest first; `entries` may be of any kind.

    One that was corrected counts no more: one of the same kind stands in its place, any other takes
    it away.
    """
    found = [
        observation_in(entry)
        for entry in entries
        if entry.kind == OBSERVATION and not entry.corrected_by
    ]
    return sorted(found, key=lambda each: (each.at_ms, each.number))


def observation_in(entry: LogbookEntry) -> Observation:
    """The observation that an entry of its kind holds."""
    content = entry.content
    return Observation(
        number=entry.number,
        at_ms=speaks_of_ms(entry),
        by=entry.by,
        at=seen_at(entry),
        of=str(content["of"]),
        scale=str(content["scale"]),
        grade=int(str(content["grade"])),
        highest=int(str(content["highest"])),
        word=str(content["word"]),
        extent=number_in(content["extent_percent"]),
        looked=str(content["looked"]),
        says=entry.says,
        photos=entry.photos,
    )


def series_of(seen: Iterable[Observation]) -> list[Series]:
    """Observations by what was looked for and where, those looked at last first.

    Parameters
    ----------
    seen : iterable of Observation
        As `observations` gives them. A place is the same only with the same bay, face or depth, and
        heights.
    """
    found: dict[tuple[str, SeenAt], list[Observation]] = {}
    for each in seen:
        found.setdefault((each.of, each.at), []).append(each)
    every = [Series(at, of, tuple(own)) for (of, at), own in found.items()]
    return sorted(every, key=lambda each: -each.seen[-1].at_ms)


def grade_words(seen: Observation) -> str:
    """How much was seen: "grade 1 of 4 by ASTM G21 (traces), about 5 % of it, by eye"."""
    parts = [f"grade {seen.grade} of {seen.highest} by {seen.scale} ({seen.word})"]
    if seen.extent:
        parts.append(f"about {seen.extent:g} % of it")
    return ", ".join([*parts, seen.looked])


def seen_words(seen: Observation) -> str:
    """What was seen, where and how much, in a line."""
    return f"{seen.of}, {seen.at.words}: {grade_words(seen)}"


def course_words(series: Series) -> str:
    """How it went, in sentences: between when and when it came, and what it is now.

    Grades of one scale only are held against each other, and only looks that are alike: what a
    glass shows that the eye does not see is nothing new.
    """
    last = series.seen[-1]
    alike = [e for e in series.seen if (e.scale, e.looked) == (last.scale, last.looked)]
    parts = []
    first = next((n for n, each in enumerate(alike) if each.grade > 0), None)
    if first is None:
        parts.append(f"Nothing was seen up to {time_words(alike[-1].at_ms)}.")
    elif first == 0:
        parts.append(f"It was there when it was first looked for, {time_words(alike[0].at_ms)}.")
    else:
        between = (time_words(alike[n].at_ms) for n in (first - 1, first))
        parts.append(f"It came between {' and '.join(between)}.")
    if first is not None and len(alike) > first + 1:
        was, now = alike[first].grade, last.grade
        how = "The same since" if was == now else f"From grade {was} to {now} since"
        parts.append(f"{how}.")
    if len(alike) < len(series.seen):
        parts.append(
            f"Only looks {last.looked} on the scale {last.scale} are compared, {len(alike)} of "
            f"{len(series.seen)}."
        )
    return " ".join(parts)


def told_of(of: str) -> list[str]:
    """What whoever saw something has to be told."""
    return [GROWTH_CAUTION] if of == Sight.GROWTH else []


def observation_document(seen: Observation) -> dict[str, Json]:
    """An observation for programs: times in RFC 3339 UTC, photos by their SHA-256."""
    at = seen.at
    return {
        "number": seen.number,
        "at": rfc3339(seen.at_ms),
        "by": seen.by,
        "of": seen.of,
        "bay": at.bay,
        "face": at.face,
        "depth_mm": at.depth,
        "height_from_mm": at.low,
        "height_to_mm": at.high,
        "scale": seen.scale,
        "grade": seen.grade,
        "highest_grade": seen.highest,
        "grade_words": seen.word,
        "extent_percent": seen.extent,
        "looked": seen.looked,
        "says": seen.says,
        "photos": list(seen.photos),
    }


def _whole(number: Json) -> bool:
    return isinstance(number, int) and not isinstance(number, bool)


def _between(number: Json, least: float, most: float) -> bool:
    if not isinstance(number, int | float) or isinstance(number, bool):
        return False
    return isfinite(number) and least <= number <= most


def _found(value: Json) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)[:20]
