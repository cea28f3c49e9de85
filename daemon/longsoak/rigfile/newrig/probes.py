"""Which probes answers come to, where each sits, and what it hangs on."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import count

from longsoak.rigfile.geometrychecks import SLACK
from longsoak.rigfile.newrig.addresses import Address, address_key, made_up, made_up_air
from longsoak.rigfile.newrig.answers import (
    DRIVERS,
    AirSide,
    Answers,
    BayAnswer,
    BusAnswer,
    LayerAnswer,
    Layout,
    Role,
    Stands,
    usual_options,
)
from longsoak.rigfile.report import number
from longsoak.vocabulary.rig import Kind, Material

CURVE = "Douglas-fir (coast)"
BUS_NAMES: Mapping[Role, str] = {
    Role.PINS: "pins",
    Role.TEMPERATURE: "thermometers",
    Role.AIR: "air",
    Role.LEVEL: "tray",
    Role.FLOAT: "float",
}
AIR_NAMES = {AirSide.WET: "air wet", AirSide.DRY: "room"}
_AIR_PLACES = {AirSide.WET: "air, wet face", AirSide.DRY: "room, dry face"}
REFERENCE = 10_000_000  # Ohm: in the midst of what pins read
LEVEL, FLOAT = "water level", "high float"


@dataclass(frozen=True, slots=True)
class Planned:
    """A probe as the rig file will have it; `says` are its keys beside the common ones."""

    name: str
    kind: Kind
    role: Role
    says: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Bus:
    """A bus as the rig file will have it."""

    name: str
    driver: str
    options: Mapping[str, object]
    roles: tuple[Role, ...]


def bus_of(answers: Answers, role: Role) -> BusAnswer:
    """What reads a role: as said, or the usual driver with nothing plugged in yet."""
    driver = DRIVERS[role][0]
    return answers.buses.get(role) or BusAnswer(driver, usual_options(role, driver))


def buses(answers: Answers, probes: tuple[Planned, ...]) -> tuple[Bus, ...]:
    """The buses that some probe hangs on; roles that are read the same way share one."""
    made: list[Bus] = []
    for role in Role:
        if not any(probe.role is role for probe in probes):
            continue
        said = bus_of(answers, role)
        same = next(
            (b for b in made if (b.driver, dict(b.options)) == (said.driver, dict(said.options))),
            None,
        )
        if same is None:
            made.append(Bus(BUS_NAMES[role], said.driver, said.options, (role,)))
        else:
            made[made.index(same)] = Bus(same.name, same.driver, same.options, (*same.roles, role))
    return tuple(made)


def plan_probes(answers: Answers) -> tuple[Planned, ...]:
    """All probes in the order of their roles, each with a name of its own; without addresses."""
    taken: set[str] = set()
    # Thermometers are named first: pins name them.
    named = [replace(each, name=_own_name(each.name, taken)) for each in _probes(answers)]
    order = list(Role)
    return tuple(sorted(named, key=lambda probe: order.index(probe.role)))


def addressed(answers: Answers, probes: tuple[Planned, ...]) -> Mapping[str, tuple[Address, bool]]:
    """The address of each probe by name, and whether it was made up."""
    found: dict[str, tuple[Address, bool]] = {}
    for bus in buses(answers, probes):
        taken = {
            address_key(bus.driver, address)
            for role in bus.roles
            for address in bus_of(answers, role).addresses
        }
        known = {role: iter(bus_of(answers, role).addresses) for role in bus.roles}
        fresh: dict[Kind, Iterator[Address]] = {}
        air = _alternating(made_up_air(bus.driver))
        for probe in (each for each in probes if each.role in bus.roles):
            said = next(known[probe.role], None)
            if said is not None:
                found[probe.name] = said, False
                if probe.role is Role.AIR:
                    next(air)
                continue
            source = (
                air
                if probe.role is Role.AIR
                else fresh.setdefault(probe.kind, made_up(bus.driver, probe.kind))
            )
            free = next(a for a in source if address_key(bus.driver, a) not in taken)
            taken.add(address_key(bus.driver, free))
            found[probe.name] = free, True
    return found


def _alternating(pairs: Iterator[tuple[Address, Address]]) -> Iterator[Address]:
    for humidity, temperature in pairs:
        yield humidity
        yield temperature


def _own_name(name: str, taken: set[str]) -> str:
    others = (f"{name} ({number})" for number in count(2))
    own = name if name not in taken else next(other for other in others if other not in taken)
    taken.add(own)
    return own


def _probes(answers: Answers) -> Iterator[Planned]:
    sceptical = answers.layout is Layout.SCEPTIC_PROOF
    if answers.thermometers:
        for bay in answers.bays:
            yield Planned(
                thermometer(bay), Kind.TEMPERATURE, Role.TEMPERATURE, _middle(answers, bay)
            )
    for side in answers.sides:
        place = {"place": _AIR_PLACES[side]}
        yield Planned(f"{AIR_NAMES[side]} RH", Kind.HUMIDITY, Role.AIR, place)
        yield Planned(f"{AIR_NAMES[side]} T", Kind.TEMPERATURE, Role.AIR, place)
    for bay in answers.bays:
        yield from _pins(answers, bay, twice=sceptical)
    if sceptical:
        says = {"nominal": REFERENCE, "place": "in the plug of the pins' instrument"}
        yield Planned("reference", Kind.REFERENCE, Role.PINS, says)
    if answers.water is not None:
        yield Planned(LEVEL, Kind.LEVEL, Role.LEVEL, {"zero": 0, "per_unit": 1})
        if answers.water.float_at is not None:
            yield Planned(FLOAT, Kind.FLOAT, Role.FLOAT, {"trips_at": answers.water.float_at})


def thermometer(bay: BayAnswer) -> str:
    """What the thermometer of a bay is called."""
    return f"T {bay.name}"


def height_at(answers: Answers, depth: float) -> float:
    """How high above the underside a depth of one that lies is, both mm."""
    high = answers.height - depth if answers.stands is Stands.FROM_ABOVE else depth
    return round(max(0.0, high), 6)


def _middle(answers: Answers, bay: BayAnswer) -> dict[str, object]:
    depth = round(bay.thickness / 2, 3)
    height = height_at(answers, depth) if answers.stands.lies else round(answers.height / 2, 3)
    across = _at(answers, bay, bay.width / 2)
    return {"bay": bay.name, "depth": depth, "height": height, "across": across}


def _at(answers: Answers, bay: BayAnswer, across: float) -> float:
    """A place in a bay, mm from where it begins, as mm from the specimen's left edge."""
    begins = answers.begins(bay)
    return min(max(begins, round(begins + across, 3)), answers.ends(bay))


