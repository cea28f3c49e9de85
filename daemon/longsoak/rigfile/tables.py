"""Every table of the rig file and its keys, one model each. What a driver adds is its own."""

from datetime import date
from typing import Annotated

from pydantic import Field

from longsoak.rigfile.words import (
    Finite,
    Name,
    NotNegative,
    Pair,
    Period,
    Positive,
    Table,
    Text,
    WebAddress,
    Words,
    measured,
    named,
    one_of,
    reference,
    table_of,
)
from longsoak.vocabulary.rig import (
    Boundary,
    Kind,
    Material,
    MouldClass,
    MouldDecline,
    SitsIn,
    Weighs,
    WetFace,
)

_One = dict[str, object] | None
_Some = Annotated[list[object], Field(min_length=1)] | None
_Edge = Annotated[Boundary, Field(strict=False)]  # TOML has text only


def _tables(header: str, *, needed: bool = False) -> Words:
    return Words(
        f"one or more tables, each headed [[{header}]]",
        "",
        needed,
        remedy=f"Head each table with [[{header}]], in double brackets.",
    )


class Document(Table):
    """The whole file."""

    rig: Annotated[_One, table_of("rig", needed=True)] = None
    specimen: Annotated[_One, table_of("specimen", needed=True)] = None
    bays: Annotated[_Some, _tables("bays", needed=True)] = None
    reservoir: Annotated[_One, table_of("reservoir")] = None
    room: Annotated[_One, table_of("room")] = None
    evaporation_pan: Annotated[_One, table_of("evaporation_pan")] = None
    buses: Annotated[_Some, _tables("buses", needed=True)] = None
    probes: Annotated[_Some, _tables("probes", needed=True)] = None
    alarms: Annotated[list[object] | None, _tables("alarms")] = None
    curves: Annotated[_One, table_of('curves."name of the curve"')] = None
    notices: Annotated[_One, table_of("notices.mail")] = None
    people: Annotated[list[object] | None, _tables("people")] = None
    forward: Annotated[_One, table_of("forward.database")] = None
    backup: Annotated[_One, table_of("backup")] = None
    heartbeat: Annotated[_One, table_of("heartbeat")] = None
    record: Annotated[_One, table_of("record")] = None
    bands: Annotated[list[object] | None, _tables("bands")] = None
    checks: Annotated[list[object] | None, _tables("checks")] = None
    limits: Annotated[list[object] | None, _tables("limits")] = None
    hand_readings: Annotated[_One, table_of("hand_readings")] = None
    scales: Annotated[list[object] | None, _tables("scales")] = None
    outputs: Annotated[list[object] | None, _tables("outputs")] = None
    report: Annotated[_One, table_of("report")] = None


class RigTable(Table):
    """``[rig]``."""

    name: Annotated[Name | None, named("the rig's name", "render pair")] = None
    invented: Annotated[bool | None, Words("true or false, without quotes", "true")] = None
    start: Annotated[date | None, Words("a date without quotes", "2026-05-04")] = None
    curve_files: Annotated[
        list[Text] | None,
        Words("a list of curve files, named from where this file lies", '["hemp.curve.toml"]'),
    ] = None
    time_zone: Annotated[Text | None, Words("a time zone by its IANA name", '"Europe/Paris"')] = (
        None
    )
    page: Annotated[
        WebAddress | None,
        Words(
            "a web address: http:// or https://, a host, its port if any, 1 to 65535, and a path",
            '"http://shop-pi.local:8460/"',
        ),
    ] = None


class EdgesTable(Table):
    """``edges`` of the specimen."""

    top: Annotated[_Edge | None, one_of(Boundary)] = None
    bottom: Annotated[_Edge | None, one_of(Boundary)] = None
    left: Annotated[_Edge | None, one_of(Boundary)] = None
    right: Annotated[_Edge | None, one_of(Boundary)] = None


class SpecimenTable(Table):
    """``[specimen]``."""

    height: Annotated[
        Positive | None, measured("millimetres as a bare number, more than 0", 420)
    ] = None
    width: Annotated[
        Positive | None, measured("millimetres across as a bare number, more than 0", 1200)
    ] = None
    underside: Annotated[
        NotNegative | None,
        measured("millimetres above the reservoir's floor as a bare number, 0 or more", 110),
    ] = None
    wet_face: Annotated[
        Annotated[WetFace, Field(strict=False)] | None, one_of(WetFace, needed=False)
    ] = None
    breadth: Annotated[
        Positive | None,
        measured("millimetres from front to back as a bare number, more than 0", 400, needed=False),
    ] = None
    edges: Annotated[
        _One,
        Words(
            "a table of the four outer edges",
            '{ top = "sealed", bottom = "open", left = "guarded", right = "guarded" }',
            needed=True,
        ),
    ] = None
    between_bays: Annotated[
        list[_Edge] | None,
        Words(
            f"a list with one of {', '.join(Boundary)} for each boundary between two bays",
            '["sealed"]',
        ),
    ] = None


