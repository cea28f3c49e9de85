"""What a limit asks, in one sentence. Pure."""

from longsoak.core.zones import spots_of
from longsoak.vocabulary.rig import (
    LIMIT_UNIT_WORDS,
    Above,
    Layer,
    Limit,
    LimitQuantity,
    MouldClass,
    Rig,
    Zone,
)

_OF = {
    LimitQuantity.DOWEL: "moisture content of the dowels",
    LimitQuantity.MASS_GAIN: "mass gain of the specimen",
}
_TAKEN = {LimitQuantity.MOULD_INDEX: "each at its highest"}
_ABOVE = {
    Above.OWN_BASELINE: " above its own mean over the baseline",
    Above.CONTROL: " above the unwetted control",
}


def limit_words(limit: Limit, rig: Rig) -> str:
    """Say what a limit asks, of which probes, when, and by which decision rule."""
    parts = [
        f"{limit.statistic} {_OF.get(limit.quantity, limit.quantity)} {bound_words(limit)}",
        *zone_words(limit.zone),
        f"read by {', '.join('+'.join(spot.probes) for spot in spots_of(limit, rig))}",
        *(_surface_words(layer) for layer in mould_layers(limit, rig)),
        f"{_TAKEN.get(limit.quantity, 'each averaged')} over {limit.window:g} h",
        f"beyond it for at most {limit.longest:g} h in all" if limit.longest else "never beyond it",
        f"good data in {100 * limit.coverage:g} % of the windows",
        f"for {', '.join(limit.phases)}",
        f"{limit.rule} {100 * limit.risk:g} %",
    ]
    source = "" if limit.source is None else f" ({limit.source})"
    return f"{'; '.join(parts)}{source}"


def bound_words(limit: Limit) -> str:
    """The bound with its side and unit: "at most 20 % MC"."""
    unit = LIMIT_UNIT_WORDS[limit.quantity]
    above = "" if limit.above is None else _ABOVE[limit.above]
    return f"{limit.side} {limit.bound:g}{' ' if unit else ''}{unit}{above}"


def mould_layers(limit: Limit, rig: Rig) -> list[Layer]:
    """The layers whose surfaces a limit on a mould index is of; none for any other quantity."""
    if limit.quantity is not LimitQuantity.MOULD_INDEX:
        return []
    where = dict.fromkeys((spot.bay, spot.layer) for spot in spots_of(limit, rig))
    found = [
        layer
        for bay in rig.specimen.bays
        for layer in bay.layers
        if (bay.name, layer.name) in where
    ]
    return list(dict.fromkeys(found))


def classless(limit: Limit, rig: Rig) -> str | None:
    """Why a limit on a mould index gets no verdict; None where it can get one."""
    names = [layer.name for layer in mould_layers(limit, rig) if layer.mould_class is None]
    if not names:
        return None
    return (
        f"A mould index needs the class of its surface, and {', '.join(dict.fromkeys(names))} "
        f"declares no mould_class (one of {', '.join(MouldClass)})."
    )


def _surface_words(layer: Layer) -> str:
    if layer.mould_class is None:
        return f"{layer.name} of no declared mould_class"
    decline = layer.mould_decline
    falls = "how fast it declines not declared" if decline is None else f"decline {decline}"
    return f"{layer.name} as {layer.mould_class}, {falls}"


def zone_words(zone: Zone) -> list[str]:
    """A zone in a few words each; empty where it is the whole specimen."""
    names = ((zone.bay, "bay"), (zone.layer, "layer"))
    spans = ((zone.depth, "deep"), (zone.height, "high"))
    return [
        *(f"{what} {name}" for name, what in names if name is not None),
        *(f"{_span(*span)} mm {way}" for span, way in spans if span is not None),
    ]


def _span(least: float, most: float) -> str:
    return f"{least:g}" if least == most else f"{least:g} to {most:g}"
