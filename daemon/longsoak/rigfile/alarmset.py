"""The alarms every rig has without saying so."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from longsoak.rigfile.alarmchecks import COMPUTER, RECORD
from longsoak.rigfile.alarmusual import REPEAT, USUAL
from longsoak.rigfile.words import given
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch
from longsoak.vocabulary.rig import JUDGED, PUMP, UNIT, Bus, Kind, Probe, Reservoir, Room

# All of these are common practice for a rig that runs for months, none from a standard.
WATER_DEADBAND = 3.0  # mm: ripples from the drip rail and the pump
OVERFILL_ON, OVERFILL_OFF = 5.0, 30.0  # s
FLOAT_ON, FLOAT_OFF = 0.8, 30.0  # s: the second look, a second later, bears the first out
DRY_ON, DRY_OFF = 30.0, 60.0  # s: a pump survives half a minute
LEVEL_UNKNOWN_ON, LEVEL_UNKNOWN_OFF = 30.0, 10.0  # s
DISAGREE_MARGIN = 5.0  # mm: what a float's mounting and a level probe's zero are off together
DISAGREE_ON, DISAGREE_OFF = 600.0, 60.0  # s: both have settled long since after a top-up
PUMP_ON, PUMP_OFF = 60.0, 30.0  # s: a pump that draws air for a while, or is started anew
SILENT_LEAST = 30.0  # s: a bus that is opened anew takes that long
SILENT_PERIODS = 1.5  # one missed poll and half a period's grace
BUS_ON = 10.0  # s
# 2 % more resistance moves a moisture content of up to 25 % by less than 0.1 % (computed from the
# two-parameter Douglas-fir relation of Straube, Onysko and Schumacher 2002, from memory).
DRIFT_PERCENT, DRIFT_DEADBAND = 2.0, 0.5  # % of nominal
DRIFT_DEADBAND_SHARE = 0.25  # of the setpoint, as for the reference resistor
AT_ONCE = 0.0  # s: one good answer is proof enough
RECORD_ON = 10.0  # s: a commit may stall for seconds
DISK_ON = 60.0  # s: something large may be there for a moment only
LOG_ON = 600.0  # s: a backup holds the log open while it copies
OUTLET_ON = 60.0  # s: a server that restarts is back by then
BACKUP_ON = 7200.0  # s: by then it was tried again
NEAR_ON, CONTACT_ON = 3.0, 2.0  # s: the nearer the water, the sooner
LOW_SHARE = 0.2  # of what lies between the stop and what the pump needs
LOW_ON, LOW_OFF = 600.0, 600.0  # s: nobody has to run
ROOM_ON, ROOM_OFF = 1800.0, 1800.0  # s: a door stands open for a while
# The room a wetting test is usually in. Below 5 degC frost is near, above 32 degC pins are
# corrected by guess, and at 85 % RH mould grows within weeks. All three common practice.
HOT, COLD, HUMID = 32.0, 5.0, 85.0
ROOM_DEADBAND, HUMID_DEADBAND = 1.0, 3.0  # K, % RH
OPEN_PERIODS = 1.5
CLOCK_ON = 3600.0  # s: a network may take its time after a power cut
BEHIND_ON = 600.0  # s
POWER_ON, POWER_OFF = 10.0, 600.0  # s
_OF_THE_RECORD = {
    Watch.RECORD: RECORD_ON,
    Watch.LOST: AT_ONCE,
    Watch.DAMAGED: AT_ONCE,
    Watch.DISK: DISK_ON,
    Watch.LOG: LOG_ON,
}
_OF_THE_COMPUTER = {
    Watch.CLOCK: (CLOCK_ON, AT_ONCE),
    Watch.RESTARTED: (AT_ONCE, AT_ONCE),
    Watch.UNDERVOLTAGE: (POWER_ON, POWER_OFF),
}
# What judging finds of any probe, and what it finds of pins only.
_FOUND = (Watch.STUCK, Watch.DRIFTING, Watch.DOUBT)
_FOUND_OF_PINS = (Watch.SHORT, Watch.INSULATION)
_FORWARDERS = ("readings", "database")


@dataclass(frozen=True, slots=True)
class Parts:
    """The checked parts of a rig that alarms are made for.

    `outlets` are what alarms about outlets have for their subjects.
    """

    reservoir: Reservoir | None
    underside: float
    room: Room
    probes: Sequence[Probe]
    buses: Sequence[Bus]
    outlets: Sequence[str]
    backup: bool
    trial: bool = False


def key_of(watch: Watch, subject: str) -> str:
    """What an alarm is called for ever."""
    return f"{watch}:{subject}"


def new_plan(
    watch: Watch,
    subject: str,
    *,
    on_delay: float,
    off_delay: float,
    setpoint: float | None = None,
    deadband: float = 0.0,
    unit: str = "",
    against: str | None = None,
    under: tuple[str, ...] = (),
) -> AlarmPlan:
    """An alarm as usual for its watch; its texts are written last, when its numbers are settled."""
    usual = USUAL[watch]
    return AlarmPlan(
        key=key_of(watch, subject),
        title="",
        watch=watch,
        subject=subject,
        on_delay=on_delay,
        off_delay=off_delay,
        cause="",
        consequence="",
        actions=(),
        within=usual.within,
        priority=usual.priority,
        setpoint=setpoint,
        deadband=deadband,
        unit=unit,
        against=against,
        latching=usual.latching,
        repeat=REPEAT[usual.priority],
        under=under,
        in_service=usual.in_service,
    )


def standard_set(parts: Parts) -> Iterator[AlarmPlan]:
    """Every alarm that follows from the parts of a rig."""
    dry: tuple[str, ...] = ()
    if parts.reservoir is not None:
        yield from _water(parts.reservoir, parts.underside)
        if not any(probe.kind in PUMP for probe in parts.probes):
            level = parts.reservoir.level
            yield new_plan(Watch.PUMP_STILL, level, on_delay=AT_ONCE, off_delay=AT_ONCE)
        dry = (key_of(Watch.DRY, parts.reservoir.level),)
    for probe in parts.probes:
        if probe.kind in PUMP:
            yield new_plan(
                Watch.PUMP_STOPPED,
                probe.name,
                on_delay=PUMP_ON,
                off_delay=PUMP_OFF,
                setpoint=given(probe.runs_from),
                unit=UNIT[probe.kind],
                under=dry,
            )
    yield from _room(parts.room)
    yield from _found(parts.probes)
    for probe in parts.probes:
        if parts.reservoir is not None and probe.name == parts.reservoir.level:
            continue  # "level unknown" says it already, and sooner
        yield new_plan(Watch.SILENT, probe.name, on_delay=_patience(probe), off_delay=AT_ONCE)
    for bus in parts.buses:
        yield new_plan(Watch.BUS, bus.name, on_delay=BUS_ON, off_delay=AT_ONCE)
    for outlet in parts.outlets:
        yield new_plan(Watch.OUTLET, outlet, on_delay=OUTLET_ON, off_delay=AT_ONCE)
        if outlet in _FORWARDERS:
            away = (key_of(Watch.OUTLET, outlet),)
            yield new_plan(Watch.BEHIND, outlet, on_delay=BEHIND_ON, off_delay=AT_ONCE, under=away)
    for watch, on_delay in _OF_THE_RECORD.items():
        yield new_plan(watch, RECORD, on_delay=on_delay, off_delay=AT_ONCE)
    if parts.backup:
        yield new_plan(Watch.BACKUP, RECORD, on_delay=BACKUP_ON, off_delay=AT_ONCE)
    for watch, (on_delay, off_delay) in _OF_THE_COMPUTER.items():
        yield new_plan(watch, COMPUTER, on_delay=on_delay, off_delay=off_delay)
    if parts.trial:  # it waits as long as its `within` by itself, also over a restart
        yield new_plan(Watch.TRIAL, COMPUTER, on_delay=AT_ONCE, off_delay=AT_ONCE)


def _water(reservoir: Reservoir, underside: float) -> Iterator[AlarmPlan]:
    level, stop = reservoir.level, reservoir.stop
    contact, near = key_of(Watch.CONTACT, level), key_of(Watch.NEAR, level)
    nearly = stop + (underside - stop) / 2
    # What has to be left behind before the next lower one says all there is to say.
    steps = min(WATER_DEADBAND, (underside - nearly) / 2)
    for watch, setpoint, delay, deadband, under in (
        (Watch.CONTACT, underside, CONTACT_ON, steps, ()),
        (Watch.NEAR, nearly, NEAR_ON, steps, (contact,)),
        (Watch.OVERFILL, stop, OVERFILL_ON, WATER_DEADBAND, (contact, near)),
    ):
        yield new_plan(
            watch,
            level,
            on_delay=delay,
            off_delay=OVERFILL_OFF,
            setpoint=setpoint,
            deadband=deadband,
            unit=UNIT[Kind.LEVEL],
            under=under,
        )
    if reservoir.float_switch is not None:
        # Never quiet because of the level: it is there for when the level is wrong.
        yield new_plan(
            Watch.OVERFILL, reservoir.float_switch, on_delay=FLOAT_ON, off_delay=FLOAT_OFF
        )
    dry = key_of(Watch.DRY, level)
    soon = reservoir.pump_needs + LOW_SHARE * (stop - reservoir.pump_needs)
    for watch, setpoint, on_delay, off_delay, under in (
        (Watch.DRY, reservoir.pump_needs, DRY_ON, DRY_OFF, ()),
        (Watch.LOW, soon, LOW_ON, LOW_OFF, (dry,)),
    ):
        yield new_plan(
            watch,
            level,
            on_delay=on_delay,
            off_delay=off_delay,
            setpoint=setpoint,
            deadband=WATER_DEADBAND,
            unit=UNIT[Kind.LEVEL],
            under=under,
        )
    yield new_plan(
        Watch.LEVEL_UNKNOWN, level, on_delay=LEVEL_UNKNOWN_ON, off_delay=LEVEL_UNKNOWN_OFF
    )
    if reservoir.float_switch is not None:
        yield new_plan(
            Watch.DISAGREE,
            reservoir.float_switch,
            on_delay=DISAGREE_ON,
            off_delay=DISAGREE_OFF,
            setpoint=DISAGREE_MARGIN,
            deadband=disagree_deadband(DISAGREE_MARGIN),
            unit=UNIT[Kind.LEVEL],
            against=level,
        )
    for watch in (Watch.LEVEL_DOUBT, Watch.LEAK, Watch.SALTS):
        yield new_plan(watch, level, on_delay=AT_ONCE, off_delay=AT_ONCE)


def _room(room: Room) -> Iterator[AlarmPlan]:
    for watch, name, kind, setpoint, deadband in (
        (Watch.HOT, room.temperature, Kind.TEMPERATURE, HOT, ROOM_DEADBAND),
        (Watch.COLD, room.temperature, Kind.TEMPERATURE, COLD, ROOM_DEADBAND),
        (Watch.HUMID, room.humidity, Kind.HUMIDITY, HUMID, HUMID_DEADBAND),
    ):
        if name is not None:
            yield new_plan(
                watch,
                name,
                on_delay=ROOM_ON,
                off_delay=ROOM_OFF,
                setpoint=setpoint,
                deadband=deadband,
                unit=UNIT[kind],
            )


def _found(probes: Sequence[Probe]) -> Iterator[AlarmPlan]:
    for probe in probes:
        if probe.kind is Kind.REFERENCE:
            yield drift(probe, None)
    references: dict[str, tuple[str, ...]] = {}
    for probe in probes:
        if probe.kind is Kind.REFERENCE:
            known = references.get(probe.bus, ())
            references[probe.bus] = (*known, key_of(Watch.DRIFT, probe.name))
    for probe in probes:
        if probe.kind not in JUDGED:
            continue
        pins = probe.kind is Kind.PINS
        if pins:
            on_delay = max(SILENT_LEAST, OPEN_PERIODS * probe.every)
            yield new_plan(Watch.OPEN, probe.name, on_delay=on_delay, off_delay=AT_ONCE)
        for watch in (*_FOUND, *(_FOUND_OF_PINS if pins else ())):
            # What moves the instrument moves all of its pins: the resistor says that once.
            meter = references.get(probe.bus, ()) if pins and watch is Watch.DRIFTING else ()
            yield new_plan(watch, probe.name, on_delay=AT_ONCE, off_delay=AT_ONCE, under=meter)


def crossed(watch: Watch, probe: Probe) -> AlarmPlan:
    """An alarm of one's own, on a probe that goes above or below a setpoint."""
    return new_plan(
        watch, probe.name, on_delay=_patience(probe), off_delay=AT_ONCE, unit=UNIT[probe.kind]
    )


def disagree_deadband(margin: float) -> float:
    """The usual deadband, mm: ripples, but never so much that agreeing would not end the alarm."""
    return min(WATER_DEADBAND, margin / 2)


def drift(probe: Probe, against: str | None) -> AlarmPlan:
    """A reference resistor held against its nominal value, or a probe against another."""
    if against is None:
        return new_plan(
            Watch.DRIFT,
            probe.name,
            on_delay=_patience(probe),
            off_delay=AT_ONCE,
            setpoint=DRIFT_PERCENT,
            deadband=DRIFT_DEADBAND,
            unit="%",
        )
    return new_plan(
        Watch.DRIFT,
        probe.name,
        on_delay=_patience(probe),
        off_delay=AT_ONCE,
        unit=UNIT[probe.kind],
        against=against,
    )


def _patience(probe: Probe) -> float:
    return max(SILENT_LEAST, SILENT_PERIODS * probe.every)