class LayerTable(Table):
    """One of a bay's ``layers``."""

    name: Annotated[Name | None, named("the layer's name", "timber panel")] = None
    material: Annotated[Annotated[Material, Field(strict=False)] | None, one_of(Material)] = None
    thickness: Annotated[
        Positive | None, measured("millimetres as a bare number, more than 0", 60)
    ] = None
    mould_class: Annotated[
        Annotated[MouldClass, Field(strict=False)] | None, one_of(MouldClass, needed=False)
    ] = None
    mould_decline: Annotated[
        Annotated[MouldDecline, Field(strict=False)] | None, one_of(MouldDecline, needed=False)
    ] = None


class BayTable(Table):
    """``[[bays]]``."""

    name: Annotated[Name | None, named("the bay's name", "cork-lime")] = None
    start: Annotated[
        NotNegative | None,
        Field(alias="from"),
        measured("millimetres across from the left edge as a bare number, 0 or more", 0),
    ] = None
    end: Annotated[
        Positive | None,
        Field(alias="to"),
        measured("millimetres across from the left edge as a bare number, more than 0", 600),
    ] = None
    layers: Annotated[
        _Some,
        Words(
            "a list of layers from the wet face inwards",
            '[{ name = "timber panel", material = "timber", thickness = 180 }]',
            needed=True,
        ),
    ] = None
    reach: Annotated[
        NotNegative | None,
        measured("millimetres above the underside as a bare number, 0 or more", 80, needed=False),
    ] = None
    dry_face: Annotated[
        _One,
        Words(
            "a table of the probes at the dry face and in the room before it",
            '{ surface = "T dry face", temperature = "T room", humidity = "RH room" }',
        ),
    ] = None


class DryFaceTable(Table):
    """``dry_face`` of a bay."""

    surface: Annotated[
        Name | None, reference('a probe of kind "temperature"', "T dry face", needed=True)
    ] = None
    temperature: Annotated[
        Name | None, reference('a probe of kind "temperature"', "T room", needed=True)
    ] = None
    humidity: Annotated[
        Name | None, reference('a probe of kind "humidity"', "RH room", needed=True)
    ] = None


class RoomTable(Table):
    """``[room]``."""

    temperature: Annotated[Name | None, reference('a probe of kind "temperature"', "T room")] = None
    humidity: Annotated[Name | None, reference('a probe of kind "humidity"', "RH room")] = None


_ANSWER = Words("a sentence or a few, as a string", '"Built by two people new to it, by the book."')


class ReportTable(Table):
    """``[report]``: what the rig is to find out, and answers to whoever doubts it."""

    question: Annotated[
        Text | None, Words("a question, as a string", '"Does water reach the timber?"')
    ] = None
    workmanship: Annotated[Text | None, _ANSWER] = None
    age: Annotated[Text | None, _ANSWER] = None
    replication: Annotated[Text | None, _ANSWER] = None
    salts: Annotated[Text | None, _ANSWER] = None
    wicking: Annotated[Text | None, _ANSWER] = None
    operator: Annotated[Text | None, _ANSWER] = None
    interests: Annotated[Text | None, _ANSWER] = None


class ReservoirTable(Table):
    """``[reservoir]``."""

    name: Annotated[Name | None, named("the reservoir's name", "catch tray")] = None
    level: Annotated[
        Name | None, reference('a probe of kind "level"', "water level", needed=True)
    ] = None
    float_probe: Annotated[
        Name | None,
        Field(alias="float"),
        reference('a probe of kind "float"', "high float"),
    ] = None
    depth_table: Annotated[
        Annotated[list[Pair], Field(min_length=2)] | None,
        Words(
            "two or more pairs of a depth in mm and a volume in L",
            "[[0, 0], [150, 61.2]]",
        ),
    ] = None
    blocks: Annotated[
        list[object] | None,
        Words(
            "a list of what takes room in the water, empty for a plain tray",
            "[{ count = 4, length = 50, breadth = 50, from = 0, to = 30 }]",
        ),
    ] = None
    splash: Annotated[
        NotNegative | None,
        measured("millimetres below the underside as a bare number, 0 or more", 5, needed=False),
    ] = None
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


class BusTable(Table):
    """The part of ``[[buses]]`` that is not the driver's."""

    name: Annotated[Name | None, named("the bus's name", "meter")] = None
    driver: Annotated[Name | None, reference("an installed driver", "scpi", needed=True)] = None
    accuracy: Annotated[
        Annotated[Finite, Field(gt=0, le=0.5)] | None,
        Words("a relative standard uncertainty of its resistances, up to 0.5", "0.01"),
    ] = None
    insulation: Annotated[
        Annotated[Finite, Field(ge=1e6, le=1e15)] | None,
        measured(
            "the harness's least insulation in Ohm, 1e6 to 1e15", 1e11, unit="Ohm", needed=False
        ),
    ] = None
    most: Annotated[
        Annotated[Finite, Field(ge=1e4, le=1e15)] | None,
        measured(
            "the most its meter can measure in Ohm, 1e4 to 1e15", 1e11, unit="Ohm", needed=False
        ),
    ] = None


