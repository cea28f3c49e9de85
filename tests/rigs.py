"""A small rig by hand, and a record to keep its readings in; all of it invented."""

from collections.abc import Mapping
from dataclasses import replace
from math import nan
from pathlib import Path
from types import TracebackType
from typing import Self, TypedDict, Unpack

from longsoak.store.reader import Record
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmState, Priority
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch
from longsoak.vocabulary.curve import Correction, Curve, Form, MadeFor
from longsoak.vocabulary.destinations import Database, Mail, Mqtt
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.rig import (
    Bay,
    Boundary,
    Bus,
    Edges,
    Kind,
    Layer,
    Material,
    Probe,
    Reservoir,
    Rig,
    Specimen,
)

START_MS = 1_777_885_200_000  # 2026-05-04T09:00:00Z
NEW, GONE = AlarmState.NEW, AlarmState.GONE
NORMAL, ACKNOWLEDGED = AlarmState.NORMAL, AlarmState.ACKNOWLEDGED

UNITS = {
    Kind.PINS: "Ohm",
    Kind.REFERENCE: "Ohm",
    Kind.HUMIDITY: "%",
    Kind.TEMPERATURE: "Cel",
    Kind.LEVEL: "mV",
    Kind.FLOAT: "1",
    Kind.FLOW: "Hz",
    Kind.PUMP_CURRENT: "mA",
    Kind.POLARISATION: "mV",
    Kind.SCALE: "kg",
    Kind.CONDUCTIVITY: "uS/cm",
    Kind.PH: "[pH]",
    Kind.BUTTON: "1",
}


class Changes(TypedDict, total=False):
    """What of a small rig can be other than usual."""

    name: str
    invented: bool
    page: str | None
    probes: tuple[Probe, ...]
    alarms: tuple[AlarmPlan, ...]
    mail: Mail | None
    mqtt: Mqtt | None
    database: Database | None


def small_rig(**changes: Unpack[Changes]) -> Rig:
    """One bay of one board, three pin pairs, temperature, humidity, level, float, reference."""
    board = Layer("board", Material.TIMBER, 60)
    edge = Boundary.SEALED
    rig = Rig(
        name="small rig",
        invented=True,
        start=None,
        page="http://shop-pi.example:8460/",
        specimen=Specimen(
            height=400,
            width=300,
            underside=110,
            edges=Edges(top=edge, bottom=Boundary.OPEN, left=edge, right=edge),
            between_bays=(),
            bays=(Bay("plain", 0, 300, (board,)),),
        ),
        reservoir=Reservoir(
            name="tray",
            level="water level",
            float_switch="high float",
            depth_table=((0, 0), (150, 60)),
            length=1000,
            breadth=400,
            rim=150,
            stop=100,
            pump_needs=25,
        ),
        curves={
            "invented fir": Curve(
                name="invented fir",
                form=Form.TABLE,
                made_for=MadeFor.WOOD,
                lowest=7,
                highest=25,
                reference_temperature=20,
                correction=Correction.INDICATED,
                source="invented for tests",
                fitted_on="nothing",
                points=((7, 2e10), (25, 5e5)),
                uncertainty=1.0,
            )
        },
        buses=(Bus("meter", "scpi", {}), Bus("air", "modbus", {}), Bus("tray", "lines", {})),
        probes=(
            *(_pins(f"C {depth}/60", depth) for depth in (10, 30, 50)),
            _probe("meter reference", Kind.REFERENCE, "meter", every=900, nominal=1e7),
            _probe("T core", Kind.TEMPERATURE, "air", bay="plain", depth=30, height=60),
            _probe("RH room", Kind.HUMIDITY, "air", place="air, wet face"),
            replace(
                _probe("water level", Kind.LEVEL, "tray", every=5, zero=-20.0, per_unit=0.1),
                record=60,
                resolution=0.5,
            ),
            replace(
                _probe("high float", Kind.FLOAT, "tray", every=1, trips_at=105),
                record=300,
                resolution=1,
            ),
        ),
        alarms=(
            AlarmPlan(
                key="overfill: water level",
                title="water above the stop line",
                watch=Watch.OVERFILL,
                subject="water level",
                on_delay=5,
                off_delay=30,
                cause="The top-up went on too long.",
                consequence="The tray runs over.",
                actions=("Stop the top-up.", "Look for water on the floor before you step in."),
                within=900,
                priority=Priority.HIGH,
                setpoint=100,
                deadband=3,
                unit="mm",
            ),
            AlarmPlan(
                key="silent: C 30/60",
                title="C 30/60 is silent",
                watch=Watch.SILENT,
                subject="C 30/60",
                on_delay=0,
                off_delay=0,
                cause="A wire is off.",
                consequence="Nobody knows how wet it is there.",
                actions=("Look at the wire.",),
                within=86_400,
                priority=Priority.MEDIUM,
            ),
        ),
        mail=None,
        mqtt=None,
        database=None,
    )
    return replace(rig, **changes)


