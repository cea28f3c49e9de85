"""What each kind of probe has in the rig file, and how often it is read unless the file says."""

from collections.abc import Mapping
from dataclasses import dataclass

from longsoak.core.judge import SPANS
from longsoak.rigfile.report import number
from longsoak.vocabulary.rig import PUMP, UNIT_WORDS, Kind


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
    # Common practice for months: a pump that stops is told within minutes; a steady one is stored
    # rarely.
    Kind.FLOW: Defaults(every=10, record=60, resolution=0.2),
    Kind.PUMP_CURRENT: Defaults(every=10, record=60, resolution=0.05),
    # Common practice for months: electrodes change over days, and each look drives current.
    Kind.POLARISATION: Defaults(every=3600),
    # Common practice for months: what is weighed changes over hours; a step is stored at once.
    Kind.SCALE: Defaults(every=10, record=60, resolution=0.1),
    # Common practice for months: salts and acidity change over days.
    Kind.CONDUCTIVITY: Defaults(every=900),
    Kind.PH: Defaults(every=900),
    # A press has to be felt to be taken; a change is stored at once.
    Kind.BUTTON: Defaults(every=0.2, record=3600, resolution=1),
}

POSITION = ("bay", "depth", "height")
_LINEAR = ("zero", "per_unit", "record", "resolution")
_WARM = ("temperature", "zero_per_kelvin", "span_per_kelvin")
COMMON = ("name", "kind", "bus", "address", "every")

# Keys a probe of a kind must have beyond the common ones.
NEEDS: Mapping[Kind, tuple[str, ...]] = {
    Kind.PINS: (*POSITION, "curve", "temperature"),
    Kind.REFERENCE: ("nominal",),
    Kind.HUMIDITY: (),
    Kind.TEMPERATURE: (),
    Kind.LEVEL: (),
    Kind.FLOAT: ("trips_at",),
    Kind.FLOW: ("runs_from",),
    Kind.PUMP_CURRENT: ("runs_from",),
    Kind.POLARISATION: ("pair",),
    Kind.SCALE: ("weighs",),
    Kind.CONDUCTIVITY: (),
    Kind.PH: (),
    Kind.BUTTON: (),
}

# Keys it may have beside.
MAY: Mapping[Kind, tuple[str, ...]] = {
    Kind.PINS: ("across", "second_temperature", "without_temperature", "sits_in"),
    Kind.REFERENCE: ("place",),
    Kind.HUMIDITY: (*POSITION, "across", "place"),
    Kind.TEMPERATURE: (*POSITION, "across", "place"),
    Kind.LEVEL: ("place", *_LINEAR, *_WARM, "uncertainty"),
    Kind.FLOAT: ("place", "record"),
    Kind.FLOW: ("place", "bay", *_LINEAR),
    Kind.PUMP_CURRENT: ("place", "bay", *_LINEAR),
    Kind.POLARISATION: ("place",),
    Kind.SCALE: ("place", *_LINEAR, "uncertainty"),
    Kind.CONDUCTIVITY: ("place", "temperature", "zero", "per_unit", "uncertainty"),
    Kind.PH: ("place", "zero", "per_unit", "uncertainty"),
    Kind.BUTTON: ("place", "record"),
}


# Kinds whose keys are in a unit of their own; the words beside the keys speak of a level.
_OWN_UNIT = (*PUMP, Kind.SCALE, Kind.CONDUCTIVITY, Kind.PH)


def has(kind: Kind, key: str) -> bool:
    """Whether a probe of this kind can have this key."""
    return key in COMMON or key in NEEDS[kind] or key in MAY[kind]


def most_read(kind: Kind) -> float:
    """The largest value that is believed of a probe of this kind, in its unit."""
    return SPANS[kind].fail[1]


def expected_of(kind: object) -> Mapping[str, str]:
    """What to say of keys whose unit or range depends on the kind; empty for most kinds.

    Parameters
    ----------
    kind : object
        As the file has it.
    """
    known = next((each for each in _OWN_UNIT if each == kind), None)
    if known is None:
        return {}
    unit = UNIT_WORDS[known]
    said = {
        "zero": f"{unit} as a bare number",
        "per_unit": f"{unit} for one raw unit as a bare number, not 0",
        "resolution": f"{unit} as a bare number, 0 or more",
        "uncertainty": f"a standard uncertainty in {unit}, more than 0",
    }
    if known in PUMP:
        most = number(most_read(known))
        said["runs_from"] = f"{unit} as a bare number, more than 0 and up to {most}"
    return said
