"""Whether limits say something that can be judged later, of probes that there are."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches

from longsoak.core.phases import BASELINE, WETTING, WORDS
from longsoak.core.zones import Spot, away, inside, spots
from longsoak.rigfile.draft import BayDraft, Draft
from longsoak.rigfile.limittable import LimitTable, zone_of
from longsoak.rigfile.quantities import quantities
from longsoak.rigfile.reading import Part
from longsoak.rigfile.references import check_known, check_unique
from longsoak.rigfile.report import MISSING, Report, Written, listed, nearest, number, quoted
from longsoak.rigfile.tables import ProbeTable
from longsoak.vocabulary.rig import (
    LIMIT_UNIT_WORDS,
    Above,
    Bay,
    Kind,
    Layer,
    LimitQuantity,
    Probe,
    Quantity,
    Zone,
)

_BOTH, _NEITHER = Written("a table with both"), Written("a table with neither")
_BOUNDS = ("at_most", "at_least")
_ZONE = ("bay", "layer", "depth", "height")
_ABSOLUTE = (LimitQuantity.MOULD_INDEX, LimitQuantity.MASS_GAIN)  # that have no baseline
_NEAREST = 3  # probes named where a zone holds none
# What can be believed of each quantity at all, in its unit, the rise of a relative limit too.
# 300 % is more than any wood holds; a mould index goes from 0 to 6 by its definition.
_PLAUSIBLE: Mapping[LimitQuantity, tuple[float, float]] = {
    LimitQuantity.MOISTURE_CONTENT: (0.0, 300.0),
    LimitQuantity.WOOD_EQUIVALENT: (0.0, 300.0),
    LimitQuantity.DOWEL: (0.0, 300.0),
    LimitQuantity.HUMIDITY: (0.0, 100.0),
    LimitQuantity.MOULD_INDEX: (0.0, 6.0),
    LimitQuantity.MASS_GAIN: (-1000.0, 1000.0),
}
# What a probe needs to have for a place that holds one, as it is told where there is none.
_READS: Mapping[LimitQuantity, str] = {
    LimitQuantity.MOISTURE_CONTENT: "pair of pins that reads moisture content",
    LimitQuantity.WOOD_EQUIVALENT: "pair of pins that reads wood-equivalent",
    LimitQuantity.DOWEL: "pair of pins in a dowel",
    LimitQuantity.HUMIDITY: "humidity probe inside the specimen",
    LimitQuantity.MOULD_INDEX: "humidity and temperature probe at one seat inside the specimen",
    LimitQuantity.MASS_GAIN: "scale that weighs the specimen",
}


def check_limits(draft: Draft, *, report: Report) -> None:
    """Note limits that contradict themselves, or that no probe of this file can ever decide."""
    check_unique(
        report, (((*part.path, "name"), part.table.name) for part in draft.limits), what="limit"
    )
    known = _spots(draft)
    for part in draft.limits:
        _check_bound(part, report=report)
        _check_above(part, report=report)
        _check_spans(part, report=report)
        _check_phases(part, report=report)
        if _check_place(draft, part, report=report) and known is not None:
            _check_spots(draft, part, known, report=report)


def _check_bound(part: Part[LimitTable], *, report: Report) -> None:
    table, path, keys = part.table, part.path, part.keys & set(_BOUNDS)
    if len(keys) != 1:
        report.add(
            path,
            _BOTH if keys else _NEITHER,
            expected="exactly one of at_most and at_least",
            remedy="Write for example at_most = 20, and no at_least.",
        )
    if table.quantity is None:
        return
    low, high = _PLAUSIBLE[table.quantity]
    for key in _BOUNDS:
        bound: float | None = getattr(table, key)
        if bound is not None and not low <= bound <= high:
            unit = LIMIT_UNIT_WORDS[table.quantity]
            report.add(
                (*path, key),
                bound,
                expected=f"{unit or 'a mould index'} as a bare number, {number(low)} to "
                f"{number(high)}",
                remedy=f"Correct {key} or quantity.",
            )


def _check_above(part: Part[LimitTable], *, report: Report) -> None:
    quantity, path = part.table.quantity, (*part.path, "above")
    if quantity is LimitQuantity.WOOD_EQUIVALENT and "above" not in part.keys:
        report.add(
            path,
            MISSING,
            expected=f"one of {', '.join(Above)}: a wood-equivalent is no moisture content of what "
            "the pins sit in and compares with itself only, so that an absolute bound says nothing",
            remedy='Write for example above = "own baseline" and at_most = 3, the rise in %.',
        )
    if part.table.above is not None and quantity in _ABSOLUTE:
        report.add(
            path,
            str(part.table.above),
            expected=f"no above beside a {quantity}: only what pins or a humidity probe read is "
            "held against a baseline or a control",
            remedy="Remove above.",
        )
    listed_phases = part.table.phases or []
    if part.table.above is Above.OWN_BASELINE and BASELINE in listed_phases:
        after = [word for word in listed_phases if word != BASELINE] or [WETTING]
        report.add(
            (*part.path, "phases", listed_phases.index(BASELINE)),
            BASELINE,
            expected="phases that come after it: above its own baseline, a baseline is held "
            "against itself",
            remedy=f"Write phases = [{', '.join(map(quoted, after))}].",
        )


def _check_spans(part: Part[LimitTable], *, report: Report) -> None:
    for key, span in (("depth", part.table.depth), ("height", part.table.height)):
        if span is not None and span[0] > span[1]:
            report.add(
                (*part.path, key),
                list(span),
                expected="the least, then the most",
                remedy=f"Write {key} = [{number(span[1])}, {number(span[0])}].",
            )


def _check_phases(part: Part[LimitTable], *, report: Report) -> None:
    """Note what is most likely a misspelt kind: as a name, it would wait for its phase for ever."""
    for index, word in enumerate(part.table.phases or ()):
        plain = " ".join(word.lower().replace("-", " ").replace("_", " ").split())
        meant = get_close_matches(plain, WORDS, n=1, cutoff=0.9)
        if meant and word not in WORDS:
            report.add(
                (*part.path, "phases", index),
                word,
                expected=f"a kind of phase ({', '.join(WORDS)}), or a name not so near to one",
                remedy=f"Write {quoted(meant[0])}, or give that phase another name.",
            )


def _check_place(draft: Draft, part: Part[LimitTable], *, report: Report) -> bool:
    """Note a zone that isn't there; say whether it is worth looking for probes in it."""
    table, path = part.table, part.path
    there = [key for key in _ZONE if key in part.keys]
    if table.quantity is LimitQuantity.MASS_GAIN and there:
        report.add(
            (*path, there[0]),
            _found(table, there[0]),
            expected="no zone beside a mass gain: a scale weighs the whole specimen",
            remedy=f"Remove {' and '.join(there)}.",
        )
        return False
    bay = (*path, "bay")
    known = check_known(
        report, bay, table.bay, names=draft.bay_names, what="a bay", header="[[bays]]"
    )
    if "bay" in part.keys and not known:
        return False
    bays = [each for each in draft.bays if table.bay in (None, each.part.table.name)]
    layers = {layer.table.name: None for each in bays for layer in each.layers}
    names = [name for name in layers if name is not None]
    whole = draft.bay_names.complete and all(map(_whole, bays)) and len(names) == len(layers)
    if whole and table.layer is not None and table.layer not in names:
        meant, whose = nearest(table.layer, names), quoted(table.bay) if table.bay else "any bay"
        report.add(
            (*path, "layer"),
            table.layer,
            expected=f"the name of a layer of {whose}: {listed([quoted(name) for name in names])}",
            remedy=f"Write layer = {quoted(meant)}." if meant else "Correct layer or bay.",
        )
        return False
    readable = all(_found(table, key) is not None for key in (*there, "quantity"))
    spans = (table.depth, table.height)
    return readable and all(span is None or span[0] <= span[1] for span in spans)


