"""Choosing probes: boxes to tick as the pins sit in each bay, and a link for each row of them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from longsoak.vocabulary.rig import Kind, Probe, Rig
from longsoak_dashboards.view.plans import DEPTH, KINDS_OF, TOGETHER
from longsoak_dashboards.view.sentences import capital
from longsoak_dashboards.view.traces import BYS, WHATS, Asked, Choice, address_of, shown


@dataclass(frozen=True, slots=True)
class Box:
    """A box to tick. `words` tell what is not told by where it stands."""

    name: str
    words: str
    ticked: bool


@dataclass(frozen=True, slots=True)
class Grid:
    """The pins of a bay, the highest row first and the depths from the wet face on.

    Each cell holds the boxes of that place; mostly there is one.
    """

    bay: Choice
    columns: tuple[Choice, ...]
    rows: tuple[tuple[Choice, tuple[tuple[Box, ...], ...]], ...]


@dataclass(frozen=True, slots=True)
class Group:
    """Probes without a place in a grid."""

    title: Choice
    boxes: tuple[Box, ...]


@dataclass(frozen=True, slots=True)
class Pick:
    """The form: `since` and `until` are as its fields have them, empty where none is said."""

    grids: tuple[Grid, ...]
    groups: tuple[Group, ...]
    since: str
    until: str
    hours: str
    by: str
    bys: tuple[tuple[str, str], ...]
    aside: bool


def pick(asked: Asked, rig: Rig) -> Pick:
    """Work out the form, with what is drawn now ticked."""
    drawn = {probe.name for probe in shown(asked, rig)}
    grids = []
    placed: set[str] = set()
    for bay in rig.specimen.bays:
        pins = [p for p in rig.probes if p.bay == bay.name and _in_grid(p)]
        if pins:
            grids.append(_grid(asked, bay.name, pins, drawn))
            placed |= {p.name for p in pins}
    groups = []
    for what, kinds in KINDS_OF.items():
        rest = [p for p in rig.probes if p.kind in kinds and p.name not in placed]
        if rest:
            title = _links(asked, capital(WHATS[what]), rest, by=asked.by)
            groups.append(Group(title, tuple(Box(p.name, p.name, p.name in drawn) for p in rest)))
    return Pick(
        tuple(grids),
        tuple(groups),
        _field(asked.since_ms),
        _field(asked.until_ms),
        asked.hours,
        asked.by,
        tuple(BYS.items()),
        asked.aside,
    )


def _in_grid(probe: Probe) -> bool:
    return probe.kind is Kind.PINS and probe.depth is not None and probe.height is not None


def _grid(asked: Asked, bay: str, pins: Sequence[Probe], drawn: set[str]) -> Grid:
    depths = sorted({p.depth for p in pins if p.depth is not None})
    heights = sorted({p.height for p in pins if p.height is not None}, reverse=True)
    rows = []
    for height in heights:
        row = [p for p in pins if p.height == height]
        cells = []
        for depth in depths:
            there = [p for p in row if p.depth == depth]
            # Pins of one place are told apart by their names, which else would only fill a phone.
            cells.append(
                tuple(Box(p.name, p.name if len(there) > 1 else "", p.name in drawn) for p in there)
            )
        rows.append((_links(asked, f"{height:g} mm high", row, by=TOGETHER), tuple(cells)))
    columns = [
        _links(asked, f"{depth:g} mm deep", [p for p in pins if p.depth == depth], by=TOGETHER)
        for depth in depths
    ]
    return Grid(_links(asked, bay, pins, by=DEPTH), tuple(columns), tuple(rows))


def _links(asked: Asked, words: str, probes: Sequence[Probe], *, by: str) -> Choice:
    """A link that draws some probes over the time that is drawn now."""
    names = tuple(p.name for p in probes)
    then = replace(asked, probes=names, by=by)
    return Choice(words, address_of(then), chosen=asked.probes == names)


def _field(utc_ms: int | None) -> str:
    if utc_ms is None:
        return ""
    return f"{datetime.fromtimestamp(utc_ms / 1000, UTC):%Y-%m-%dT%H:%M}"
