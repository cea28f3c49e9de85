"""What `longsoak new` has to know, and the tables of a file that says it."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import accumulate
from typing import Annotated

from pydantic import Field

from longsoak.rigfile.geometrychecks import SLACK
from longsoak.rigfile.outlettables import MailTable, MqttTable
from longsoak.rigfile.words import (
    Name,
    NotNegative,
    Positive,
    Table,
    Text,
    Words,
    measured,
    named,
    one_of,
)
from longsoak.vocabulary.rig import Material, WetFace

LONGEST_BAY = 24  # characters: probes are named after their bay
MOST = 50  # bays, layers of a bay, and places one way: more is a slip of the hand


class Stands(StrEnum):
    """How the specimen meets the water; the values are the words of the answers."""

    OVER_WATER = "over water"
    IN_WATER = "in water"
    FROM_BELOW = "lying, wetted from below"
    FROM_ABOVE = "lying, wetted from above"

    @property
    def wet_face(self) -> WetFace:
        """Which face of the rig file's specimen is wetted."""
        if self is Stands.OVER_WATER:
            return WetFace.SIDE
        return WetFace.TOP if self is Stands.FROM_ABOVE else WetFace.UNDERSIDE

    @property
    def lies(self) -> bool:
        """Whether its layers lie above each other, so that a probe's depth tells its height."""
        return self is not Stands.OVER_WATER


class Layout(StrEnum):
    """How much is fitted; the values are the words of the answers."""

    MINIMUM = "minimum"
    SCEPTIC_PROOF = "sceptic-proof"


class AirSide(StrEnum):
    """On which side of the specimen the air is measured."""

    WET = "wet"
    DRY = "dry"


class Role(StrEnum):
    """What hangs on a bus; the values are the words of the answers."""

    PINS = "pins"
    TEMPERATURE = "temperature"
    AIR = "air"
    LEVEL = "level"
    FLOAT = "float"


# What each role can be read by, of the drivers that ship; the first is the usual one.
DRIVERS: Mapping[Role, tuple[str, ...]] = {
    Role.PINS: ("lines", "scpi", "modbus", "iio"),
    Role.TEMPERATURE: ("onewire", "modbus", "hwmon", "sdi12"),
    Role.AIR: ("hwmon", "modbus", "sdi12"),
    Role.LEVEL: ("iio", "modbus", "sdi12"),
    Role.FLOAT: ("gpio", "modbus"),
}
ROLE_WORDS: Mapping[Role, str] = {
    Role.PINS: "the pairs of pins",
    Role.TEMPERATURE: "the thermometers in the specimen",
    Role.AIR: "humidity and temperature of the air",
    Role.LEVEL: "the water level",
    Role.FLOAT: "the float",
}
# What a bus is taken for until somebody says what is plugged in.
USUAL_OPTIONS: Mapping[str, Mapping[str, object]] = {
    "iio": {"device": "ads1015"},
    "gpio": {"chip": "pinctrl-bcm2711"},
    "onewire": {},
    "hwmon": {},
}


def usual_options(role: Role, driver: str) -> dict[str, object]:
    """The options of a bus that nobody has plugged in yet; a serial port has the role's name."""
    return dict(USUAL_OPTIONS.get(driver, {"port": f"/dev/serial/by-id/usb-{role}"}))


_Some = Annotated[list[object], Field(min_length=1, max_length=MOST)] | None
_Places = Annotated[list[NotNegative], Field(min_length=1, max_length=MOST)] | None
_YES_OR_NO = Words("true or false, without quotes", "true")


class AnswersTable(Table):
    """The top of a file of answers."""

    name: Annotated[Name | None, named("the rig's name", "render pair")] = None
    question: Annotated[
        Text | None,
        Words("what the test is to find out, as a string", '"Does water reach the timber?"'),
    ] = None
    stands: Annotated[Annotated[Stands, Field(strict=False)] | None, one_of(Stands)] = None
    layout: Annotated[
        Annotated[Layout, Field(strict=False)] | None, one_of(Layout, needed=False)
    ] = None
    height: Annotated[
        Positive | None,
        measured("millimetres as a bare number, more than 0", 420, needed=False),
    ] = None
    width: Annotated[
        Positive | None, measured("millimetres across as a bare number, more than 0", 1200)
    ] = None
    breadth: Annotated[
        Positive | None,
        measured("millimetres from front to back as a bare number, more than 0", 400, needed=False),
    ] = None
    underside: Annotated[
        NotNegative | None,
        measured("millimetres above the reservoir's floor as a bare number, 0 or more", 120),
    ] = None
    air: Annotated[
        list[Annotated[AirSide, Field(strict=False)]] | None,
        Words(
            "a list of the sides on which the air is measured: wet, dry, both or none",
            '["wet", "dry"]',
        ),
    ] = None
    thermometers: Annotated[bool | None, _YES_OR_NO] = None
    dowels: Annotated[bool | None, _YES_OR_NO] = None
    bays: Annotated[_Some, Words("one or more tables, each headed [[bays]]", "", needed=True)] = (
        None
    )
    reservoir: Annotated[dict[str, object] | None, Words("a table headed [reservoir]", "")] = None
    buses: Annotated[dict[str, object] | None, Words("tables such as [buses.pins]", "")] = None
    mail: Annotated[dict[str, object] | None, Words("a table headed [mail]", "")] = None
    mqtt: Annotated[dict[str, object] | None, Words("a table headed [mqtt]", "")] = None


