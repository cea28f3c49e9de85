"""The rig as it is built: bays, heights, depths, and where every probe hangs on which wire.

One list feeds both the rig file and the faked instruments, so they can't disagree.
"""

from collections.abc import Mapping
from dataclasses import dataclass

BAYS = ("cork-lime", "plain lime")
DEPTHS = (30, 90, 170)  # mm from the wet face
HEIGHTS = (60, 160, 260, 360)  # mm above the underside
HEIGHT = 420  # mm, the specimen's
BAY_WIDTH = 600  # mm
UNDERSIDE = 110  # mm above the tray's floor
RENDER = 60  # mm
PANEL = 180  # mm

METER, FRONT_END, AIR_BUS, WIRE, TRAY_ADC = "meter", "front end", "air", "timber", "tray"
OVER_WATER, SHOP = "over water", "shop"
BUSES = (METER, FRONT_END, AIR_BUS, WIRE, TRAY_ADC, OVER_WATER, SHOP)
PORTS = {  # file names under ports/
    METER: "meter",
    FRONT_END: "front-end",
    AIR_BUS: "air",
    OVER_WATER: "over-water",
}

PUMP = ("flow", "pump current")  # kinds that tell whether the pump runs

CHIP = "sht3x"  # as the kernel calls the chip that measures the shop's air
_OVER, _SHOP_AIR = "air, between tray and specimen", "air, middle of the shop"

REFERENCE_OHMS = 10e6
LEVEL_ZERO = -20.0  # mm at 0 mV
LEVEL_PER_MV = 0.1  # mm


@dataclass(frozen=True, slots=True)
class Place:
    """A probe: what it measures, where it sits, and how it is wired.

    `bay`, `depth` and `height` are those of the rig file. `address` is the one of the bus's
    driver. `where` says in words where a probe without a depth hangs, `pair`
    whose own voltage is measured.
    """

    name: str
    kind: str
    bus: str
    address: Mapping[str, int | float | str]
    bay: str | None = None
    depth: int | None = None
    height: int | None = None
    where: str | None = None
    pair: str | None = None


def timber_probe(bay: str) -> str:
    """Name of the thermometer in the panel behind `bay`."""
    return f"{_short(bay)} timber"


def _short(bay: str) -> str:
    return bay.split("-")[0].split(" ")[0]


def _pins() -> list[Place]:
    pins = []
    for bay in BAYS:
        spots = [(depth, height) for depth in DEPTHS for height in HEIGHTS]
        for number, (depth, height) in enumerate(spots, start=1):
            bus = METER if bay == BAYS[0] else FRONT_END
            address: dict[str, int | float | str]
            address = {"channel": 100 + number} if bus == METER else {"name": f"P{number}"}
            name = f"{_short(bay)} {depth}/{height}"
            pins.append(Place(name, "pins", bus, address, bay=bay, depth=depth, height=height))
    return pins


def _voltages() -> list[Place]:
    """The front end looks at its pairs both ways round, and tells what that differs by."""
    return [
        Place(
            f"{pins.name} own",
            "polarisation",
            FRONT_END,
            {"name": f"{pins.address['name']}.emf"},
            where="front end's case",
            pair=pins.name,
        )
        for pins in _pins()
        if pins.bus == FRONT_END
    ]


def _air(side: str, device: int) -> list[Place]:
    where = f"air, {side} face"
    registers = (("RH", "humidity", 0), ("T", "temperature", 1))
    return [
        Place(
            f"air {side} {short}",
            kind,
            AIR_BUS,
            {"device": device, "input": register, "scale": 0.1},
            where=where,
        )
        for short, kind, register in registers
    ]


PLACES: tuple[Place, ...] = (
    *_pins(),
    Place("meter reference", "reference resistor", METER, {"channel": 120}, where="meter's case"),
    Place(
        "front end reference",
        "reference resistor",
        FRONT_END,
        {"name": "REF"},
        where="front end's case",
    ),
    *_voltages(),
    *_air("wet", 1),
    *_air("dry", 2),
    *(
        Place(
            timber_probe(bay),
            "temperature",
            WIRE,
            {"id": f"28-0000072431a{number}"},
            bay=bay,
            depth=150,
            height=210,
        )
        for number, bay in enumerate(BAYS, start=1)
    ),
    Place("water level", "level", TRAY_ADC, {"channel": "voltage0"}, where="catch tray"),
    Place("high float", "float", AIR_BUS, {"device": 3, "discrete": 0}, where="catch tray"),
    Place(
        "pump current",
        "pump current",
        AIR_BUS,
        {"device": 4, "input": 0, "scale": 0.01},
        where="pump's cable",
    ),
    Place(
        "rail flow",
        "flow",
        AIR_BUS,
        {"device": 4, "input": 1, "scale": 0.01},
        where="hose to the drip rail",
    ),
    Place("over water RH", "humidity", OVER_WATER, {"sensor": "0", "value": 1}, where=_OVER),
    Place("over water T", "temperature", OVER_WATER, {"sensor": "0", "value": 2}, where=_OVER),
    Place("shop RH", "humidity", SHOP, {"chip": CHIP, "channel": "humidity1"}, where=_SHOP_AIR),
    Place("shop T", "temperature", SHOP, {"chip": CHIP, "channel": "temp1"}, where=_SHOP_AIR),
)
BY_NAME: Mapping[str, Place] = {place.name: place for place in PLACES}
