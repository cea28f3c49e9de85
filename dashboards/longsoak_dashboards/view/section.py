"""The section sheet: each bay drawn, what hangs elsewhere, and everything as a table."""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from markupsafe import Markup

from longsoak.core.cautions import cautions
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.rig import Bay, Kind, Quantity, Rig
from longsoak_dashboards.drawing.front import draw_front, letter
from longsoak_dashboards.drawing.key import draw_key
from longsoak_dashboards.drawing.section import Section, Words, draw_section
from longsoak_dashboards.drawing.sheet import lay_out
from longsoak_dashboards.drawing.water import Water
from longsoak_dashboards.source import Snapshot
from longsoak_dashboards.view import standing
from longsoak_dashboards.view.marks import Mark, marks
from longsoak_dashboards.view.plans import KINDS_OF
from longsoak_dashboards.view.probe import probe_link
from longsoak_dashboards.view.wash import bay_wash

_WHAT = {kind: what for what, kinds in KINDS_OF.items() for kind in kinds}
_WASH_OF = {
    Quantity.MOISTURE_CONTENT: "moisture content",
    Quantity.WOOD_EQUIVALENT: "wood-equivalent",
    Quantity.DOWEL: "moisture content of dowels",
}
_FLAG_ORDER = (
    Flag.PASS,
    Flag.NOT_EVALUATED,
    Flag.SUSPECT,
    Flag.FAIL,
    Flag.MISSING,
)


@dataclass(frozen=True, slots=True)
class BaySheet:
    """One bay's drawing with its caption; `notes` are what is said of its wash."""

    letter: str
    name: str
    section: Section
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SectionPage:
    """What the section sheet shows.

    `wash` is the key to what is shaded, None where nothing is, and `wash_of` what its values are
    of. `lies` names the wet face of a specimen that lies.
    """

    lead: tuple[Markup, ...]
    bays: tuple[BaySheet, ...]
    front: Markup
    elsewhere: tuple[tuple[Mark, str], ...]
    counts: tuple[tuple[int, str, int], ...]
    table: tuple[Mark, ...]
    wash: Markup | None
    wash_of: tuple[str, ...]
    lies: str
    has_feet: bool
    has_pins: bool
    has_moisture_content: bool
    cautions: tuple[str, ...]


def section_page(snapshot: Snapshot, *, as_it_was: Sequence[Markup] | None = None) -> SectionPage:
    """Work out the section sheet.

    Parameters
    ----------
    snapshot : Snapshot
        The record as it is, or as it was at a time in the past.
    as_it_was : sequence of Markup, optional
        What is said first of a time in the past, in place of whether it is being recorded.
    """
    rig, now_ms = snapshot.rig, snapshot.now_ms
    all_marks = marks(
        rig,
        snapshot.readings,
        last_good_ms=snapshot.last_good_ms,
        now_ms=now_ms,
        unread="not read yet" if as_it_was is None else "not read then",
    )
    water = standing.water_now(rig, snapshot.readings, now_ms=now_ms)
    now = (
        standing.recording_sentence(rig, last_ms=snapshot.last_ms, now_ms=now_ms),
        standing.unset_sentence(first_ms=snapshot.first_ms, now_ms=now_ms),
        standing.clock_sentence(snapshot.readings, now_ms=now_ms),
    )
    sentences = (
        *(now if as_it_was is None else as_it_was),
        standing.day_sentence(rig, first_ms=snapshot.first_ms, now_ms=now_ms),
        standing.probes_sentence(all_marks, past=as_it_was is not None),
        standing.water_sentence(rig, water),
        standing.alarms_sentence(snapshot.alarms, link=as_it_was is None),
        standing.gap_sentence(snapshot.last_gap, now_ms=now_ms),
    )
    bays, quantities = [], set[Quantity]()
    for i, (bay, sheet) in enumerate(zip(rig.specimen.bays, lay_out(rig), strict=True)):
        inside = [m for m in all_marks if m.probe.bay == bay.name and _has_place(m)]
        wash = bay_wash(sheet, bay, (m.probe for m in inside), snapshot.readings, now_ms=now_ms)
        drawn = draw_section(
            sheet,
            rig,
            bay,
            inside,
            water,
            wash.washes,
            name=f"s{i}",
            words=_words(letter(i), bay, inside, water, shaded=bool(wash.washes)),
            link=lambda m: probe_link(m.probe),
        )
        quantities |= wash.quantities
        bays.append(BaySheet(letter(i), bay.name, drawn, wash.notes))
    reservoir = rig.reservoir
    return SectionPage(
        lead=tuple(Markup("{}").format(s) for s in sentences if s),
        bays=tuple(bays),
        front=draw_front(rig, water.level if water else None),
        elsewhere=tuple((m, _where(m, rig)) for m in all_marks if not _has_place(m)),
        counts=_counts(all_marks),
        table=all_marks,
        wash=draw_key() if quantities else None,
        wash_of=tuple(_WASH_OF[each] for each in Quantity if each in quantities),
        lies=rig.specimen.wet_face.value if rig.specimen.lies else "",
        has_feet=reservoir is not None and any(block.count for block in reservoir.blocks),
        has_pins=any(mark.probe.kind is Kind.PINS for mark in all_marks),
        has_moisture_content=any(
            mark.probe.quantity is Quantity.MOISTURE_CONTENT for mark in all_marks
        ),
        cautions=cautions(rig),
    )


