"""What a limit asks, in one sentence. Pure."""

from longsoak.core.zones import spots_of
from longsoak.vocabulary.rig import LIMIT_UNIT_WORDS, Above, Limit, LimitQuantity, Rig, Zone

_OF = {
    LimitQuantity.DOWEL: "moisture content of the dowels",
    LimitQuantity.MASS_GAIN: "mass gain of the specimen",
}
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
        f"each averaged over {limit.window:g} h",
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
