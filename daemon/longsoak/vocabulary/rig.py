"""A rig as its rig file declares it: geometry, probes, buses, reservoir, alarms, outlets.

Lengths are in mm, times in s, resistances in Ohm, temperatures in degC unless a name says
otherwise. Depth counts from the wet face, height from the specimen's underside, across from the
left edge as seen from the wet face, or from the front where that is the underside or the top.

Longer than other modules: it is one list of plain records that name each other, and a rig names all
of them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from math import inf

from longsoak.vocabulary.alarmplan import AlarmPlan
from longsoak.vocabulary.curve import Curve
from longsoak.vocabulary.destinations import Backup, Database, Heartbeat, Mail, Mqtt
from longsoak.vocabulary.handrule import HandRule
from longsoak.vocabulary.notices import Person, Webhook, Weekly
from longsoak.vocabulary.observation import GradeScale


class Kind(StrEnum):
    """What a probe measures; the values are the words of the rig file."""

    PINS = "pins"
    REFERENCE = "reference resistor"
    HUMIDITY = "humidity"
    TEMPERATURE = "temperature"
    LEVEL = "level"
    FLOAT = "float"
    FLOW = "flow"
    PUMP_CURRENT = "pump current"
    POLARISATION = "polarisation"
    SCALE = "scale"
    CONDUCTIVITY = "conductivity"
    PH = "pH"
    BUTTON = "button"


# Unit of a converted reading, as a UCUM code. A switch has none: it is in one state or the other.
UNIT = {
    Kind.PINS: "%",
    Kind.REFERENCE: "Ohm",
    Kind.HUMIDITY: "%",
    Kind.TEMPERATURE: "Cel",
    Kind.LEVEL: "mm",
    Kind.FLOAT: "1",
    Kind.FLOW: "L/min",
    Kind.PUMP_CURRENT: "A",
    Kind.POLARISATION: "mV",
    Kind.SCALE: "kg",
    Kind.CONDUCTIVITY: "uS/cm",
    Kind.PH: "[pH]",
    Kind.BUTTON: "1",
}
# The unit as a person reads it.
UNIT_WORDS = {
    Kind.PINS: "% MC",
    Kind.REFERENCE: "Ω",
    Kind.HUMIDITY: "% RH",
    Kind.TEMPERATURE: "°C",
    Kind.LEVEL: "mm",
    Kind.FLOAT: "",
    Kind.FLOW: "L/min",
    Kind.PUMP_CURRENT: "A",
    Kind.POLARISATION: "mV",
    Kind.SCALE: "kg",
    Kind.CONDUCTIVITY: "µS/cm",
    Kind.PH: "pH",
    Kind.BUTTON: "",
}
# What a unit is called where nothing is known but its UCUM code; others are read as they stand.
_CODE_WORDS = {"Cel": "°C", "Ohm": "Ω", "uS/cm": "µS/cm", "[pH]": "pH", "1": ""}
# What is in one of two states and measures nothing.
SWITCHES = (Kind.FLOAT, Kind.BUTTON)
# Kinds whose readings are judged against their own past and their neighbours.
JUDGED = (Kind.PINS, Kind.REFERENCE, Kind.HUMIDITY, Kind.TEMPERATURE)
# Kinds that tell whether the pump runs.
PUMP = (Kind.FLOW, Kind.PUMP_CURRENT)


def code_words(unit: str) -> str:
    """A unit's UCUM code as a person reads it."""
    return _CODE_WORDS.get(unit, unit)


class Quantity(StrEnum):
    """What the value of a pair of pins is of; anything but the first is relative."""

    MOISTURE_CONTENT = "moisture content"
    WOOD_EQUIVALENT = "wood-equivalent"
    DOWEL = "moisture content of the dowel"


QUANTITY_WORDS = {
    Quantity.MOISTURE_CONTENT: "% MC",
    Quantity.WOOD_EQUIVALENT: "% WME",  # wood moisture equivalent, as the trade abbreviates it
    Quantity.DOWEL: "% MC dowel",
}


class SitsIn(StrEnum):
    """What a pair of pins is driven into; the values are the words of the rig file.

    A dowel of wood comes into equilibrium with the air in the pores around it, days late, and
    tells nothing of the water content of what it sits in.
    """

    MATERIAL = "material"
    DOWEL = "dowel"


class Boundary(StrEnum):
    """What an edge of the specimen, or the line between two bays, lets through."""

    SEALED = "sealed"
    GUARDED = "guarded"
    OPEN = "open"


class Material(StrEnum):
    """What a layer is made of, as far as the drawing tells materials apart."""

    TIMBER = "timber"
    CORK = "cork"
    LIME = "lime"
    MASONRY = "masonry"
    CONCRETE = "concrete"
    BOARD = "board"
    INSULATION = "insulation"
    OTHER = "other"


