"""What each kind of probe has in the rig file, and how often it is read unless the file says."""

from collections.abc import Mapping
from dataclasses import dataclass

from longsoak.vocabulary.rig import Kind


@dataclass(frozen=True, slots=True)
class Defaults:
    """Poll period and longest time between stored readings, s; the change that is stored at once.

    `record` None means "as `every`": the probe is stored on every poll.
    """

    every: float
    record: float | None = None
    resolution: float = 0.0


# Common practice for months of running, none of it from a standard.
DEFAULTS: Mapping[Kind, Defaults] = {
    # Common practice for months: wood changes over hours, and each look drives current through it.
    Kind.PINS: Defaults(every=900),
    # Common practice for months: as often as the pins, so that it vouches for each of their scans.
    Kind.REFERENCE: Defaults(every=900),
    # Common practice for months: room air swings within minutes when a door opens.
    Kind.HUMIDITY: Defaults(every=60),
    # Common practice for months: as humidity, since the two are read together.
    Kind.TEMPERATURE: Defaults(every=60),
    # Common practice for months: a pump moves centimetres a minute; still water is stored rarely.
    Kind.LEVEL: Defaults(every=5, record=60, resolution=0.5),
    # Common practice for months: an overfill is told within seconds; any change is stored.
    Kind.FLOAT: Defaults(every=1, record=300, resolution=1),
}

POSITION = ("bay", "depth", "height")
COMMON = ("name", "kind", "bus", "address", "every")

# Keys a probe of a kind must have beyond the common ones.
NEEDS: Mapping[Kind, tuple[str, ...]] = {
    Kind.PINS: (*POSITION, "curve", "temperature"),
    Kind.REFERENCE: ("nominal",),
    Kind.HUMIDITY: (),
    Kind.TEMPERATURE: (),
    Kind.LEVEL: (),
    Kind.FLOAT: ("trips_at",),
}

# Keys it may have beside.
MAY: Mapping[Kind, tuple[str, ...]] = {
    Kind.PINS: ("across", "second_temperature", "without_temperature", "sits_in"),
    Kind.REFERENCE: ("place",),
    Kind.HUMIDITY: (*POSITION, "across", "place"),
    Kind.TEMPERATURE: (*POSITION, "across", "place"),
    Kind.LEVEL: ("place", "zero", "per_unit", "record", "resolution"),
    Kind.FLOAT: ("place", "record"),
}


def has(kind: Kind, key: str) -> bool:
    """Whether a probe of this kind can have this key."""
    return key in COMMON or key in NEEDS[kind] or key in MAY[kind]
