"""A reading by hand, from a form into an entry of the logbook and back."""

from collections.abc import Mapping, Sequence

from longsoak.core.handreadings import (
    SAME_HOLE,
    UNITS,
    Place,
    Setting,
    hand_content,
    place_of,
    said_words,
    shown_in,
    shown_on,
)
from longsoak.core.logbook import bay_called, text_of
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import HAND, LogbookEntry
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.view.logasked import corrected_number, moment_said
from longsoak_dashboards.view.waterentries import number_said

# What stays from place to place, and what an address may fill in.
SETTING = (
    *("round", "unit", "meter", "scale", "correction_temperature", "uncertainty"),
    *("grain", "pins"),
)
KEPT = ("bay", "depth", "height", "across")
FIELDS = (
    *(*KEPT, *SETTING, "value", "wood_temperature", "note", "same_hole"),
    *("by", "at", "corrects", "once"),
)
_MM = {"depth": "depth", "height": "height", "across": "place across"}


def hand_entry(
    said: Mapping[str, str], rig: Rig, photos: Sequence[str], *, written_ms: int, now_ms: int
) -> LogbookEntry:
    """The entry that a form asks for.

    Parameters
    ----------
    said : mapping
        Its fields, of `FIELDS`.
    rig : Rig
        Whose bays it can be in.
    photos : sequence of str
        Digests of the photos that came with it.
    written_ms, now_ms : int
        When it was filled in, and now, UTC ms.

    Raises
    ------
    RequestError
        Something is missing, or is no number.
    """
    subject = bay_called(said["bay"], rig)
    depth, height, across = (number_said(said[n], f"number of mm for the {_MM[n]}") for n in _MM)
    if depth is None or height is None:
        raise RequestError(
            "Say where: tap the drawing, or write how deep and how high in mm. Nothing was kept."
        )
    if not said["value"]:
        raise RequestError("Write what the meter shows. Nothing was kept.")
    corrects = corrected_number(said["corrects"])
    content = hand_content(
        Place(depth, height, across),
        shown_on(said["value"], unit=said["unit"] or UNITS[0]),
        Setting(
            round=said["round"],
            meter=said["meter"],
            scale=said["scale"],
            correction_temperature=_celsius(said, "correction_temperature"),
            uncertainty=number_said(said["uncertainty"], "standard uncertainty"),
            grain=said["grain"],
            pins=said["pins"],
        ),
        wood_temperature=_celsius(said, "wood_temperature"),
        note=text_of(said["note"]),
        same_hole=said["same_hole"] == "yes",
    )
    return LogbookEntry(
        asked_utc_ms=now_ms,
        at_utc_ms=moment_said(said["at"], written_ms=written_ms),
        by=said["by"],
        says=said_words(subject.name, content),
        kind=HAND,
        subject=subject,
        corrects=corrects,
        photos=tuple(photos),
        content=content,
    )


def said_again(entry: LogbookEntry) -> dict[str, str]:
    """What the form held that an entry came from, to be set right."""
    content, place = entry.content, place_of(entry.content)
    shown = shown_in(content)
    sign = {"": "", "at least": ">", "at most": "<"}[shown.bound]
    lengths = zip(
        ("depth", "height", "across"), (place.depth, place.height, place.across), strict=True
    )
    return {
        "bay": entry.subject.name,
        **{name: _figure(length) for name, length in lengths},
        "value": f"{sign}{shown.value:.15g}",
        "unit": shown.unit,
        **{
            name: _figure(content[name])
            for name in ("correction_temperature", "wood_temperature", "uncertainty")
        },
        **{
            name: str(content[name])
            for name in ("round", "meter", "scale", "grain", "pins", "note")
        },
        "same_hole": "yes" if SAME_HOLE in content else "",
    }


def _celsius(said: Mapping[str, str], name: str) -> float | None:
    return number_said(said[name], f"{name.replace('_', ' ')} in °C")


def _figure(number: Json) -> str:
    return "" if number is None else f"{float(str(number)):g}"