def _words(
    of: str, bay: Bay, inside: Sequence[Mark], water: Water | None, *, shaded: bool
) -> Words:
    """What a drawing says to those who can't see it."""
    said = [", ".join(f"{count} {word}" for _, word, count in _counts(inside) if count)]
    figures = [
        (float(m.value), m) for m in inside if m.of and m.shape <= Flag.NOT_EVALUATED and m.plain
    ]
    if figures:
        for word, (_, mark) in (
            ("Wettest", max(figures, key=_value)),
            ("driest", min(figures, key=_value)),
        ):
            said.append(f"{word} {mark.value} {mark.unit}, {mark.probe.name}")
    if water is not None:
        said += [words for words in (water.clearance_words, water.level_words) if words] or [
            water.unknown_words
        ]
    if shaded:
        said.append("shaded between good pins")
    return Words(
        f"Section {of}\u2013{of} through bay {bay.name}, to scale; the table below holds the same "
        "figures.",
        f"{len(inside)} probes: {'; '.join(said)}." if inside else "No probe is in it.",
    )


def _value(pair: tuple[float, Mark]) -> float:
    return pair[0]


def trace_link(mark: Mark, rig: Rig) -> str:
    """Where the traces sheet shows this probe."""
    probe = mark.probe
    query = {"what": _WHAT[probe.kind]}
    if probe.kind is Kind.PINS and probe.height is not None:
        query["height"] = f"{probe.height:g}"
    if len(rig.specimen.bays) > 2 and probe.bay:
        query["bay"] = probe.bay
    return f"/traces?{urlencode(query)}"


def _has_place(mark: Mark) -> bool:
    probe = mark.probe
    return probe.bay is not None and probe.depth is not None and probe.height is not None


def _where(mark: Mark, rig: Rig) -> str:
    probe = mark.probe
    if probe.place:
        return probe.place
    if rig.reservoir and probe.name in (rig.reservoir.level, rig.reservoir.float_switch):
        return rig.reservoir.name
    return probe.bay or f"bus {probe.bus}"


def _counts(all_marks: Sequence[Mark]) -> tuple[tuple[int, str, int], ...]:
    """Shape, word and number of each flag; those of no probe too, so that the key is whole."""
    rows = [(int(f), f.word, sum(m.shape == f for m in all_marks)) for f in _FLAG_ORDER]
    unread = sum(m.shape == 0 for m in all_marks)
    return (*rows, (0, "not read", unread)) if unread else tuple(rows)