def _pins(name: str, depth: float) -> Probe:
    return replace(
        _probe(name, Kind.PINS, "meter", every=900, bay="plain", depth=depth, height=60),
        across=150,
        curve="invented fir",
        temperatures=("T core",),
    )


def _probe(
    name: str,
    kind: Kind,
    bus: str,
    *,
    every: float = 60,
    bay: str | None = None,
    depth: float | None = None,
    height: float | None = None,
    place: str | None = None,
    nominal: float | None = None,
    zero: float = 0.0,
    per_unit: float = 1.0,
    trips_at: float | None = None,
) -> Probe:
    return Probe(
        name=name,
        kind=kind,
        bus=bus,
        address={},
        every=every,
        record=every,
        resolution=0.0,
        bay=bay,
        depth=depth,
        height=height,
        place=place,
        nominal=nominal,
        zero=zero,
        per_unit=per_unit,
        trips_at=trips_at,
    )


class Keeper:
    """Commits invented scans and alarm changes to a real record, on a clock of its own."""

    def __init__(
        self, folder: Path, rig: Rig, *, start_ms: int = START_MS, known: bool = True
    ) -> None:
        self.record = Record(folder)
        self.now_ms = start_ms
        self._start_ms = start_ms
        self._rig = rig
        self.writer = RecordWriter(folder, now="2026-05-04T09:00:00Z")
        self.writer.accept_rig(f"# {rig.name}", utc_ms=start_ms)
        self._known = known
        self.writer.begin_run(
            boot="boot", software="0", utc_ms=start_ms, boottime_ms=0, synchronised=known
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.writer.close()

    def scan(
        self,
        values: Mapping[str, float | None],
        *,
        flags: Mapping[str, tuple[Flag, Reason]] | None = None,
        after: float = 1.0,
    ) -> None:
        """Commit one scan of `values`, `after` s after the last; None is a missing reading.

        Raw values are ten times the converted ones, so that the two can't be mistaken.
        """
        self.scans([values], flags=flags, after=after)

    def scans(
        self,
        rows: list[Mapping[str, float | None]],
        *,
        flags: Mapping[str, tuple[Flag, Reason]] | None = None,
        after: float = 1.0,
    ) -> None:
        """Commit many scans at once, `after` s apart."""
        batch = Batch()
        for values in rows:
            self.now_ms += round(after * 1000)
            batch.scans.append(self._scan(values, flags or {}))
        self.writer.commit(batch)

    def set_clock(self, start_ms: int) -> None:
        """Synchronise the clock: this boot began at `start_ms`, whatever was said before."""
        self.now_ms += start_ms - self._start_ms
        self._start_ms = start_ms
        self._known = True

    def change(
        self,
        key: str,
        old: AlarmState,
        new: AlarmState,
        *,
        value: float | None = None,
        says: str = "",
        by: str | None = None,
    ) -> None:
        """Commit one change of an alarm, 1 s after the last thing."""
        self.now_ms += 1000
        change = AlarmChange(
            key, self.now_ms, self.now_ms - self._start_ms, old, new, value, says, by
        )
        self.writer.commit(Batch(changes=[change]))

    def _scan(
        self, values: Mapping[str, float | None], flags: Mapping[str, tuple[Flag, Reason]]
    ) -> Scan:
        kinds = {probe.name: probe.kind for probe in self._rig.probes}
        numbers = [nan if value is None else value for value in values.values()]
        judged = [
            (Flag.MISSING, Reason.NO_ANSWER)
            if value is None
            else flags.get(name, (Flag.PASS, Reason.NONE))
            for name, value in values.items()
        ]
        return Scan(
            bus="meter",
            utc_ms=self.now_ms,
            boottime_ms=self.now_ms - self._start_ms,
            synchronised=self._known,
            probes=tuple(values),
            units=tuple(UNITS[kinds[name]] if name in kinds else "1" for name in values),
            raw=tuple(10 * number for number in numbers),
            values=tuple(numbers),
            uncertainties=tuple(abs(number) / 100 for number in numbers),
            flags=tuple(flag for flag, _ in judged),
            reasons=tuple(reason for _, reason in judged),
        )