def _pins(answers: Answers, bay: BayAnswer, *, twice: bool) -> Iterator[Planned]:
    corrects = thermometer(bay) if answers.thermometers else f"{AIR_NAMES[answers.sides[0]]} T"
    for depth in bay.depths:
        for index, along in enumerate(bay.along):
            height = height_at(answers, depth) if answers.stands.lies else along
            name = f"{bay.name} {number(depth)}/{number(along)}"
            for mark, across in _across(answers, bay, index, twice=twice):
                says: dict[str, object] = {
                    "bay": bay.name,
                    "depth": depth,
                    "height": height,
                    "across": _at(answers, bay, across),
                    "curve": CURVE,
                    "temperature": corrects,
                }
                timber = layer_at(bay, depth).material is Material.TIMBER
                if answers.dowels and (bay.is_between(depth) or not timber):
                    says["sits_in"] = "dowel"
                yield Planned(f"{name}{mark}", Kind.PINS, Role.PINS, says)


def _across(
    answers: Answers, bay: BayAnswer, index: int, *, twice: bool
) -> list[tuple[str, float]]:
    """Where across the bay the pair sits, mm, and its twin if there is one, with their marks."""
    if not answers.stands.lies:
        return [("", bay.width / 3), (" b", bay.width * 2 / 3)] if twice else [("", bay.width / 2)]
    here = bay.along[index]
    if not twice:
        return [("", here)]
    # The twin stands half-way to the next place, or back where the last stands at the edge.
    ends = (*bay.along[index + 1 : index + 2], bay.width)
    twin = (here + ends[0]) / 2 if ends[0] > here else _back(bay, index)
    return [("", here), (" b", twin)]


def _back(bay: BayAnswer, index: int) -> float:
    before = bay.along[index - 1] if index else 0.0
    # A quarter of the way: half-way stands the twin of the place before.
    return bay.along[index] - (bay.along[index] - before) / 4


def layer_at(bay: BayAnswer, depth: float) -> LayerAnswer:
    """The layer at a depth, mm; between two that further in, at the far face the last."""
    for layer in bay.layers:
        depth -= layer.thickness
        if depth < -SLACK:
            return layer
    return bay.layers[-1]
