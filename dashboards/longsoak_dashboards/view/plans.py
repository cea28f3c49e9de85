"""Which probes stand together in which of the small multiples."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from longsoak.vocabulary.rig import PUMP, Kind, Probe, Rig
from longsoak_dashboards.view.sentences import capital

MOST_LINES = 6  # in one panel: there are as many strokes that can be told apart
DEPTH, HEIGHT, TOGETHER = "depth", "height", "together"
KINDS_OF: Mapping[str, tuple[Kind, ...]] = {
    "pins": (Kind.PINS,),
    "air": (Kind.TEMPERATURE, Kind.HUMIDITY),
    "water": (Kind.LEVEL, Kind.FLOAT, *PUMP, Kind.SCALE, Kind.CONDUCTIVITY, Kind.PH, Kind.BUTTON),
    "reference": (Kind.REFERENCE,),
    "polarisation": (Kind.POLARISATION,),
}
_NOTES = {
    Kind.TEMPERATURE: "°C",
    Kind.HUMIDITY: "% RH",
    Kind.LEVEL: "mm above the reservoir's floor",
    Kind.FLOAT: "up or down",
    Kind.BUTTON: "pressed or not",
    Kind.FLOW: "L/min",
    Kind.PUMP_CURRENT: "A",
    Kind.POLARISATION: "mV, what the two polarities of a pair differ by",
    Kind.SCALE: "kg",
    Kind.CONDUCTIVITY: "µS/cm at 25 °C",
    Kind.PH: "pH",
    Kind.REFERENCE: "% off its nominal value",
}


@dataclass(frozen=True, slots=True)
class PanelPlan:
    """One of the small multiples before its readings are fetched."""

    title: str
    note: str
    kind: Kind
    probes: tuple[Probe, ...]


def panels_of(
    probes: Sequence[Probe], rig: Rig, *, by: str, bay: str | None = None
) -> tuple[PanelPlan, ...]:
    """Panels of `probes`, each of one kind.

    Pins are parted `by` their depth or height, or stand together as far as their strokes can be
    told apart. `bay` is the one all of them are in, if that was asked for.
    """
    found: list[PanelPlan] = []
    for kind in (kind for kinds in KINDS_OF.values() for kind in kinds):
        of_kind = [probe for probe in probes if probe.kind is kind]
        if kind is Kind.PINS and of_kind:
            found += _pin_panels(of_kind, rig, by=by, bay=bay)
            continue
        title = capital("references" if kind is Kind.REFERENCE else kind.value)
        found += [
            PanelPlan(title, f"{words}, {_NOTES[kind]}" if words else _NOTES[kind], kind, part)
            for words, part in _parts(of_kind)
        ]
    return tuple(found)


def _pin_panels(pins: Sequence[Probe], rig: Rig, *, by: str, bay: str | None) -> list[PanelPlan]:
    if by == TOGETHER:
        return _pin_parts("Pins", "", pins)
    found = []
    if by == HEIGHT:
        for height in sorted({p.height for p in pins if p.height is not None}, reverse=True):
            there = [p for p in pins if p.height == height]
            found += _pin_parts(f"{height:g} mm high", "", there)
        loose = [p for p in pins if p.height is None]
        return [*found, *_pin_parts("no height", "declared by place", loose)]
    for depth in sorted({p.depth for p in pins if p.depth is not None}):
        there = [p for p in pins if p.depth == depth]
        found += _pin_parts(f"{depth:g} mm deep", _layer_words(rig, bay, depth), there)
    loose = [p for p in pins if p.depth is None]
    return [*found, *_pin_parts("no depth", "declared by place", loose)]


def _pin_parts(title: str, where: str, probes: Sequence[Probe]) -> list[PanelPlan]:
    return [
        PanelPlan(title, ", ".join(filter(None, (words, where, _units(part)))), Kind.PINS, part)
        for words, part in _parts(probes)
    ]


def _parts(probes: Sequence[Probe]) -> list[tuple[str, tuple[Probe, ...]]]:
    """Probes of one kind in panels of `MOST_LINES` at most, with what sets each panel apart.

    By bay, in the rig file's order, and then by depth where that helps, else in turn.
    """
    if len(probes) <= MOST_LINES:
        return [("", tuple(probes))] if probes else []
    bays = list(dict.fromkeys(probe.bay for probe in probes))
    deepest = float("inf")
    in_order = sorted(
        probes, key=lambda p: (bays.index(p.bay), deepest if p.depth is None else p.depth)
    )
    return _split(in_order, "", (_bay_words, _depth_words))


def _split(
    probes: list[Probe], words: str, ways: tuple[Callable[[Probe], str], ...]
) -> list[tuple[str, tuple[Probe, ...]]]:
    if len(probes) <= MOST_LINES:
        return [(words, tuple(probes))]
    if not ways:
        count = -(-len(probes) // MOST_LINES)
        size = -(-len(probes) // count)
        return [
            (
                f"{words}, {i + 1} of {count}" if words else f"{i + 1} of {count}",
                tuple(probes[i * size : (i + 1) * size]),
            )
            for i in range(count)
        ]
    way, *rest = ways
    groups: dict[str, list[Probe]] = {}
    for probe in probes:
        groups.setdefault(way(probe), []).append(probe)
    # One group is no split, and a panel for nearly each probe would be worse than any.
    if not 1 < len(groups) <= len(probes) / 2:
        return _split(probes, words, tuple(rest))
    return [
        part
        for name, group in groups.items()
        for part in _split(group, f"{words}, {name}" if words else name, tuple(rest))
    ]


def _bay_words(probe: Probe) -> str:
    return probe.bay or "in no bay"


def _depth_words(probe: Probe) -> str:
    return "at no depth" if probe.depth is None else f"{probe.depth:g} mm deep"


def _units(probes: Sequence[Probe]) -> str:
    """What the values of a panel are of: "% WME", "% MC and % WME"."""
    return " and ".join(dict.fromkeys(probe.unit_words for probe in probes))


def _layer_words(rig: Rig, bay: str | None, depth: float) -> str:
    said: list[str] = []
    for each in rig.specimen.bays:
        if bay not in (None, each.name):
            continue
        face = 0.0
        for layer in each.layers:
            if face <= depth < face + layer.thickness:
                words = f"{layer.material}, {depth - face:g} mm in"
                if words not in said:
                    said.append(words)
            face += layer.thickness
    same_depth = {words.rpartition(", ")[2] for words in said}
    if len(said) > 1 and len(same_depth) == 1:
        materials = " or ".join(words.rpartition(", ")[0] for words in said)
        return f"{materials}, {same_depth.pop()}"
    return "; ".join(said)
