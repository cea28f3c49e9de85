"""The whole file read table by table, before anything is compared with anything else."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar, cast

from longsoak.rigfile.alarmtable import AlarmTable
from longsoak.rigfile.curvetable import CurveTable
from longsoak.rigfile.handtable import HandTable
from longsoak.rigfile.judgingtables import BandTable, ChecksTable
from longsoak.rigfile.kinds import expected_of
from longsoak.rigfile.limittable import LimitTable
from longsoak.rigfile.lines import KeyPath
from longsoak.rigfile.outlettables import (
    BackupTable,
    DatabaseTable,
    ForwardTable,
    HeartbeatTable,
    MailTable,
    MqttTable,
    NoticesTable,
    PersonTable,
    ReadingsTable,
    WebhookTable,
)
from longsoak.rigfile.outputtable import OutputTable
from longsoak.rigfile.reading import Part, read_table
from longsoak.rigfile.recordtable import RecordTable
from longsoak.rigfile.report import Report, number
from longsoak.rigfile.scaletable import GradeScaleTable
from longsoak.rigfile.tables import (
    BayTable,
    BusTable,
    Document,
    DryFaceTable,
    EdgesTable,
    LayerTable,
    ProbeTable,
    ReportTable,
    ReservoirTable,
    RigTable,
    RoomTable,
    SpecimenTable,
    StandInTable,
)
from longsoak.rigfile.watertables import BlockTable, EvaporationPanTable
from longsoak.rigfile.words import Table

T = TypeVar("T", bound=Table)


@dataclass(frozen=True, slots=True)
class BayDraft:
    """A bay and its layers. `thickness` is None where a layer could not be read."""

    part: Part[BayTable]
    layers: tuple[Part[LayerTable], ...]
    dry_face: Part[DryFaceTable] | None
    thickness: float | None


@dataclass(frozen=True, slots=True)
class BusDraft:
    """A bus and what of its table belongs to its driver."""

    part: Part[BusTable]
    options: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Names:
    """The names an array of tables gives, faulty elements included, each with its first index.

    `complete` is False where an element's name can't be read: a reference to a name that isn't
    there may then mean that one, and is no second mistake.
    """

    first: Mapping[str, int]
    complete: bool


@dataclass(frozen=True, slots=True)
class Draft:
    """What could be read. Parts that are absent or unreadable are None or leave gaps.

    `keys` are those of the file's top level. `names_broker` says whether the file has a table
    [notices.mqtt] at all, readable or not.
    """

    keys: frozenset[str]
    rig: Part[RigTable]
    specimen: Part[SpecimenTable]
    edges: Part[EdgesTable]
    bays: tuple[BayDraft, ...]
    reservoir: Part[ReservoirTable] | None
    blocks: tuple[Part[BlockTable], ...] | None
    pan: Part[EvaporationPanTable] | None
    room: Part[RoomTable] | None
    report: Part[ReportTable] | None
    buses: tuple[BusDraft, ...]
    probes: tuple[Part[ProbeTable], ...]
    stand_ins: Mapping[str | int, Part[StandInTable]]  # by the probe's place in the file
    alarms: tuple[Part[AlarmTable], ...]
    curves: Mapping[str, Part[CurveTable]]
    notices: Part[NoticesTable] | None
    people: tuple[Part[PersonTable], ...]
    webhook: Part[WebhookTable] | None
    mail: Part[MailTable] | None
    mqtt: Part[MqttTable] | None
    names_broker: bool
    readings: Part[ReadingsTable] | None
    database: Part[DatabaseTable] | None
    backup: Part[BackupTable] | None
    heartbeat: Part[HeartbeatTable] | None
    record: Part[RecordTable] | None
    bands: tuple[Part[BandTable], ...]
    checks: tuple[Part[ChecksTable], ...]
    limits: tuple[Part[LimitTable], ...]
    hand: Part[HandTable] | None
    scales: tuple[Part[GradeScaleTable], ...]
    outputs: tuple[Part[OutputTable], ...]
    bay_names: Names
    bus_names: Names
    probe_names: Names


def read_document(raw: Mapping[str, object], *, report: Report) -> Draft:
    """Read every table of a parsed file with its own model; note the mistakes inside each."""
    top = read_table(Document, dict(raw), path=(), report=report)
    document = top.table
    bays = tuple(
        _bay(item, path=("bays", index), report=report)
        for index, item in enumerate(document.bays or ())
    )
    specimen = _one(SpecimenTable, document.specimen, path=("specimen",), report=report)
    edges = specimen and specimen.table.edges
    probes = tuple(
        _probe(item, path=("probes", index), bays=bays, specimen=specimen, report=report)
        for index, item in enumerate(document.probes or ())
    )
    reservoir = _one(ReservoirTable, document.reservoir, path=("reservoir",), report=report)
    notices = _one(NoticesTable, document.notices, path=("notices",), report=report)
    forward = _one(ForwardTable, document.forward, path=("forward",), report=report)
    return Draft(
        keys=top.keys,
        rig=_one(RigTable, document.rig, path=("rig",), report=report)
        or Part(("rig",), RigTable()),
        specimen=specimen or Part(("specimen",), SpecimenTable()),
        edges=_one(EdgesTable, edges, path=("specimen", "edges"), report=report)
        or Part(("specimen", "edges"), EdgesTable()),
        bays=bays,
        reservoir=reservoir,
        blocks=_blocks(reservoir, report=report),
        pan=_one(
            EvaporationPanTable,
            document.evaporation_pan,
            path=("evaporation_pan",),
            report=report,
        ),
        room=_one(RoomTable, document.room, path=("room",), report=report),
        report=_one(ReportTable, document.report, path=("report",), report=report),
        buses=tuple(
            _bus(item, path=("buses", index), report=report)
            for index, item in enumerate(document.buses or ())
        ),
        probes=probes,
        stand_ins={
            probe.path[-1]: read_table(
                StandInTable, table, path=(*probe.path, "without_temperature"), report=report
            )
            for probe in probes
            if (table := probe.table.without_temperature) is not None
        },
        alarms=tuple(
            read_table(AlarmTable, item, path=("alarms", index), report=report)
            for index, item in enumerate(document.alarms or ())
        ),
        curves={
            name: read_table(CurveTable, item, path=("curves", name), report=report)
            for name, item in (document.curves or {}).items()
        },
        notices=notices,
        people=tuple(
            read_table(PersonTable, item, path=("people", index), report=report)
            for index, item in enumerate(document.people or ())
        ),
        webhook=_one(
            WebhookTable,
            notices and notices.table.webhook,
            path=("notices", "webhook"),
            report=report,
        ),
        mail=_one(
            MailTable, notices and notices.table.mail, path=("notices", "mail"), report=report
        ),
        mqtt=_one(
            MqttTable, notices and notices.table.mqtt, path=("notices", "mqtt"), report=report
        ),
        names_broker=notices is not None and (not notices.keys or "mqtt" in notices.keys),
        readings=_one(
            ReadingsTable, forward and forward.table.mqtt, path=("forward", "mqtt"), report=report
        ),
        database=_one(
            DatabaseTable,
            forward and forward.table.database,
            path=("forward", "database"),
            report=report,
        ),
        backup=_one(BackupTable, document.backup, path=("backup",), report=report),
        heartbeat=_one(HeartbeatTable, document.heartbeat, path=("heartbeat",), report=report),
        record=_one(RecordTable, document.record, path=("record",), report=report),
        bands=tuple(
            read_table(BandTable, item, path=("bands", index), report=report)
            for index, item in enumerate(document.bands or ())
        ),
        checks=tuple(
            read_table(ChecksTable, item, path=("checks", index), report=report)
            for index, item in enumerate(document.checks or ())
        ),
        limits=tuple(
            read_table(LimitTable, item, path=("limits", index), report=report)
            for index, item in enumerate(document.limits or ())
        ),
        hand=_one(HandTable, document.hand_readings, path=("hand_readings",), report=report),
        scales=tuple(
            read_table(GradeScaleTable, item, path=("scales", index), report=report)
            for index, item in enumerate(document.scales or ())
        ),
        outputs=tuple(
            read_table(OutputTable, item, path=("outputs", index), report=report)
            for index, item in enumerate(document.outputs or ())
        ),
        bay_names=_names(raw.get("bays")),
        bus_names=_names(raw.get("buses")),
        probe_names=_names(raw.get("probes")),
    )


def _one(model: type[T], raw: object, *, path: KeyPath, report: Report) -> Part[T] | None:
    return None if raw is None else read_table(model, raw, path=path, report=report)


def _blocks(
    reservoir: Part[ReservoirTable] | None, *, report: Report
) -> tuple[Part[BlockTable], ...] | None:
    """What takes room in the water; None where no shape is drawn."""
    if reservoir is None or reservoir.table.blocks is None:
        return None
    return tuple(
        read_table(BlockTable, item, path=(*reservoir.path, "blocks", index), report=report)
        for index, item in enumerate(reservoir.table.blocks)
    )


def _bay(raw: object, *, path: KeyPath, report: Report) -> BayDraft:
    part = read_table(BayTable, raw, path=path, report=report)
    layers = tuple(
        read_table(LayerTable, item, path=(*path, "layers", index), report=report)
        for index, item in enumerate(part.table.layers or ())
    )
    thicknesses = [layer.table.thickness for layer in layers]
    known = [thickness for thickness in thicknesses if thickness is not None]
    whole = bool(known) and len(known) == len(thicknesses)
    face = _one(DryFaceTable, part.table.dry_face, path=(*path, "dry_face"), report=report)
    return BayDraft(part, layers, face, sum(known) if whole else None)


def _bus(raw: object, *, path: KeyPath, report: Report) -> BusDraft:
    if not isinstance(raw, dict):
        return BusDraft(read_table(BusTable, raw, path=path, report=report), {})
    table = cast(dict[str, object], raw)
    ours = {key: value for key, value in table.items() if key in BusTable.model_fields}
    options = {key: value for key, value in table.items() if key not in ours}
    return BusDraft(read_table(BusTable, ours, path=path, report=report), options)


def _probe(
    raw: object,
    *,
    path: KeyPath,
    bays: Sequence[BayDraft],
    specimen: Part[SpecimenTable] | None,
    report: Report,
) -> Part[ProbeTable]:
    # A unit goes by the kind, and a position's range is known before it is looked at, so that a
    # mistake in it can say it at once.
    expected = dict(expected_of(raw.get("kind") if isinstance(raw, dict) else None))
    name = raw.get("bay") if isinstance(raw, dict) else None
    for bay in bays:
        if name is not None and bay.part.table.name == name and bay.thickness is not None:
            expected["depth"] = f"millimetres as a bare number, 0 to {number(bay.thickness)}"
    if specimen is not None and specimen.table.height is not None:
        expected["height"] = f"millimetres as a bare number, 0 to {number(specimen.table.height)}"
    return read_table(ProbeTable, raw, path=path, report=report, expected=expected)


def _names(raw: object) -> Names:
    first: dict[str, int] = {}
    if not isinstance(raw, list) or not raw:
        return Names(first, complete=False)
    complete = True
    for index, item in enumerate(raw):
        name = item.get("name") if isinstance(item, dict) else None
        if isinstance(name, str):
            first.setdefault(name, index)
        else:
            complete = False
    return Names(first, complete)
