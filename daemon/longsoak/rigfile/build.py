"""Turns a draft without mistakes into the vocabulary's rig, defaults filled in."""

from collections.abc import Mapping
from math import inf

from longsoak.core.routes import routes, subjects_of
from longsoak.rigfile.alarmplans import plan_alarms
from longsoak.rigfile.alarmset import Parts
from longsoak.rigfile.curves import curve, shipped
from longsoak.rigfile.draft import BayDraft, BusDraft, Draft
from longsoak.rigfile.drawnwater import pan_of, reservoir_of
from longsoak.rigfile.handtable import hand_rule_of
from longsoak.rigfile.judgingchecks import band_of, thresholds_of
from longsoak.rigfile.kinds import DEFAULTS, has
from longsoak.rigfile.limittable import limit_of
from longsoak.rigfile.noticeparts import mail_of, minutes_of, person_of, webhook_of, weekly_of
from longsoak.rigfile.outletchecks import rate_for
from longsoak.rigfile.outlettables import (
    BackupTable,
    DatabaseTable,
    HeartbeatTable,
    MqttTable,
    ReadingsTable,
)
from longsoak.rigfile.outputtable import outputs_of
from longsoak.rigfile.quantities import material_at, quantity_of
from longsoak.rigfile.reading import Part
from longsoak.rigfile.recordtable import RecordTable, marks_of
from longsoak.rigfile.scaletable import grade_scale_of
from longsoak.rigfile.tables import (
    DryFaceTable,
    EdgesTable,
    ProbeTable,
    StandInTable,
)
from longsoak.rigfile.words import given
from longsoak.vocabulary.curve import Curve
from longsoak.vocabulary.destinations import Backup, Database, Heartbeat, Mqtt, MqttVersion
from longsoak.vocabulary.rig import (
    PUMP,
    Bay,
    Bus,
    DryFace,
    Edges,
    Kind,
    Layer,
    Probe,
    Quantity,
    Rig,
    Room,
    Specimen,
    StandIn,
    WetFace,
)

MQTT_PORT, MQTT_TLS_PORT = 1883, 8883  # registered with IANA without and with TLS, from memory
BEAT = 60.0  # s: common practice, a service tells of silence within minutes
OVERLAP = 60.0  # s: a database that was killed lost its last 10 s or so; several times that
ACCURACY = 0.01  # relative, standard: what a meter of the usual class does in range
# Standard uncertainty of what stands in for a temperature, K: common practice for a heated shop.
STAND_IN = {"last_good": 2.0, "probe": 3.0, "fixed": 5.0}
BACKUP_AT, BACKUPS = 3 * 60 + 40, 7  # min after midnight UTC, when nobody pours; a week of them
NO_ORGANISATION = "-"  # what a server that knows none is given; the field may not be empty


