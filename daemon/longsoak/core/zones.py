"""Which probes a limit is on: those that read its quantity inside its zone. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot

from longsoak.vocabulary.rig import (
    Bay,
    Kind,
    Limit,
    LimitQuantity,
    Probe,
    Quantity,
    Rig,
    Weighs,
    Zone,
)

_SLACK = 1e-6  # mm: what adding decimal fractions costs
_OF_PINS = {
    Quantity.MOISTURE_CONTENT: LimitQuantity.MOISTURE_CONTENT,
    Quantity.WOOD_EQUIVALENT: LimitQuantity.WOOD_EQUIVALENT,
    Quantity.DOWEL: LimitQuantity.DOWEL,
}


@dataclass(frozen=True, slots=True)
class Spot:
    """A place where a limit's quantity is read.

    `probes` is one, or for a mould index the humidity and the temperature at one seat. What weighs
    the specimen is in no bay and no layer, and has neither depth nor height.
    """

    quantity: LimitQuantity
    probes: tuple[str, ...]
    bay: str | None = None
    layer: str | None = None
    depth: float | None = None
    height: float | None = None


def spots(probes: Iterable[Probe], bays: Sequence[Bay]) -> list[Spot]:
    """Every place where something is read that a limit can be of.

    Parameters
    ----------
    probes : iterable of Probe
        Those of a rig, or some of them. A probe outside the specimen is at none of these places.
    bays : sequence of Bay
        What the specimen is made of.
    """
    by_name = {bay.name: bay for bay in bays}
    known = list(probes)
    warmth = {probe.seat: probe.name for probe in known if probe.kind is Kind.TEMPERATURE}
    found = []
    for probe in known:
        if probe.kind is Kind.SCALE and probe.weighs is Weighs.SPECIMEN:
            found.append(Spot(LimitQuantity.MASS_GAIN, (probe.name,)))
        bay = by_name.get(probe.bay or "")
        if bay is None or probe.depth is None or probe.height is None:
            continue
        where = (bay.name, layer_at(probe.depth, bay), probe.depth, probe.height)
        if probe.quantity is not None:
            found.append(Spot(_OF_PINS[probe.quantity], (probe.name,), *where))
        if probe.kind is Kind.HUMIDITY:
            found.append(Spot(LimitQuantity.HUMIDITY, (probe.name,), *where))
            if probe.seat in warmth:
                pair = (probe.name, warmth[probe.seat])
                found.append(Spot(LimitQuantity.MOULD_INDEX, pair, *where))
    return found


def layer_at(depth: float, bay: Bay) -> str:
    """Name the layer `depth` mm behind a bay's wet face.

    Between two layers it is the one further in, at the far face the last.
    """
    for layer in bay.layers:
        depth -= layer.thickness
        if depth < -_SLACK:
            return layer.name
    return bay.layers[-1].name


def inside(spot: Spot, zone: Zone) -> bool:
    """Whether a place belongs to a zone; what weighs the specimen belongs to every one."""
    return away(spot, zone) == (0, 0.0)


def away(spot: Spot, zone: Zone) -> tuple[int, float]:
    """How far a place is from a zone: in how many of bay and layer it is another, and mm."""
    if spot.depth is None or spot.height is None:
        return 0, 0.0
    others = sum(
        wanted is not None and wanted != there
        for wanted, there in ((zone.bay, spot.bay), (zone.layer, spot.layer))
    )
    return others, hypot(_beyond(spot.depth, zone.depth), _beyond(spot.height, zone.height))


def _beyond(at: float, span: tuple[float, float] | None) -> float:
    if span is None:
        return 0.0
    off = max(span[0] - at, at - span[1], 0.0)
    return 0.0 if off <= _SLACK else off


def spots_of(limit: Limit, rig: Rig) -> list[Spot]:
    """The places a limit is on, in the order of the rig file's probes."""
    return [
        spot
        for spot in spots(rig.probes, rig.specimen.bays)
        if spot.quantity is limit.quantity and inside(spot, limit.zone)
    ]