def _check_spots(
    draft: Draft, part: Part[LimitTable], known: Sequence[Spot], *, report: Report
) -> None:
    table, zone = part.table, zone_of(part.table)
    if table.quantity is None:
        return
    of_it = [spot for spot in known if spot.quantity is table.quantity]
    held = [spot for spot in of_it if inside(spot, zone)]
    reads = _READS[table.quantity]
    if not of_it:
        read = listed(sorted({str(spot.quantity) for spot in known}))
        humid = [spot for spot in known if spot.quantity is LimitQuantity.HUMIDITY]
        alone = ""
        if table.quantity is LimitQuantity.MOULD_INDEX and humid:
            alone = f"; without a temperature there are {_nearest(humid, zone)}"
        report.add(
            (*part.path, "quantity"),
            str(table.quantity),
            expected=f"a quantity that is read: this rig has no {reads}; it reads "
            f"{read or 'nothing that a limit can be of'}{alone}",
            remedy="Correct quantity, or add the probe.",
        )
    elif not held:
        key = next((key for key in reversed(_ZONE) if key in part.keys), None)
        report.add(
            part.path if key is None else (*part.path, key),
            Written("a zone without a probe") if key is None else _found(table, key),
            expected=f"a zone that holds at least one {reads}; nearest: {_nearest(of_it, zone)}",
            remedy="Widen the zone, or correct quantity.",
        )
    elif table.above is Above.CONTROL and table.quantity not in _ABSOLUTE:
        _check_control(part, of_it, held, report=report)