class MouldClass(StrEnum):
    """How readily a surface grows mould; the values are the words of the rig file."""

    VERY_SENSITIVE = "very sensitive"
    SENSITIVE = "sensitive"
    MEDIUM_RESISTANT = "medium resistant"
    RESISTANT = "resistant"


class MouldDecline(StrEnum):
    """How fast its mould index falls in dry or cold air; the values are the rig file's words."""

    SIGNIFICANT = "significant"
    RELATIVELY_SIGNIFICANT = "relatively significant"
    RELATIVELY_LOW = "relatively low"
    ALMOST_NONE = "almost none"


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of a bay, from the wet face inwards; None is not declared."""

    name: str
    material: Material
    thickness: float
    mould_class: MouldClass | None = None
    mould_decline: MouldDecline | None = None


@dataclass(frozen=True, slots=True)
class DryFace:
    """What tells whether air condenses on a bay's dry face: probes by name.

    `surface` is a thermometer at the face, the others measure the air of the room before it.
    """

    surface: str
    temperature: str
    humidity: str


@dataclass(frozen=True, slots=True)
class Bay:
    """A side-by-side variant within the specimen, `start` to `end` across.

    `reach` is how far above the underside water climbs that has touched it, mm; None is by rule.
    """

    name: str
    start: float
    end: float
    layers: tuple[Layer, ...]
    dry_face: DryFace | None = None
    reach: float | None = None

    @property
    def thickness(self) -> float:
        """All layers together, mm."""
        return sum(layer.thickness for layer in self.layers)


@dataclass(frozen=True, slots=True)
class Edges:
    """The four outer edges, seen from the wet face."""

    top: Boundary
    bottom: Boundary
    left: Boundary
    right: Boundary


class WetFace(StrEnum):
    """Which face of the specimen is wetted: it stands, or lies over the reservoir."""

    SIDE = "side"
    UNDERSIDE = "underside"
    TOP = "top"


@dataclass(frozen=True, slots=True)
class Specimen:
    """The thing under test. `underside` is its height above the reservoir's floor.

    `breadth` is from front to back, of one that lies; one that stands is as broad as its layers.
    """

    height: float
    width: float
    underside: float
    edges: Edges
    between_bays: tuple[Boundary, ...]
    bays: tuple[Bay, ...]
    wet_face: WetFace = WetFace.SIDE
    breadth: float | None = None

    @property
    def lies(self) -> bool:
        """Whether its layers lie above each other."""
        return self.wet_face is not WetFace.SIDE

    @property
    def run(self) -> float:
        """How far the wet face goes the other way than across: up, or from front to back."""
        return self.height if self.breadth is None else self.breadth


@dataclass(frozen=True, slots=True)
class Block:
    """Things alike that take room in the water, from one height to another: pedestals, feet.

    `area` is the plan of all of them together, mm2; `count`, `length` (across) and `breadth` (front
    to back) are for a drawing, 0 where that is not known.
    """

    area: float
    start: float
    end: float
    count: int = 0
    length: float = 0.0
    breadth: float = 0.0


@dataclass(frozen=True, slots=True)
class Reservoir:
    """The water under the specimen. Heights count from its floor.

    `depth_table` pairs a water depth in mm with a volume in L, both rising from 0; it is as
    measured, or follows from `blocks`. Water splashes up to `splash` mm.
    """

    name: str
    level: str
    float_switch: str | None
    depth_table: tuple[tuple[float, float], ...]
    length: float
    breadth: float
    rim: float
    stop: float
    pump_needs: float
    blocks: tuple[Block, ...] = ()
    splash: float = 0.0


@dataclass(frozen=True, slots=True)
class EvaporationPan:
    """A pan of water in the same air, which loses nothing but what evaporates.

    The reservoir loses `factor` times as much from each m2; `factor_uncertainty` is standard.
    """

    level: str
    area: float  # m2
    factor: float = 1.0
    factor_uncertainty: float = 0.1


class Weighs(StrEnum):
    """What stands on a scale; the values are the words of the rig file."""

    SPECIMEN = "specimen"
    RESERVOIR = "reservoir"


@dataclass(frozen=True, slots=True)
class Room:
    """The probes that measure the air of the room, by name; None where there is none."""

    temperature: str | None = None
    humidity: str | None = None


@dataclass(frozen=True, slots=True)
class Bus:
    """A wire with one owner. `options` are the driver's own, already checked by it.

    `accuracy` is the relative standard uncertainty of a resistance measured on it, `insulation`
    the least resistance its wet harness has beside the pins, `most` the largest its meter can
    measure, both Ohm; None is not known.
    """

    name: str
    driver: str
    options: Mapping[str, object]
    accuracy: float = 0.01
    insulation: float = inf
    most: float | None = None


@dataclass(frozen=True, slots=True)
class StandIn:
    """What corrects a pair of pins while its temperature is missing: exactly one of the three.

    `last_good` is how long the last good temperature may serve, h; `probe` another probe; `fixed`
    a temperature, degC. `uncertainty` is the standard uncertainty of any of them, K.
    """

    uncertainty: float
    last_good: float | None = None
    probe: str | None = None
    fixed: float | None = None


@dataclass(frozen=True, slots=True)
class Probe:
    """One sensing location and what stands there.

    `every` is the poll period. `record` is the longest time between two stored readings of a probe
    that is stored only when it changes; it equals `every` for all others. `resolution` is the
    change that counts as one. `temperatures` are the one or two probes that correct a pair of pins,
    two being interpolated by depth; `quantity` is what its value is of. `runs_from` is the
    least value, in the unit of its kind, at which the pump runs. `pair` names the pins whose own
    voltage is measured: what their two polarities differ by. A level reads `zero_per_kelvin` mm
    and the share `span_per_kelvin` too high for each K that its one temperature is above 20 degC;
    `uncertainty` is standard, in the unit of its kind, None as usual. `weighs` is what a scale
    carries.
    """

    name: str
    kind: Kind
    bus: str
    address: Mapping[str, object]
    every: float
    record: float
    resolution: float
    bay: str | None = None
    depth: float | None = None
    height: float | None = None
    across: float | None = None
    place: str | None = None
    curve: str | None = None
    temperatures: tuple[str, ...] = ()
    stand_in: StandIn | None = None
    quantity: Quantity | None = None
    nominal: float | None = None
    zero: float = 0.0
    per_unit: float = 1.0
    trips_at: float | None = None
    runs_from: float | None = None
    pair: str | None = None
    zero_per_kelvin: float = 0.0
    span_per_kelvin: float = 0.0
    uncertainty: float | None = None
    weighs: Weighs | None = None

    @property
    def seat(self) -> tuple[object, ...]:
        """Where it is: the same of two probes at one place."""
        return self.bay, self.depth, self.height, self.across, self.place

    @property
    def unit_words(self) -> str:
        """The unit of its value as a person reads it."""
        return UNIT_WORDS[self.kind] if self.quantity is None else QUANTITY_WORDS[self.quantity]


class OutputKind(StrEnum):
    """What an output switches; the values are the words of the rig file."""

    BUZZER = "buzzer"
    LAMP = "lamp"
    FILL_VALVE = "fill valve"
    PUMP_RELAY = "pump relay"


# Outputs that let water in, so that nothing but an attended top-up may switch them on.
FILLS = (OutputKind.FILL_VALVE, OutputKind.PUMP_RELAY)


@dataclass(frozen=True, slots=True)
class Output:
    """Something on a bus that is switched. `longest` is how long it may be on at a time, s."""

    name: str
    kind: OutputKind
    bus: str
    address: Mapping[str, object]
    longest: float = inf


@dataclass(frozen=True, slots=True)
class Marks:
    """Free space on the record's disk, bytes: `low` alarms, at `lowest` room is made.

    `reserve` is held back to be given up last.
    """

    low: int = 500_000_000
    lowest: int = 100_000_000
    reserve: int = 8_000_000


@dataclass(frozen=True, slots=True)
class Band:
    """What somebody expects a probe to read, in its unit, on some days of the test.

    Days count from 1, the rig's `start`; both ends belong to it, `last` None is no end. It is from
    `low` to `high`, and moves by `moves` or more within a day.
    """

    probe: str
    first: int = 1
    last: int | None = None
    low: float = -inf
    high: float = inf
    moves: float = 0.0


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Changed thresholds of the checks: of one probe, or of all of a kind; None is as usual.

    `spike`, `step` and `apart` are in the unit of the kind, `rate` in that an hour, `flat` in h.
    """

    probe: str | None = None
    kind: Kind | None = None
    spike: float | None = None
    step: float | None = None
    rate: float | None = None
    flat: float | None = None
    apart: float | None = None


