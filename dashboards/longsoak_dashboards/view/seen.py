"""What was seen over time: at each place, look beside look, the oldest first."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from longsoak.core.observations import Observation, Series, course_words, series_of
from longsoak_dashboards.view.photos import Files, Picture, picture
from longsoak_dashboards.view.sentences import capital, counted, when


@dataclass(frozen=True, slots=True)
class Look:
    """One look at a place; `picture` is its first photo, None without any, `others` the rest."""

    number: int
    when: Markup
    by: str
    grade: str
    word: str
    how: str
    says: str
    picture: Picture | None
    others: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Place:
    """One place and what was looked for there; `again` leads to the form for another look."""

    number: int
    title: str
    course: str
    looks: tuple[Look, ...]
    again: str


@dataclass(frozen=True, slots=True)
class SeenPage:
    """The sheet; `of` and `bay` are what is chosen, or empty."""

    lead: str
    places: tuple[Place, ...]
    sights: tuple[str, ...]
    bays: tuple[str, ...]
    of: str
    bay: str


def seen_page(
    seen: Sequence[Observation], *, of: str, bay: str, now_ms: int, files: Files
) -> SeenPage:
    """Work out the sheet.

    Parameters
    ----------
    seen : sequence of Observation
        All that count, the oldest first.
    of, bay : str
        What is looked at, or empty for everything.
    now_ms : int
        UTC now, ms.
    files : Files
        What lies beside the record.
    """
    chosen = [each for each in seen if of in ("", each.of) and bay in ("", each.at.bay)]
    series = series_of(chosen)
    if chosen:
        looks, places = (
            counted(len(chosen), "look", "looks"),
            counted(len(series), "place", "places"),
        )
        lead = f"{capital(looks)} at {places}, each beside the one before it."
    else:
        yet = "Nothing of that was written down as seen."
        lead = yet if seen else "Nothing was written down as seen yet."
    return SeenPage(
        lead=lead,
        places=tuple(_place(each, now_ms=now_ms, files=files) for each in series),
        sights=tuple(dict.fromkeys(each.of for each in seen)),
        bays=tuple(dict.fromkeys(each.at.bay for each in seen)),
        of=of,
        bay=bay,
    )


def _place(series: Series, *, now_ms: int, files: Files) -> Place:
    return Place(
        number=series.seen[0].number,
        title=f"{capital(series.of)}: {series.at.words}",
        course=course_words(series),
        looks=tuple(_look(each, now_ms=now_ms, files=files) for each in series.seen),
        again=f"/logbook?again={series.seen[-1].number}#see",
    )


def _look(seen: Observation, *, now_ms: int, files: Files) -> Look:
    sheets = [f"/logbook/{seen.number}/photo/{n}" for n in range(1, len(seen.photos) + 1)]
    extent = f"about {seen.extent:g} % of it, " if seen.extent else ""
    return Look(
        number=seen.number,
        when=when(seen.at_ms, now_ms=now_ms),
        by=seen.by,
        grade=f"{seen.grade} of {seen.highest}",
        word=seen.word,
        how=f"{extent}{seen.looked}, by {seen.scale}",
        says=seen.says,
        picture=picture(seen.photos[0], files, sheet=sheets[0]) if seen.photos else None,
        others=tuple(sheets[1:]),
    )