class StandInTable(Table):
    """``without_temperature`` of a probe: what corrects it while its own temperature is away."""

    last_good: Annotated[
        Annotated[Finite, Field(gt=0, le=168)] | None,
        measured("hours as a bare number, up to 168", 6, unit="h", needed=False),
    ] = None
    probe: Annotated[Name | None, reference('a probe of kind "temperature"', "T air")] = None
    fixed: Annotated[
        Annotated[Finite, Field(ge=-20, le=50)] | None,
        measured("degrees Celsius as a bare number, -20 to 50", 20, unit="°C", needed=False),
    ] = None
    uncertainty: Annotated[
        Annotated[Finite, Field(gt=0, le=20)] | None,
        measured("a standard uncertainty in K, up to 20", 3, unit="K", needed=False),
    ] = None


class ProbeTable(Table):
    """``[[probes]]``, the keys of all kinds; `longsoak.rigfile.kinds` says which has which."""

    name: Annotated[Name | None, named("the probe's name", "C 30/60")] = None
    kind: Annotated[Annotated[Kind, Field(strict=False)] | None, one_of(Kind)] = None
    bus: Annotated[Name | None, reference("a bus in this file", "meter", needed=True)] = None
    address: Annotated[
        _One, Words("a table that says where on its bus it is", "{ channel = 101 }", needed=True)
    ] = None
    bay: Annotated[Name | None, reference("a bay", "cork-lime")] = None
    depth: Annotated[
        NotNegative | None,
        measured("millimetres from the wet face as a bare number, 0 or more", 30, needed=False),
    ] = None
    height: Annotated[
        NotNegative | None,
        measured("millimetres above the underside as a bare number, 0 or more", 60, needed=False),
    ] = None
    across: Annotated[
        NotNegative | None,
        measured("millimetres from the left edge as a bare number, 0 or more", 300, needed=False),
    ] = None
    place: Annotated[Name | None, named("words for where it is", "air, wet face", needed=False)] = (
        None
    )
    curve: Annotated[Name | None, reference("a curve", "Douglas-fir (coast)", needed=False)] = None
    temperature: Annotated[
        Name | None,
        reference('a probe of kind "temperature"', "T cork-lime"),
    ] = None
    second_temperature: Annotated[
        Name | None,
        reference('a second probe of kind "temperature", at another depth', "T dry face"),
    ] = None
    without_temperature: Annotated[
        dict[str, object] | None,
        Words("a table with one of last_good, probe and fixed", "{ last_good = 6 }"),
    ] = None
    sits_in: Annotated[
        Annotated[SitsIn, Field(strict=False)] | None, one_of(SitsIn, needed=False)
    ] = None
    nominal: Annotated[
        Annotated[Finite, Field(gt=0, le=1e15)] | None,
        measured("Ohm as a bare number, more than 0", 10e6, unit="Ohm", needed=False),
    ] = None
    zero: Annotated[Finite | None, measured("millimetres as a bare number", -20, needed=False)] = (
        None
    )
    per_unit: Annotated[
        Finite | None,
        measured("millimetres for one raw unit as a bare number, not 0", 0.1, needed=False),
    ] = None
    trips_at: Annotated[
        NotNegative | None,
        measured(
            "millimetres above the reservoir's floor as a bare number, 0 or more",
            105,
            needed=False,
        ),
    ] = None
    zero_per_kelvin: Annotated[
        Annotated[Finite, Field(ge=-10, le=10)] | None,
        measured("millimetres a kelvin as a bare number, -10 to 10", 0.05, needed=False),
    ] = None
    span_per_kelvin: Annotated[
        Annotated[Finite, Field(ge=-0.01, le=0.01)] | None,
        Words("a share of the level a kelvin as a bare number, -0.01 to 0.01", "0.0004"),
    ] = None
    uncertainty: Annotated[
        Positive | None,
        measured("a standard uncertainty in millimetres, more than 0", 1, needed=False),
    ] = None
    weighs: Annotated[
        Annotated[Weighs, Field(strict=False)] | None, one_of(Weighs, needed=False)
    ] = None
    runs_from: Annotated[
        Positive | None,
        Words("the least value at which the pump runs as a bare number, more than 0", "0.5"),
    ] = None
    pair: Annotated[
        Name | None, reference('a probe of kind "pins", whose own voltage it is', "C 30/60")
    ] = None
    every: Annotated[
        Period | None,
        measured("seconds as a bare number, 0.2 to 86400", 60, unit="s", needed=False),
    ] = None
    record: Annotated[
        Period | None,
        measured("seconds as a bare number, 0.2 to 86400", 60, unit="s", needed=False),
    ] = None
    resolution: Annotated[
        NotNegative | None,
        measured("millimetres as a bare number, 0 or more", 0.5, needed=False),
    ] = None
