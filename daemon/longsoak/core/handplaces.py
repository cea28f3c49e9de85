"""Readings by hand as they stand in the logbook: their holes, rounds and nearest probes. Pure."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from math import hypot

from longsoak.core.handreadings import (
    SAME_HOLE,
    Place,
    Setting,
    Shown,
    hand_content,
    number_in,
    place_of,
    shown_in,
)
from longsoak.core.logbookwords import speaks_of_ms
from longsoak.core.wording import rfc3339, with_noun
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import HAND, LogbookEntry
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Kind, Probe, Rig

# A new place is this far off old holes, mm: what was opened once dries and wets by another way.
# Common practice.
APART = 20.0
# Two places no further from each other are one hole, mm: a hand finds a place that well. Common
# practice.
ONE_HOLE = 5.0
# A pair of pins is told beside a reading by hand, and it beside the pins, up to here, mm.
BESIDE = 30.0
LAPSE_MS = 18 * 3_600_000  # after which the next reading most likely begins another round


@dataclass(frozen=True, slots=True)
class HandReading:
    """A reading by hand that stands in the logbook, under a number, of a time in UTC ms.

    `counts` is false for one that was corrected by whatever; its hole is there all the same.
    """

    number: int
    at_ms: int
    by: str
    bay: str
    place: Place
    shown: Shown
    setting: Setting
    wood_temperature: float | None
    note: str
    counts: bool
    same_hole: bool = False


def hand_readings(entries: Iterable[LogbookEntry]) -> list[HandReading]:
    """Every reading by hand, oldest first; `entries` are all there are, of any kind.

    One that another reading by hand corrects is left out, for its hole was told wrong. One that
    was corrected by anything else does not count any more, and its hole stays.
    """
    every = {entry.number: entry for entry in entries}
    found = []
    for entry in every.values():
        by = [every[number].kind for number in entry.corrected_by if number in every]
        if entry.kind == HAND and HAND not in by:
            found.append(_reading(entry, counts=not entry.corrected_by))
    return sorted(found, key=lambda reading: (reading.at_ms, reading.number))


def _reading(entry: LogbookEntry, *, counts: bool) -> HandReading:
    content = entry.content
    return HandReading(
        number=entry.number,
        at_ms=speaks_of_ms(entry),
        by=entry.by,
        bay=entry.subject.name,
        place=place_of(content),
        shown=shown_in(content),
        setting=Setting(
            round=str(content["round"]),
            meter=str(content["meter"]),
            scale=str(content["scale"]),
            correction_temperature=number_in(content["correction_temperature"]),
            uncertainty=number_in(content["uncertainty"]),
            grain=str(content["grain"]),
            pins=str(content["pins"]),
        ),
        wood_temperature=number_in(content["wood_temperature"]),
        note=str(content["note"]),
        counts=counts,
        same_hole=SAME_HOLE in content,
    )


def with_corrections(entries: Sequence[LogbookEntry]) -> list[LogbookEntry]:
    """Entries with what corrects each, where the record was not asked since they came."""
    by: dict[int, list[int]] = {}
    for entry in entries:
        if entry.corrects is not None:
            by.setdefault(entry.corrects, []).append(entry.number)
    return [
        replace(entry, corrected_by=tuple(by[entry.number])) if entry.number in by else entry
        for entry in entries
    ]


def apart(one: Place, other: Place) -> float:
    """How far two places of a bay are from each other, mm; in section where one has no across."""
    beside = 0.0
    if one.across is not None and other.across is not None:
        beside = one.across - other.across
    return hypot(one.depth - other.depth, one.height - other.height, beside)


def old_hole(place: Place, bay: str, round_name: str, holes: Iterable[HandReading]) -> str | None:
    """What to say of a place too near to an old hole; None where there is none.

    Going on deeper in a hole of the same round is no second use of it.
    """
    near = [
        (apart(place, hole.place), hole)
        for hole in holes
        if hole.bay == bay and not _deeper(place, hole.place, same=hole.setting.round == round_name)
    ]
    if not near:
        return None
    off, hole = min(near, key=lambda pair: (pair[0], pair[1].number))
    if off >= APART:
        return None
    return (
        f"{off:.0f} mm from the hole of round {hole.setting.round} at {hole.place.words}. A hole "
        f"changes the wood around it: keep {APART:g} mm off old ones."
    )


def check_hole(entry: LogbookEntry, known: Iterable[LogbookEntry]) -> None:
    """Refuse a reading by hand in a hole that another round used already.

    Only one that says which pins it was read with makes a hole for sure; of others `old_hole`
    warns. An entry that says that it is the same hole on purpose passes.

    Parameters
    ----------
    entry : LogbookEntry
        Of any kind, one that `check_entry` passed.
    known : iterable of LogbookEntry
        All there are, of any kind.

    Raises
    ------
    RequestError
        Which hole it is, and how to mend it.
    """
    if entry.kind != HAND or SAME_HOLE in entry.content or not entry.content["pins"]:
        return
    place, own = place_of(entry.content), str(entry.content["round"])
    near = [
        (apart(place, place_of(hole.content)), hole)
        for hole in known
        if hole.kind == HAND
        and not hole.corrected_by
        and hole.subject == entry.subject
        and hole.content["round"] != own
        and hole.number != entry.corrects
    ]
    if not near:
        return
    off, hole = min(near, key=lambda pair: (pair[0], pair[1].number))
    if off > ONE_HOLE:
        return
    old = place_of(hole.content)
    aside = ""
    if place.across is None or old.across is None:
        aside = " say how far across both are if they are two,"
    raise RequestError(
        f"{place.words} is {off:.0f} mm from the hole of round {hole.content['round']} at "
        f"{old.words}, and a hole is used once: move by {APART:g} mm,{aside} correct entry "
        f"{hole.number} if its place is wrong, or say that it is the same hole on purpose. "
        "Nothing was kept."
    )


def _deeper(place: Place, hole: Place, *, same: bool) -> bool:
    seat = (place.height, place.across) == (hole.height, hole.across)
    return same and seat and place.depth > hole.depth


def seat_of(probe: Probe) -> Place | None:
    """Where in its bay a probe sits; None where that is not known."""
    if probe.bay is None or probe.depth is None or probe.height is None:
        return None
    return Place(probe.depth, probe.height, probe.across)


def nearest_pins(place: Place, bay: str, rig: Rig) -> tuple[Probe, float] | None:
    """The embedded pair of pins nearest to a place, and how far off it is, mm."""
    near = [
        (apart(place, seat), probe)
        for probe in rig.probes
        if probe.kind is Kind.PINS and probe.bay == bay and (seat := seat_of(probe)) is not None
    ]
    if not near:
        return None
    off, probe = min(near, key=lambda pair: (pair[0], pair[1].name))
    return probe, off


def beside(probe: Probe, readings: Iterable[HandReading]) -> list[tuple[HandReading, float]]:
    """Readings that count within `BESIDE` of a probe, with how far off, mm; the newest first."""
    seat = seat_of(probe)
    if seat is None:
        return []
    near = [(each, apart(seat, each.place)) for each in readings if each.bay == probe.bay]
    return [(each, off) for each, off in reversed(near) if each.counts and off <= BESIDE]


def told_after(
    place: Place, bay: str, round_name: str, rig: Rig, holes: Iterable[HandReading]
) -> list[str]:
    """What is told once a reading is kept: the nearest pins, and an old hole that is too near.

    What the pins read is not told: the next place of the round is read blind as well.
    """
    said = []
    if (near := nearest_pins(place, bay, rig)) is not None:
        said.append(f"The nearest pins are {near[0].name}, {near[1]:.0f} mm away.")
    if (wrong := old_hole(place, bay, round_name, holes)) is not None:
        said.append(f"It is {wrong}")
    return said


def next_round(readings: Sequence[HandReading], *, now_ms: int, over: Collection[str] = ()) -> str:
    """The round that a reading now most likely belongs to: the newest one while it goes on.

    `over` are rounds that somebody ended.
    """
    if not readings:
        return "1"
    newest = max(readings, key=lambda reading: reading.number)
    if now_ms - newest.at_ms < LAPSE_MS and newest.setting.round not in over:
        return newest.setting.round
    numbers = [int(r.setting.round) for r in readings if r.setting.round.isdecimal()]
    return str(max(numbers, default=len({r.setting.round for r in readings})) + 1)


def rounds_of(readings: Iterable[HandReading]) -> dict[str, list[HandReading]]:
    """Readings that count by round, the round that began first in front; each oldest first."""
    found: dict[str, list[HandReading]] = {}
    for reading in sorted(readings, key=lambda each: (each.at_ms, each.number)):
        if reading.counts:
            found.setdefault(reading.setting.round, []).append(reading)
    return found


def rounds_words(readings: Sequence[HandReading]) -> str:
    """How many readings there are, in how many rounds."""
    rounds = len({reading.setting.round for reading in readings})
    return f"{with_noun(len(readings), 'reading')} in {with_noun(rounds, 'round')}"


def hand_document(reading: HandReading) -> dict[str, Json]:
    """A reading for programs: times in RFC 3339 UTC, lengths in mm, units as UCUM codes."""
    said = hand_content(
        reading.place,
        reading.shown,
        reading.setting,
        wood_temperature=reading.wood_temperature,
        note=reading.note,
        same_hole=reading.same_hole,
    )
    head: dict[str, Json] = {
        "number": reading.number,
        "at": rfc3339(reading.at_ms),
        "by": reading.by,
        "bay": reading.bay,
        "counts": reading.counts,
    }
    return {**head, **said}
