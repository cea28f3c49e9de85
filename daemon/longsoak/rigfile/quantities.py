"""What the value of a pair of pins is of, and which pairs of curve and material mean nothing."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import accumulate

from longsoak.rigfile.curves import shipped
from longsoak.rigfile.draft import Draft
from longsoak.rigfile.geometrychecks import SLACK
from longsoak.rigfile.reading import Part
from longsoak.rigfile.report import Report, number, quoted
from longsoak.rigfile.tables import LayerTable, ProbeTable
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.curve import MadeFor
from longsoak.vocabulary.rig import Kind, Material, Quantity, SitsIn

_WOODEN = (Material.TIMBER, Material.BOARD)


def quantity_of(made_for: MadeFor, material: Material, sits_in: SitsIn | None) -> Quantity | None:
    """What a curve's value is of where the pins sit; None if it is of nothing.

    A curve fitted to a material gives its moisture content there and means nothing elsewhere. One
    for solid wood gives a wood-equivalent in any other material, which is common practice.
    """
    if sits_in is SitsIn.DOWEL:
        return Quantity.DOWEL if made_for is MadeFor.WOOD else None
    if made_for is MadeFor.WOOD:
        timber = material is Material.TIMBER
        return Quantity.MOISTURE_CONTENT if timber else Quantity.WOOD_EQUIVALENT
    board = made_for is MadeFor.BOARD
    fits = material is Material.BOARD if board else material not in _WOODEN
    return Quantity.MOISTURE_CONTENT if fits else None


def material_at(depth: float, layers: Sequence[tuple[Material, float]]) -> Material:
    """The material `depth` mm behind the wet face; `layers` are materials and thicknesses in mm.

    Between two layers it is the one further in, at the far face the last.
    """
    for material, thickness in layers:
        depth -= thickness
        if depth < -SLACK:
            return material
    return layers[-1][0]


def check_quantities(draft: Draft, *, report: Report) -> None:
    """Note pins between two materials, curves that mean nothing, and unlike values compared."""
    for probe, layers, made_for in _pins(draft):
        depth = probe.table.depth or 0.0
        if probe.table.sits_in is not SitsIn.DOWEL:
            _check_boundary(probe, layers, report=report)
        material = material_at(depth, [(m, t) for _, m, t in layers])
        if quantity_of(made_for, material, probe.table.sits_in) is None:
            where = "a dowel" if probe.table.sits_in is SitsIn.DOWEL else str(material)
            report.add(
                (*probe.path, "curve"),
                probe.table.curve,
                expected=f"a curve that means something in {where}: this one was made for "
                f"{made_for} and gives neither moisture content nor wood-equivalent there",
                remedy='Name a curve made for wood, such as "Douglas-fir (coast)", or one fitted '
                "to samples of this material.",
            )
    found = quantities(draft)
    for alarm in draft.alarms:
        one, other = found.get(alarm.table.probe or ""), found.get(alarm.table.against or "")
        if alarm.table.watch is Watch.DRIFT and one and other and one is not other:
            report.add(
                (*alarm.path, "against"),
                alarm.table.against,
                expected=f"another pair of pins that reads {one}; this one reads {other}, and the "
                "two can't be compared",
                remedy="Name a probe that measures the same.",
            )


def quantities(draft: Draft) -> Mapping[str, Quantity]:
    """What each pair of pins reads, by its name, of those of which all is known."""
    found = {}
    for probe, layers, made_for in _pins(draft):
        material = material_at(probe.table.depth or 0.0, [(m, t) for _, m, t in layers])
        quantity = quantity_of(made_for, material, probe.table.sits_in)
        if probe.table.name is not None and quantity is not None:
            found[probe.table.name] = quantity
    return found


def _pins(
    draft: Draft,
) -> Iterator[tuple[Part[ProbeTable], list[tuple[str, Material, float]], MadeFor]]:
    """Pins of which all is known that matters here: the probe, its bay's layers, its curve."""
    bays = {bay.part.table.name: bay for bay in draft.bays}
    known = _made_for(draft)
    for probe in draft.probes:
        bay, curve = bays.get(probe.table.bay), probe.table.curve
        if probe.table.kind is not Kind.PINS or bay is None or curve not in known:
            continue
        layers = [_layer(layer) for layer in bay.layers]
        depth, whole = probe.table.depth, bay.thickness
        if depth is None or whole is None or not 0 <= depth <= whole or None in layers:
            continue
        yield probe, [layer for layer in layers if layer is not None], known[curve]


def _layer(layer: Part[LayerTable]) -> tuple[str, Material, float] | None:
    table = layer.table
    if table.material is None or table.thickness is None:
        return None
    return table.name or "?", table.material, table.thickness


def _made_for(draft: Draft) -> Mapping[str | None, MadeFor]:
    found: dict[str | None, MadeFor] = {name: c.made_for for name, c in shipped().items()}
    found |= {name: part.table.made_for or MadeFor.WOOD for name, part in draft.curves.items()}
    return found


def _check_boundary(
    probe: Part[ProbeTable], layers: Sequence[tuple[str, Material, float]], *, report: Report
) -> None:
    depth = probe.table.depth or 0.0
    ends = list(accumulate(thickness for _, _, thickness in layers))
    for (outer, one, _), (inner, other, _), end in zip(layers, layers[1:], ends, strict=False):
        if one is not other and abs(depth - end) < SLACK:
            report.add(
                (*probe.path, "depth"),
                depth,
                expected=f"a depth inside one layer: at {number(end)} mm {quoted(outer)} ends and "
                f"{quoted(inner)} begins, and it matters which the pins sit in",
                remedy="Write the depth at which the pins' tips are.",
            )