def build(draft: Draft) -> Rig:
    """Build the rig.

    Parameters
    ----------
    draft : Draft
        Checked: with a mistake left in it the result would be wrong, or a `TypeError`.
    """
    bays = tuple(sorted(map(_bay, draft.bays), key=lambda bay: bay.start))
    curves = {
        **shipped(),
        **{name: curve(name, part.table) for name, part in draft.curves.items()},
    }
    reservoir = reservoir_of(draft)
    buses = tuple(map(_bus, draft.buses))
    by_name = {bay.name: bay for bay in bays}
    probes = tuple(
        _probe(
            part.table,
            bays=by_name,
            curves=curves,
            stand_in=_stand_in(draft.stand_ins.get(part.path[-1])),
        )
        for part in draft.probes
    )
    mail = mail_of(draft.mail.table) if draft.mail else None
    people = tuple(person_of(part.table) for part in draft.people)
    webhook = webhook_of(draft.webhook.table) if draft.webhook else None
    readings = draft.readings.table if draft.readings else None
    measured = sum(1 / probe.every for probe in probes)
    mqtt = _mqtt(draft.mqtt.table, readings, measured=measured) if draft.mqtt else None
    database = _database(draft.database.table) if draft.database else None
    notices = subjects_of(routes(mail=mail, mqtt=mqtt, webhook=webhook, people=people))
    heartbeat = _heartbeat(draft.heartbeat.table) if draft.heartbeat else None
    copies = (("readings", readings), ("database", database), ("heartbeat", heartbeat))
    trial = draft.notices.table.trial if draft.notices else None
    rig, specimen = draft.rig.table, draft.specimen.table
    underside, room = given(specimen.underside), _room(draft, bays)
    return Rig(
        name=given(rig.name),
        invented=bool(rig.invented),
        start=rig.start,
        page=rig.page,
        specimen=Specimen(
            height=given(specimen.height),
            width=given(specimen.width),
            underside=underside,
            edges=_edges(draft.edges.table),
            between_bays=tuple(specimen.between_bays or ()),
            bays=bays,
            wet_face=specimen.wet_face or WetFace.SIDE,
            breadth=specimen.breadth,
        ),
        reservoir=reservoir,
        curves=curves,
        buses=buses,
        probes=probes,
        room=room,
        pan=pan_of(draft.pan),
        alarms=plan_alarms(
            Parts(
                reservoir=reservoir,
                underside=underside,
                room=room,
                probes=probes,
                buses=buses,
                outlets=[*notices, *(name for name, outlet in copies if outlet is not None)],
                backup=draft.backup is not None,
                trial=trial is not None,
            ),
            bays=bays,
            changes=[part.table for part in draft.alarms],
        ),
        mail=mail,
        mqtt=mqtt,
        database=database,
        backup=_backup(draft.backup.table) if draft.backup else None,
        heartbeat=heartbeat,
        marks=marks_of(draft.record.table if draft.record else RecordTable()),
        bands=tuple(band_of(part.table) for part in draft.bands),
        thresholds=tuple(thresholds_of(part.table) for part in draft.checks),
        limits=tuple(limit_of(part.table) for part in draft.limits),
        answers=draft.report.table.model_dump(exclude_none=True) if draft.report else {},
        hand_rule=hand_rule_of(draft.hand.table) if draft.hand else None,
        scales=tuple(grade_scale_of(part.table) for part in draft.scales),
        outputs=outputs_of(draft.outputs),
        time_zone=rig.time_zone or "UTC",
        people=people,
        webhook=webhook,
        trial=None if trial is None else weekly_of(trial),
    )


def _room(draft: Draft, bays: tuple[Bay, ...]) -> Room:
    """What is said of the room; where nothing is, the air before the first dry face."""
    if draft.room is not None:
        return Room(draft.room.table.temperature, draft.room.table.humidity)
    face = next((bay.dry_face for bay in bays if bay.dry_face is not None), None)
    return Room() if face is None else Room(face.temperature, face.humidity)


def _bay(draft: BayDraft) -> Bay:
    table = draft.part.table
    return Bay(
        name=given(table.name),
        start=given(table.start),
        end=given(table.end),
        reach=table.reach,
        layers=tuple(
            Layer(
                name=given(layer.table.name),
                material=given(layer.table.material),
                thickness=given(layer.table.thickness),
                mould_class=layer.table.mould_class,
                mould_decline=layer.table.mould_decline,
            )
            for layer in draft.layers
        ),
        dry_face=None if draft.dry_face is None else _dry_face(draft.dry_face.table),
    )


def _dry_face(table: DryFaceTable) -> DryFace:
    return DryFace(given(table.surface), given(table.temperature), given(table.humidity))


def _edges(table: EdgesTable) -> Edges:
    return Edges(
        top=given(table.top),
        bottom=given(table.bottom),
        left=given(table.left),
        right=given(table.right),
    )