class LimitQuantity(StrEnum):
    """What a limit is of; the values are the words of the rig file.

    A mass gain is what the specimen weighs more than when the phase began.
    """

    MOISTURE_CONTENT = "moisture content"
    WOOD_EQUIVALENT = "wood-equivalent"
    DOWEL = "dowel"
    HUMIDITY = "humidity"
    MOULD_INDEX = "mould index"
    MASS_GAIN = "mass gain"


# Unit of a limit's bound, as a UCUM code and as a person reads it.
LIMIT_UNIT = {
    LimitQuantity.MOISTURE_CONTENT: "%",
    LimitQuantity.WOOD_EQUIVALENT: "%",
    LimitQuantity.DOWEL: "%",
    LimitQuantity.HUMIDITY: "%",
    LimitQuantity.MOULD_INDEX: "1",
    LimitQuantity.MASS_GAIN: "kg",
}
LIMIT_UNIT_WORDS = {
    LimitQuantity.MOISTURE_CONTENT: QUANTITY_WORDS[Quantity.MOISTURE_CONTENT],
    LimitQuantity.WOOD_EQUIVALENT: QUANTITY_WORDS[Quantity.WOOD_EQUIVALENT],
    LimitQuantity.DOWEL: QUANTITY_WORDS[Quantity.DOWEL],
    LimitQuantity.HUMIDITY: UNIT_WORDS[Kind.HUMIDITY],
    LimitQuantity.MOULD_INDEX: "",
    LimitQuantity.MASS_GAIN: UNIT_WORDS[Kind.SCALE],
}


