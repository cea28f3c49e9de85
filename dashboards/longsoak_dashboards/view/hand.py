"""The sheet for a reading by hand: a section of each bay to tap on, old holes, and the form."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from markupsafe import Markup

from longsoak.core.handplaces import HandReading, old_hole, seat_of
from longsoak.core.handreadings import GRAINS, PINS, UNITS, Place
from longsoak.core.logbook import MOST_PHOTOS
from longsoak.core.metercheck import AFTER, BEFORE, WHEN, MeterCheck
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.rig import Bay, Rig
from longsoak_dashboards.drawing.handmap import Hole, draw_map
from longsoak_dashboards.drawing.section import Words, draw_section
from longsoak_dashboards.drawing.sheet import POINTS, Sheet, lay_out
from longsoak_dashboards.view.handchecks import OWN, round_checks
from longsoak_dashboards.view.handentries import FIELDS, KEPT
from longsoak_dashboards.view.photos import Files, Picture, picture
from longsoak_dashboards.view.sentences import when
from longsoak_dashboards.view.waterentries import number_said

SNAP = 5.0  # mm: nobody drives pins in any finer
WIDE = round(POINTS)  # pixels of a drawing whose taps a browser without scripts sends


@dataclass(frozen=True, slots=True)
class BayMap:
    """One bay to tap on. `high` is its height in pixels where it is `WIDE`; `link` chooses it."""

    name: str
    section: Markup
    over: Markup
    high: int
    chosen: bool
    link: str


@dataclass(frozen=True, slots=True)
class HoleRow:
    """An old hole in the list of them."""

    number: int
    round: str
    bay: str
    place: str
    when: Markup
    by: str


@dataclass(frozen=True, slots=True)
class HandPage:
    """What the sheet shows; `near` says of the place that is chosen that an old hole is too near.

    `units`, `grains`, `pins` and `same` are words to choose among, with the value each stands for.
    `check` is what the form for a test block holds, `whens` its choices, `checked` what the round
    has of such checks.
    """

    bays: tuple[BayMap, ...]
    said: Mapping[str, str]
    near: str
    holes: tuple[HoleRow, ...]
    kept: tuple[Picture, ...]
    once: str
    now: Markup
    units: tuple[tuple[str, str], ...]
    grains: tuple[tuple[str, str], ...]
    pins: tuple[tuple[str, str], ...]
    same: tuple[tuple[str, str], ...]
    check: Mapping[str, str]
    whens: tuple[str, ...]
    checked: tuple[str, ...]
    wide: int = WIDE
    most_photos: int = MOST_PHOTOS


def hand_page(
    rig: Rig,
    said: Mapping[str, str],
    known: Sequence[HandReading],
    checks: Sequence[MeterCheck],
    photos: Sequence[str],
    *,
    once: str,
    now_ms: int,
    files: Files,
) -> HandPage:
    """Work out the sheet.

    Parameters
    ----------
    rig : Rig
        Geometry and seats of its probes.
    said : mapping
        What the form holds, of `FIELDS`.
    known : sequence of HandReading
        Those there are, oldest first; their holes are shown, and no value.
    checks : sequence of MeterCheck
        Those there are of hand meters on a test block.
    photos : sequence of str
        Digests of photos that came with the form before.
    once : str
        What tells this form from others.
    now_ms : int
        UTC now, ms.
    files : Files
        What lies beside the record.
    """
    filled = {name: said.get(name, "") for name in FIELDS}
    names = [bay.name for bay in rig.specimen.bays]
    if filled["bay"] not in names:
        filled["bay"] = names[0]
    place = _place(filled)
    others = [each for each in known if str(each.number) != filled["corrects"]]
    bays = [
        _bay_map(rig, bay, sheet, others, filled, place, letter=i, now_ms=now_ms)
        for i, (bay, sheet) in enumerate(_laid_out(rig))
    ]
    near = None if place is None else old_hole(place, filled["bay"], filled["round"], others)
    begun = any(each.counts and each.setting.round == filled["round"] for each in known)
    usual = AFTER if begun else BEFORE
    return HandPage(
        bays=tuple(bays),
        said=filled,
        near=f"This place is {near}" if near else "",
        holes=tuple(_hole_row(each, now_ms=now_ms) for each in reversed(known)),
        kept=tuple(picture(digest, files) for digest in photos),
        once=once,
        now=when(now_ms, now_ms=now_ms),
        units=tuple((unit, "Ω" if unit == "Ohm" else unit) for unit in UNITS),
        grains=tuple((word, f"{word} the grain" if word else "not said") for word in GRAINS),
        pins=tuple((word, word or "not said") for word in PINS),
        same=(("", "a new one"), ("yes", "an old one again, on purpose")),
        check={name: said.get(name, "") for name in OWN} | {"when": said.get("when") or usual},
        whens=WHEN,
        checked=round_checks(known, checks, filled["round"]),
    )


def tapped(asked: Mapping[str, str], rig: Rig) -> dict[str, str]:
    """The place that a tap without scripts sends, in pixels of its drawing; nothing without one.

    It is put on the nearest 5 mm, and inside the specimen.
    """
    found = next((both for both in _laid_out(rig) if both[0].name == asked.get("bay")), None)
    pixels = [asked.get(name, "") for name in ("at.x", "at.y")]
    if found is None or not all(each.isdecimal() and len(each) < 6 for each in pixels):
        return {}
    _, sheet = found
    x, y = (int(each) * sheet.point * POINTS / WIDE for each in pixels)
    inwards = _snapped(sheet.view.left + x, most=sheet.across)
    height = _snapped(sheet.height - (sheet.view.top + y), most=sheet.height)
    depth, height, across = sheet.found(inwards, sheet.height - height)
    place = {"depth": f"{depth:g}", "height": f"{height:g}"}
    return place if across is None else {**place, "across": f"{across:g}"}


def _laid_out(rig: Rig) -> tuple[tuple[Bay, Sheet], ...]:
    """Each bay with how its section lies, without the water under it: it is not read there."""
    bare = replace(rig, reservoir=None)
    return tuple(zip(rig.specimen.bays, lay_out(bare), strict=True))


def _snapped(length: float, *, most: float) -> float:
    return min(max(0.0, SNAP * round(length / SNAP)), most)


def _place(said: Mapping[str, str]) -> Place | None:
    """The place in the form, if there is one already."""
    try:
        depth, height, across = (
            number_said(said[n], "number") for n in ("depth", "height", "across")
        )
    except RequestError:
        return None
    return None if depth is None or height is None else Place(depth, height, across)


def _bay_map(
    rig: Rig,
    bay: Bay,
    sheet: Sheet,
    known: Sequence[HandReading],
    said: Mapping[str, str],
    place: Place | None,
    *,
    letter: int,
    now_ms: int,
) -> BayMap:
    section = draw_section(
        sheet,
        rig,
        bay,
        (),  # no value: it is read blind
        None,
        (),
        name=f"h{letter}",
        words=Words(
            f"Section of {bay.name}, to scale, without values",
            "Tap a place, move it by the arrow keys, or write it into the fields below.",
        ),
        link=lambda _: "",
    )
    seats = [(p.name, seat) for p in rig.probes if p.bay == bay.name and (seat := seat_of(p))]
    holes = [
        Hole(each.place, each.setting.round, f"Round {each.setting.round}, {each.place.words}")
        for each in known
        if each.bay == bay.name
    ]
    chosen = bay.name == said["bay"]
    over = draw_map(sheet, seats=seats, holes=holes, place=place if chosen else None)
    view = sheet.view
    high = round(WIDE * (view.bottom - view.top) / (view.right - view.left))
    query = {name: said[name] for name in KEPT if said[name]} | {"bay": bay.name}
    return BayMap(bay.name, section.svg, over, high, chosen, f"/hand?{urlencode(query)}")


def _hole_row(reading: HandReading, *, now_ms: int) -> HoleRow:
    return HoleRow(
        reading.number,
        reading.setting.round,
        reading.bay,
        reading.place.words,
        when(reading.at_ms, now_ms=now_ms),
        reading.by,
    )