def _bus(draft: BusDraft) -> Bus:
    # Options stay as the file has them; the driver reads them with its own model when it opens.
    table = draft.part.table
    return Bus(
        name=given(table.name),
        driver=given(table.driver),
        options=dict(draft.options),
        accuracy=ACCURACY if table.accuracy is None else table.accuracy,
        insulation=inf if table.insulation is None else table.insulation,
        most=table.most,
    )


def _stand_in(part: Part[StandInTable] | None) -> StandIn | None:
    if part is None:
        return None
    table = part.table
    usual = next(k for name, k in STAND_IN.items() if getattr(table, name) is not None)
    return StandIn(
        uncertainty=usual if table.uncertainty is None else table.uncertainty,
        last_good=table.last_good,
        probe=table.probe,
        fixed=table.fixed,
    )


def _quantity(
    table: ProbeTable, *, bays: Mapping[str, Bay], curves: Mapping[str, Curve]
) -> Quantity:
    layers = [(layer.material, layer.thickness) for layer in bays[given(table.bay)].layers]
    material = material_at(given(table.depth), layers)
    # That it is of something was checked.
    return given(quantity_of(curves[given(table.curve)].made_for, material, table.sits_in))


def _probe(
    table: ProbeTable,
    *,
    bays: Mapping[str, Bay],
    curves: Mapping[str, Curve],
    stand_in: StandIn | None,
) -> Probe:
    kind = given(table.kind)
    quantity = _quantity(table, bays=bays, curves=curves) if kind is Kind.PINS else None
    defaults = DEFAULTS[kind]
    every = table.every if table.every is not None else defaults.every
    record = every
    if has(kind, "record"):
        # A slow poll of one's own may be slower than the usual record period.
        record = table.record if table.record is not None else max(defaults.record or 0, every)
    across = table.across
    if across is None and table.bay is not None and kind not in PUMP:
        across = (bays[table.bay].start + bays[table.bay].end) / 2
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
        temperatures=tuple(
            name for name in (table.temperature, table.second_temperature) if name is not None
        ),
        stand_in=stand_in,
        quantity=quantity,
        nominal=table.nominal,
        zero=0.0 if table.zero is None else table.zero,
        per_unit=1.0 if table.per_unit is None else table.per_unit,
        trips_at=table.trips_at,
        runs_from=table.runs_from,
        pair=table.pair,
        zero_per_kelvin=table.zero_per_kelvin or 0.0,
        span_per_kelvin=table.span_per_kelvin or 0.0,
        uncertainty=table.uncertainty,
        weighs=table.weighs,
    )


def _mqtt(table: MqttTable, readings: ReadingsTable | None, *, measured: float) -> Mqtt:
    usual = MQTT_TLS_PORT if table.tls else MQTT_PORT
    rate = None if readings is None else readings.rate or rate_for(measured)
    return Mqtt(
        host=given(table.host),
        port=usual if table.port is None else table.port,
        prefix=given(table.prefix),
        user=table.user,
        password_file=table.password_file,
        version=table.version or MqttVersion.V5,
        tls=bool(table.tls),
        ca_file=table.ca_file,
        certificate_file=table.certificate_file,
        key_file=table.key_file,
        readings=rate,
    )


def _database(table: DatabaseTable) -> Database:
    return Database(
        url=given(table.url),
        org=NO_ORGANISATION if table.org is None else table.org,
        bucket=given(table.bucket),
        token_file=table.token_file,
        overlap=OVERLAP if table.overlap is None else table.overlap,
    )


def _backup(table: BackupTable) -> Backup:
    return Backup(
        to=given(table.to),
        at=BACKUP_AT if table.at is None else minutes_of(table.at),
        keep=BACKUPS if table.keep is None else table.keep,
        mounted=bool(table.mounted),
    )


def _heartbeat(table: HeartbeatTable) -> Heartbeat:
    return Heartbeat(
        every=BEAT if table.every is None else table.every,
        url=table.url,
        url_file=table.url_file,
        ca_file=table.ca_file,
    )
