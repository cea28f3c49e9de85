"""Water rounds and cup catches as entries of the logbook: put into one, and judged. Pure."""

from collections.abc import Iterable
from math import isfinite

from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.water.cups import Catch, rate
from longsoak.core.water.salts import at_25
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import CUP, WATER, About, LogbookEntry
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig

_LONGEST = 200  # characters
# What can stand in a round, with the least and the most of it: brine, and water that is liquid.
_MEASURED = {"conductivity_25": (0.0, 300_000.0), "ph": (0.0, 14.0), "temperature": (-5.0, 60.0)}
_WORDS = ("colour", "source", "biocide")
CUP_HOLDS = 10.0  # L: what is held under the rail is no bigger than a bucket
_CAUGHT = {"litres": (0.0, CUP_HOLDS), "minutes": (0.0, 1440.0), "area_m2": (0.0, 100.0)}
_MAY_BE_NOTHING = ("litres",)  # a dry cup is a finding


def round_content(
    *,
    conductivity: float | None = None,
    at_temperature: float | None = None,
    ph: float | None = None,
    colour: str = "",
    source: str = "",
    biocide: str = "",
) -> dict[str, Json]:
    """What an entry of the kind "water" holds beside its words.

    Parameters
    ----------
    conductivity : float, optional
        As the meter says it, uS/cm.
    at_temperature : float, optional
        Of the water, degC, if the meter does not compensate: it is put right to 25 degC. Without it
        the conductivity is taken to be at 25 degC already.
    ph : float, optional
        Its pH.
    colour, source, biocide : str
        In words; a biocide with its dose.
    """
    right = conductivity
    if conductivity is not None and at_temperature is not None:
        right = at_25(conductivity, at_temperature)
    return {
        "conductivity_25": right,
        "ph": ph,
        "temperature": at_temperature,
        "colour": colour,
        "source": source,
        "biocide": biocide,
    }


def wrong_round(entry: LogbookEntry) -> str | None:
    """What is wrong with the content of an entry of the kind "water"; None if nothing is."""
    content = entry.content
    if content.keys() != {*_MEASURED, *_WORDS}:
        return "A water round has conductivity, pH, temperature, colour, source and biocide"
    for name, (least, most) in _MEASURED.items():
        number = content[name]
        if number is not None and not _within(number, least, most):
            return f"The {_said(name)} of a water round is {least:g} to {most:g}, or left out"
    for name in _WORDS:
        words = content[name]
        if not isinstance(words, str) or len(words) > _LONGEST or not words.isprintable():
            return f"The {name} of a water round is one line of up to {_LONGEST} characters"
    if all(content[name] in (None, "") for name in (*_MEASURED, *_WORDS)):
        return "A water round says at least one thing of the water"
    return None


def cup_content(*, litres: float, minutes: float, area_m2: float) -> dict[str, Json]:
    """What an entry of the kind "cup catch" holds; it is about a bay."""
    return {"litres": litres, "minutes": minutes, "area_m2": area_m2}


def wrong_cup(entry: LogbookEntry) -> str | None:
    """What is wrong with an entry of the kind "cup catch"; None if nothing is."""
    if entry.subject.about is not About.BAY:
        return "A cup catch is about a bay: name it"
    if entry.content.keys() != _CAUGHT.keys():
        return "A cup catch has litres, minutes and the area the cup stands for"
    for name, (least, most) in _CAUGHT.items():
        number = entry.content[name]
        more = "" if name in _MAY_BE_NOTHING else "more than "
        if not _within(number, least, most) or (number == 0 and more):
            found = f"{number:g}" if isinstance(number, int | float) else str(number)[:20]
            return f"The {_said(name)} of a cup catch is {more}{least:g} to {most:g}, not {found}"
    return None


def conductivities(entries: Iterable[LogbookEntry]) -> list[tuple[int, float]]:
    """When and what was measured by hand, uS/cm at 25 degC, oldest first; UTC ms."""
    return sorted(
        (speaks_of_ms(entry), float(str(found)))
        for entry in entries
        if entry.kind == WATER
        and not entry.corrected_by
        and (found := entry.content["conductivity_25"]) is not None
    )


def catches(entries: Iterable[LogbookEntry]) -> list[Catch]:
    """The cup catches that count, oldest first."""
    return sorted(
        Catch(
            speaks_of_ms(entry),
            entry.subject.name,
            rate(*(float(str(entry.content[name])) for name in _CAUGHT)),
        )
        for entry in entries
        if entry.kind == CUP and not entry.corrected_by
    )


def round_words(content: dict[str, Json]) -> str:
    """The sentence of a water round's entry."""
    said = []
    if (salts := content["conductivity_25"]) is not None:
        said.append(f"{float(str(salts)):.0f} µS/cm at 25 °C")
    if (ph := content["ph"]) is not None:
        said.append(f"pH {ph}")
    if (warm := content["temperature"]) is not None:
        said.append(f"{warm} °C")
    said += [str(content[name]) for name in ("colour", "source") if content[name]]
    if content["biocide"]:
        said.append(f"biocide: {content['biocide']}")
    return f"Water round: {', '.join(said)}."


def cup_words(content: dict[str, Json], bay: str) -> str:
    """The sentence of a cup catch's entry."""
    litres, minutes, area = (float(str(content[name])) for name in _CAUGHT)
    return (
        f"{bay}: {litres:g} L caught in {minutes:g} min, {rate(litres, minutes, area):.2f} L/(m²h)."
    )


def face_below(rig: Rig, bay: str, *, width: float | None = None) -> float:
    """The face that a cup in a bay stands for, m2; `width` is the cup's, mm, or else the bay's.

    Raises
    ------
    RequestError
        There is no such bay, or the width is not above 0.
    """
    found = next((each for each in rig.specimen.bays if each.name == bay), None)
    if found is None:
        raise RequestError(f"{bay!r} is no bay. Name a bay. Nothing was kept.")
    wide = found.end - found.start if width is None else width
    if not wide > 0:
        raise RequestError(f"The cup is {wide:g} mm wide, and has to be wider than 0.")
    return wide * rig.specimen.run * 1e-6


def _within(number: object, least: float, most: float) -> bool:
    if not isinstance(number, int | float) or isinstance(number, bool):
        return False
    return isfinite(number) and least <= number <= most


def _said(name: str) -> str:
    return {"conductivity_25": "conductivity", "ph": "pH", "area_m2": "area in m²"}.get(name, name)
