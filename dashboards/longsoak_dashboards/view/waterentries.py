"""What is measured and done by hand beside the water, from a form into an entry."""

from collections.abc import Mapping
from math import inf, nan

from longsoak.core.logbook import subject_called, text_of
from longsoak.core.typednumber import TwoWaysError, number_typed
from longsoak.core.water.entries import LONGEST_WINDOW_MS, MOST_LITRES, ended_window, opened_window
from longsoak.core.water.rounds import (
    cup_content,
    cup_words,
    face_below,
    round_content,
    round_words,
)
from longsoak.vocabulary.errors import PhysicsError, RequestError
from longsoak.vocabulary.logbook import CUP, THE_RIG, WATER, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig

ROUND, CATCH, OPEN, END = "round", "catch", "open", "end"  # what a form writes
FIELDS = (
    *("what", "by", "conductivity", "at_temperature", "ph", "colour", "source", "biocide"),
    *("bay", "litres", "minutes", "width", "text", "lasts"),
)
_MINUTE_MS = 60_000
_USUAL_WINDOW = 60.0  # min


def entry_of(
    said: Mapping[str, str], rig: Rig, *, window: LogbookEntry | None, came_ms: int, now_ms: int
) -> LogbookEntry:
    """The entry that a form asks for.

    Parameters
    ----------
    said : mapping
        Its fields, of `FIELDS`.
    rig : Rig
        Whose bays a cup can stand in.
    window : LogbookEntry or None
        The service window that is open.
    came_ms, now_ms : int
        When it was filled in, and now, UTC ms.

    Raises
    ------
    RequestError
        Something is missing or no number.
    """
    what, by = said.get("what", ""), said.get("by", "")
    if what == END:
        if window is None:
            raise RequestError("No service window is open any more. Nothing was kept.")
        says = text_of(said.get("text", "")) or "The work is done."
        return ended_window(window, by=by, says=says, utc_ms=now_ms)
    if what == OPEN:
        minutes = _number(said, "lasts", "minutes")
        lasts_ms = round((_USUAL_WINDOW if minutes is None else minutes) * _MINUTE_MS)
        if not 0 < lasts_ms <= LONGEST_WINDOW_MS:
            raise RequestError("A service window lasts 1 to 240 minutes. Nothing was kept.")
        says = text_of(said.get("text", ""))
        return opened_window(by=by, says=says, at_ms=came_ms, lasts_ms=lasts_ms, asked_ms=now_ms)
    if what == CATCH:
        kind, subject = CUP, subject_called(said.get("bay", ""), rig)
        content = _catch(said, rig, subject)
        says = cup_words(content, subject.name)
    else:
        kind, subject, content = WATER, THE_RIG, _round(said)
        says = round_words(content)
    return LogbookEntry(
        asked_utc_ms=now_ms,
        at_utc_ms=came_ms,
        by=by,
        says=says,
        kind=kind,
        subject=subject,
        content=content,
    )


def _round(said: Mapping[str, str]) -> dict[str, Json]:
    try:
        return round_content(
            conductivity=_number(said, "conductivity", "conductivity"),
            at_temperature=_number(said, "at_temperature", "water's temperature"),
            ph=_number(said, "ph", "pH"),
            colour=said.get("colour", ""),
            source=said.get("source", ""),
            biocide=said.get("biocide", ""),
        )
    except PhysicsError as error:
        raise RequestError(f"{error}. Nothing was kept.") from error


def _catch(said: Mapping[str, str], rig: Rig, subject: Subject) -> dict[str, Json]:
    litres, minutes = _number(said, "litres", "litres"), _number(said, "minutes", "minutes")
    wide = _number(said, "width", "cup's width")
    if litres is None or not minutes:
        raise RequestError("A cup catch has litres and minutes. Nothing was kept.")
    area = face_below(rig, subject.name, width=wide)
    return cup_content(litres=litres, minutes=minutes, area_m2=area)


def litres_said(words: str) -> float | None:
    """The litres somebody read off the can; None where nothing was said.

    Raises
    ------
    RequestError
        It is no such number.
    """
    return number_said(words, "number of litres", low=0.0, high=MOST_LITRES)


def _number(said: Mapping[str, str], field: str, name: str) -> float | None:
    return number_said(said.get(field, ""), f"number for the {name}")


def number_said(words: str, what: str, *, low: float = -inf, high: float = inf) -> float | None:
    """A number between two others, with a point or a comma; None where nothing was said."""
    if not words:
        return None
    try:
        number = number_typed(words)
    except TwoWaysError as error:
        raise RequestError(f"{error} Nothing was kept.") from error
    except ValueError:
        number = nan
    if not low < number < high:
        raise RequestError(
            f"{words[:20]!r} is no {what}, expected for example 7.5. Nothing was kept."
        )
    return number