def _check_control(
    part: Part[LimitTable], of_it: Sequence[Spot], held: Sequence[Spot], *, report: Report
) -> None:
    """Note a limit that counts from a control where no other bay could be one.

    A phase names the bay that is its control, so that here can be seen only whether there is one.
    """
    zone = zone_of(part.table)
    anywhere = replace(zone, bay=None, layer=None)
    bays = {spot.bay for spot in of_it if inside(spot, anywhere)} | {spot.bay for spot in held}
    if len(bays) < 2:
        report.add(
            (*part.path, "above"),
            str(Above.CONTROL),
            expected="own baseline, for there is no other bay with such a probe in this depth and "
            "height that could be an unwetted control",
            remedy='Write above = "own baseline", or widen the zone.',
        )


def _nearest(found: Sequence[Spot], zone: Zone) -> str:
    near = sorted(found, key=lambda spot: away(spot, zone))[:_NEAREST]
    return "; ".join(map(_where, near))


def _where(spot: Spot) -> str:
    name = " and ".join(map(quoted, spot.probes))
    return (
        f"{name} ({quoted(spot.bay or '')}, {quoted(spot.layer or '')}, "
        f"{number(spot.depth or 0.0)} mm deep, {number(spot.height or 0.0)} mm high)"
    )


def _found(table: LimitTable, key: str) -> object:
    value = getattr(table, key)
    return list(value) if isinstance(value, tuple) else value


def _whole(bay: BayDraft) -> bool:
    return bay.thickness is not None and len(bay.layers) == len(bay.part.table.layers or ())


def _spots(draft: Draft) -> list[Spot] | None:
    """Every place something is read at; None where a mistake elsewhere hides one of them."""
    if not draft.probe_names.complete or not draft.bay_names.complete:
        return None
    bays = [bay for draft_bay in draft.bays if (bay := _bay(draft_bay)) is not None]
    read = quantities(draft)
    probes = [_probe(part.table, part.keys, bays, read) for part in draft.probes]
    if len(bays) < len(draft.bays) or None in probes:
        return None
    return spots([probe for probe in probes if probe is not None], bays)


def _bay(draft: BayDraft) -> Bay | None:
    table, layers = draft.part.table, []
    for layer in draft.layers:
        name, material, thickness = layer.table.name, layer.table.material, layer.table.thickness
        if name is None or material is None or thickness is None:
            return None
        layers.append(Layer(name, material, thickness))
    if table.name is None or table.start is None or table.end is None or not layers:
        return None
    return Bay(table.name, table.start, table.end, tuple(layers))


def _probe(
    table: ProbeTable,
    keys: frozenset[str],
    bays: Sequence[Bay],
    read: Mapping[str, Quantity],
) -> Probe | None:
    """A probe as far as a zone asks; None where that can't be read."""
    bay = next((bay for bay in bays if bay.name == table.bay), None)
    if table.kind is None or table.name is None:
        return None
    sited = keys & {"bay", "depth", "height", "across"}
    if table.kind in (Kind.PINS, Kind.HUMIDITY, Kind.TEMPERATURE) and sited:
        if bay is None or table.depth is None or table.height is None:
            return None
        if not 0 <= table.depth <= bay.thickness:
            return None
    if table.kind is Kind.PINS and table.name not in read:
        return None
    if table.kind is Kind.SCALE and table.weighs is None:
        return None
    across = table.across
    if across is None and bay is not None:
        across = (bay.start + bay.end) / 2
    return Probe(
        name=table.name,
        kind=table.kind,
        bus="",
        address={},
        every=0.0,
        record=0.0,
        resolution=0.0,
        bay=table.bay,
        depth=table.depth,
        height=table.height,
        across=across,
        quantity=read.get(table.name) if table.kind is Kind.PINS else None,
        weighs=table.weighs,
    )
