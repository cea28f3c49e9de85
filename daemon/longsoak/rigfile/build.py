"""Turns a draft without mistakes into the vocabulary's rig, defaults filled in."""

from longsoak.rigfile.alarmplans import plan_alarms
from longsoak.rigfile.curves import curve, shipped
from longsoak.rigfile.draft import BayDraft, BusDraft, Draft
from longsoak.rigfile.kinds import DEFAULTS, has
from longsoak.rigfile.outlettables import DatabaseTable, MailTable, MqttTable
from longsoak.rigfile.tables import (
    EdgesTable,
    ProbeTable,
    ReservoirTable,
)
from longsoak.rigfile.words import given
from longsoak.vocabulary.rig import (
    Bay,
    Bus,
    Database,
    Edges,
    Layer,
    Mail,
    Mqtt,
    Probe,
    Reservoir,
    Rig,
    Specimen,
)

SMTP_PORT = 25  # RFC 5321, 4.5.4.2
MQTT_PORT = 1883  # registered with IANA for MQTT without TLS
OVERLAP = 60.0  # s: a database that was killed lost its last 10 s or so; several times that
NO_ORGANISATION = "-"  # what a server that knows none is given; the field may not be empty


def build(draft: Draft) -> Rig:
    """Build the rig.

    Parameters
    ----------
    draft : Draft
        Checked: with a mistake left in it the result would be wrong, or a `TypeError`.
    """
    bays = tuple(sorted(map(_bay, draft.bays), key=lambda bay: bay.start))
    middles = {bay.name: (bay.start + bay.end) / 2 for bay in bays}
    reservoir = _reservoir(draft.reservoir.table) if draft.reservoir else None
    buses = tuple(map(_bus, draft.buses))
    probes = tuple(_probe(part.table, middles=middles) for part in draft.probes)
    mail = _mail(draft.mail.table) if draft.mail else None
    mqtt = _mqtt(draft.mqtt.table) if draft.mqtt else None
    database = _database(draft.database.table) if draft.database else None
    outlets = (("mail", mail), ("mqtt", mqtt), ("database", database))
    rig, specimen = draft.rig.table, draft.specimen.table
    return Rig(
        name=given(rig.name),
        invented=bool(rig.invented),
        start=rig.start,
        page=rig.page,
        specimen=Specimen(
            height=given(specimen.height),
            width=given(specimen.width),
            underside=given(specimen.underside),
            edges=_edges(draft.edges.table),
            between_bays=tuple(specimen.between_bays or ()),
            bays=bays,
        ),
        reservoir=reservoir,
        curves={
            **shipped(),
            **{name: curve(name, part.table) for name, part in draft.curves.items()},
        },
        buses=buses,
        probes=probes,
        alarms=plan_alarms(
            reservoir=reservoir,
            probes=probes,
            buses=buses,
            outlets=[name for name, outlet in outlets if outlet is not None],
            changes=[part.table for part in draft.alarms],
        ),
        mail=mail,
        mqtt=mqtt,
        database=database,
    )


def _bay(draft: BayDraft) -> Bay:
    table = draft.part.table
    return Bay(
        name=given(table.name),
        start=given(table.start),
        end=given(table.end),
        layers=tuple(
            Layer(
                name=given(layer.table.name),
                material=given(layer.table.material),
                thickness=given(layer.table.thickness),
            )
            for layer in draft.layers
        ),
    )


def _edges(table: EdgesTable) -> Edges:
    return Edges(
        top=given(table.top),
        bottom=given(table.bottom),
        left=given(table.left),
        right=given(table.right),
    )


def _reservoir(table: ReservoirTable) -> Reservoir:
    return Reservoir(
        name=given(table.name),
        level=given(table.level),
        float_switch=table.float_probe,
        depth_table=tuple(given(table.depth_table)),
        length=given(table.length),
        breadth=given(table.breadth),
        rim=given(table.rim),
        stop=given(table.stop),
        pump_needs=given(table.pump_needs),
    )


def _bus(draft: BusDraft) -> Bus:
    # Options stay as the file has them; the driver reads them with its own model when it opens.
    table = draft.part.table
    return Bus(
        name=given(table.name),
        driver=given(table.driver),
        options=dict(draft.options),
    )


def _probe(table: ProbeTable, *, middles: dict[str, float]) -> Probe:
    kind = given(table.kind)
    defaults = DEFAULTS[kind]
    every = table.every if table.every is not None else defaults.every
    record = every
    if has(kind, "record"):
        # A slow poll of one's own may be slower than the usual record period.
        record = table.record if table.record is not None else max(defaults.record or 0, every)
    across = table.across
    if across is None and table.bay is not None:
        across = middles[table.bay]
    return Probe(
        name=given(table.name),
        kind=kind,
        bus=given(table.bus),
        address=dict(given(table.address)),
        every=every,
        record=record,
        resolution=defaults.resolution if table.resolution is None else table.resolution,
        bay=table.bay,
        depth=table.depth,
        height=table.height,
        across=across,
        place=table.place,
        curve=table.curve,
        temperature=table.temperature,
        nominal=table.nominal,
        zero=0.0 if table.zero is None else table.zero,
        per_unit=1.0 if table.per_unit is None else table.per_unit,
        trips_at=table.trips_at,
    )


def _mail(table: MailTable) -> Mail:
    return Mail(
        host=given(table.host),
        port=SMTP_PORT if table.port is None else table.port,
        sender=given(table.sender),
        to=tuple(given(table.to)),
        starttls=bool(table.starttls),
        user=table.user,
        password_file=table.password_file,
    )


def _mqtt(table: MqttTable) -> Mqtt:
    return Mqtt(
        host=given(table.host),
        port=MQTT_PORT if table.port is None else table.port,
        prefix=given(table.prefix),
        user=table.user,
        password_file=table.password_file,
    )


def _database(table: DatabaseTable) -> Database:
    return Database(
        url=given(table.url),
        org=NO_ORGANISATION if table.org is None else table.org,
        bucket=given(table.bucket),
        token_file=table.token_file,
        overlap=OVERLAP if table.overlap is None else table.overlap,
    )