class BayTable(Table):
    """``[[bays]]`` of the answers."""

    name: Annotated[
        Annotated[Name, Field(max_length=LONGEST_BAY)] | None,
        Words(
            f"the bay's name, 1 to {LONGEST_BAY} characters on one line, no space at either end",
            '"cork-lime"',
            needed=True,
        ),
    ] = None
    width: Annotated[
        Positive | None,
        measured("millimetres across as a bare number, more than 0", 600, needed=False),
    ] = None
    layers: Annotated[
        _Some,
        Words(
            "a list of layers from the wet face inwards",
            '[{ name = "timber panel", material = "timber", thickness = 180 }]',
            needed=True,
        ),
    ] = None
    depths: Annotated[
        _Places,
        Words("a list of millimetres from the wet face, each 0 or more", "[30, 90]", needed=True),
    ] = None
    heights: Annotated[
        _Places, Words("a list of millimetres above the underside, each 0 or more", "[60, 160]")
    ] = None
    across: Annotated[
        _Places,
        Words("a list of millimetres from where the bay begins, each 0 or more", "[150, 450]"),
    ] = None
    control: Annotated[bool | None, _YES_OR_NO] = None


class LayerTable(Table):
    """One of a bay's ``layers`` in the answers."""

    name: Annotated[Name | None, named("the layer's name", "timber panel")] = None
    material: Annotated[Annotated[Material, Field(strict=False)] | None, one_of(Material)] = None
    thickness: Annotated[
        Positive | None, measured("millimetres as a bare number, more than 0", 60)
    ] = None


class WaterTable(Table):
    """``[reservoir]`` of the answers."""

    name: Annotated[Name | None, named("the reservoir's name", "catch tray", needed=False)] = None
    length: Annotated[
        Positive | None, measured("millimetres as a bare number, more than 0", 1200)
    ] = None
    breadth: Annotated[
        Positive | None, measured("millimetres as a bare number, more than 0", 340)
    ] = None
    rim: Annotated[
        Positive | None,
        measured("millimetres above the reservoir's floor as a bare number, more than 0", 150),
    ] = None
    stop: Annotated[
        Positive | None,
        measured("millimetres above the reservoir's floor as a bare number, more than 0", 100),
    ] = None
    pump_needs: Annotated[
        NotNegative | None,
        measured("millimetres above the reservoir's floor as a bare number, 0 or more", 25),
    ] = None
    float_at: Annotated[
        Positive | None,
        measured(
            "millimetres above the reservoir's floor as a bare number, more than 0",
            105,
            needed=False,
        ),
    ] = None


class RoleTable(Table):
    """The part of ``[buses.pins]`` and the like that is not the driver's."""

    driver: Annotated[Name | None, Words("the name of a driver", '"lines"', needed=True)] = None
    addresses: Annotated[
        list[dict[str, object]] | None,
        Words("a list of addresses, in the order of the probes", "[{ channel = 101 }]"),
    ] = None


@dataclass(frozen=True, slots=True)
class LayerAnswer:
    """A layer, from the wet face inwards; `thickness` in mm."""

    name: str
    material: Material
    thickness: float


@dataclass(frozen=True, slots=True)
class BayAnswer:
    """A bay, `width` mm wide, and its pins.

    They sit at each of `depths` and, at each, at `along`: heights above the underside of a specimen
    that stands, and how far across the bay of one that lies, mm. A `control` is never wetted.
    """

    name: str
    width: float
    layers: tuple[LayerAnswer, ...]
    depths: tuple[float, ...]
    along: tuple[float, ...]
    control: bool = False

    @property
    def thickness(self) -> float:
        """All layers together, mm."""
        return sum(layer.thickness for layer in self.layers)

    def is_between(self, depth: float) -> bool:
        """Whether just at a depth, mm, one material ends and another begins."""
        ends = accumulate(layer.thickness for layer in self.layers)
        pairs = zip(self.layers, self.layers[1:], ends, strict=False)
        return any(
            one.material is not other.material and abs(depth - end) < 2 * SLACK
            for one, other, end in pairs
        )


@dataclass(frozen=True, slots=True)
class WaterAnswer:
    """The reservoir; heights above its floor in mm, `float_at` None without a float."""

    name: str
    length: float
    breadth: float
    rim: float
    stop: float
    pump_needs: float
    float_at: float | None


@dataclass(frozen=True, slots=True)
class BusAnswer:
    """What reads a role, with the addresses that are known; others are made up to be corrected."""

    driver: str
    options: Mapping[str, object]
    addresses: tuple[Mapping[str, object], ...] = ()


@dataclass(frozen=True, slots=True)
class Answers:
    """All that a rig file is written from, checked. Lengths in mm."""

    name: str
    stands: Stands
    height: float
    width: float
    underside: float
    bays: tuple[BayAnswer, ...]
    buses: Mapping[Role, BusAnswer]
    layout: Layout = Layout.MINIMUM
    breadth: float | None = None
    question: str | None = None
    air: tuple[AirSide, ...] | None = None
    thermometers: bool = True
    dowels: bool = False
    water: WaterAnswer | None = None
    mail: MailTable | None = None
    mqtt: MqttTable | None = None

    @property
    def control(self) -> BayAnswer | None:
        """The bay that is never wetted, if one is declared."""
        return next((bay for bay in self.bays if bay.control), None)

    @property
    def sides(self) -> tuple[AirSide, ...]:
        """Where the air is measured: as said, or as the layout has it."""
        if self.air is not None:
            return self.air
        return tuple(AirSide) if self.layout is Layout.SCEPTIC_PROOF else (AirSide.DRY,)

    def begins(self, bay: BayAnswer) -> float:
        """Where a bay begins, mm across from the left edge."""
        before = self.bays[: self.bays.index(bay)]
        return round(sum(other.width for other in before), 6)

    def ends(self, bay: BayAnswer) -> float:
        """Where a bay ends, mm across: where the next one begins, or the specimen ends."""
        place = self.bays.index(bay) + 1
        return self.width if place == len(self.bays) else self.begins(self.bays[place])
