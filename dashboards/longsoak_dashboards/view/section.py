"""The section sheet: each bay drawn, what hangs elsewhere, and everything as a table."""

from dataclasses import dataclass
from urllib.parse import urlencode

from markupsafe import Markup

from longsoak.core.cautions import cautions
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.rig import Kind, Quantity, Rig
from longsoak_dashboards.drawing.front import draw_front, letter
from longsoak_dashboards.drawing.section import Section, draw_section
from longsoak_dashboards.drawing.sheet import lay_out
from longsoak_dashboards.source import Snapshot
from longsoak_dashboards.view import standing
from longsoak_dashboards.view.marks import Mark, marks
from longsoak_dashboards.view.plans import KINDS_OF

_WHAT = {kind: what for what, kinds in KINDS_OF.items() for kind in kinds}
_FLAG_ORDER = (
    Flag.PASS,
    Flag.NOT_EVALUATED,
    Flag.SUSPECT,
    Flag.FAIL,
    Flag.MISSING,
)


@dataclass(frozen=True, slots=True)
class BaySheet:
    """One bay's drawing with its caption."""

    letter: str
    name: str
    section: Section


@dataclass(frozen=True, slots=True)
class SectionPage:
    """What the section sheet shows."""

    lead: tuple[Markup, ...]
    bays: tuple[BaySheet, ...]
    front: Markup
    elsewhere: tuple[tuple[Mark, str], ...]
    counts: tuple[tuple[int, str, int], ...]
    table: tuple[Mark, ...]
    has_pins: bool
    has_moisture_content: bool
    cautions: tuple[str, ...]


def section_page(snapshot: Snapshot) -> SectionPage:
    """Work out the section sheet."""
    rig, now_ms = snapshot.rig, snapshot.now_ms
    all_marks = marks(rig, snapshot.readings, last_good_ms=snapshot.last_good_ms, now_ms=now_ms)
    water = standing.water_now(rig, snapshot.readings, now_ms=now_ms)
    sentences = (
        standing.recording_sentence(rig, last_ms=snapshot.last_ms, now_ms=now_ms),
        standing.unset_sentence(first_ms=snapshot.first_ms, now_ms=now_ms),
        standing.clock_sentence(snapshot.readings, now_ms=now_ms),
        standing.day_sentence(rig, first_ms=snapshot.first_ms, now_ms=now_ms),
        standing.probes_sentence(all_marks),
        standing.water_sentence(rig, water),
        standing.alarms_sentence(snapshot.alarms),
        standing.gap_sentence(snapshot.last_gap, now_ms=now_ms),
    )
    bays = []
    for i, (bay, sheet) in enumerate(zip(rig.specimen.bays, lay_out(rig), strict=True)):
        inside = [m for m in all_marks if m.probe.bay == bay.name and _has_place(m)]
        title = (
            f"Section {letter(i)}\u2013{letter(i)} through bay {bay.name}, to scale; "
            "the table below holds the same figures."
        )
        drawn = draw_section(
            sheet,
            rig,
            bay,
            inside,
            water,
            name=f"s{i}",
            title=title,
            link=lambda m: trace_link(m, rig),
        )
        bays.append(BaySheet(letter(i), bay.name, drawn))
    return SectionPage(
        lead=tuple(Markup("{}").format(s) for s in sentences if s),
        bays=tuple(bays),
        front=draw_front(rig, water.level if water else None),
        elsewhere=tuple((m, _where(m, rig)) for m in all_marks if not _has_place(m)),
        counts=_counts(all_marks),
        table=all_marks,
        has_pins=any(mark.probe.kind is Kind.PINS for mark in all_marks),
        has_moisture_content=any(
            mark.probe.quantity is Quantity.MOISTURE_CONTENT for mark in all_marks
        ),
        cautions=cautions(rig),
    )


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


def _counts(all_marks: tuple[Mark, ...]) -> tuple[tuple[int, str, int], ...]:
    """Shape, word and number of each flag; those of no probe too, so that the key is whole."""
    rows = [(int(f), f.word, sum(m.shape == f for m in all_marks)) for f in _FLAG_ORDER]
    unread = sum(m.shape == 0 for m in all_marks)
    return (*rows, (0, "not read yet", unread)) if unread else tuple(rows)