class Side(StrEnum):
    """On which side of its bound a limit is kept."""

    AT_MOST = "at most"
    AT_LEAST = "at least"


class Above(StrEnum):
    """What a relative limit counts from; the values are the words of the rig file.

    Each pin's own mean over the baseline phase, or the phase's unwetted control.
    """

    OWN_BASELINE = "own baseline"
    CONTROL = "control"


class Statistic(StrEnum):
    """What is taken of a zone's probes in each window; the values are the words of the rig file."""

    HIGHEST = "highest"
    LOWEST = "lowest"
    MEAN = "mean"
    MEDIAN = "median"


class Rule(StrEnum):
    """Whose risk a decision rule bounds (JCGM 106); the values are the words of the rig file.

    The consumer's is that of a limit called held which was broken, the producer's that of one
    called broken which was held.
    """

    CONSUMERS_RISK = "consumer's risk"
    PRODUCERS_RISK = "producer's risk"


@dataclass(frozen=True, slots=True)
class Zone:
    """A part of the specimen, mm; both ends belong to it, and None is all of it."""

    bay: str | None = None
    layer: str | None = None
    depth: tuple[float, float] | None = None
    height: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Limit:
    """A criterion declared before a phase starts, on which a verdict is given after it.

    `bound` is in the unit of the quantity; of a relative limit, which has `above`, it is the rise.
    Each probe of the zone is averaged over `window` h, `statistic` is taken of these means, and it
    may be beyond the bound for `longest` h in all. `coverage` is the least share of the windows
    that need good data of every probe. `phases` are kinds or names of the phases it is for, `risk`
    the probability that `rule` allows, and `source` says where the limit is from.
    """

    name: str
    quantity: LimitQuantity
    side: Side
    bound: float
    statistic: Statistic
    zone: Zone = Zone()
    above: Above | None = None
    window: float = 24.0
    longest: float = 0.0
    coverage: float = 0.9
    phases: tuple[str, ...] = ("wetting",)
    rule: Rule = Rule.CONSUMERS_RISK
    risk: float = 0.05
    source: str | None = None


@dataclass(frozen=True, slots=True)
class Rig:
    """Everything one rig file says, checked.

    `scales` are those that what is seen is graded on, beside the usual ones.
    `time_zone` is an IANA name, which people's quiet hours and the weekly `trial` go by. `answers`
    are what a report says to whoever doubts the test, by the names of its objections; `question` is
    the one the test is to answer.
    """

    name: str
    invented: bool
    start: date | None
    page: str | None
    specimen: Specimen
    reservoir: Reservoir | None
    curves: Mapping[str, Curve]
    buses: tuple[Bus, ...]
    probes: tuple[Probe, ...]
    alarms: tuple[AlarmPlan, ...]
    mail: Mail | None
    mqtt: Mqtt | None
    database: Database | None
    backup: Backup | None = None
    marks: Marks = Marks()
    bands: tuple[Band, ...] = ()
    thresholds: tuple[Thresholds, ...] = ()
    limits: tuple[Limit, ...] = ()
    answers: Mapping[str, str] = field(default_factory=dict)
    hand_rule: HandRule | None = None
    scales: tuple[GradeScale, ...] = ()
    room: Room = Room()
    pan: EvaporationPan | None = None
    outputs: tuple[Output, ...] = ()
    heartbeat: Heartbeat | None = None
    time_zone: str = "UTC"
    people: tuple[Person, ...] = ()
    webhook: Webhook | None = None
    trial: Weekly | None = None

    @property
    def start_ms(self) -> int | None:
        """Where day 1 of the test begins, UTC ms since 1970."""
        if self.start is None:
            return None
        return (self.start.toordinal() - date(1970, 1, 1).toordinal()) * 86_400_000
