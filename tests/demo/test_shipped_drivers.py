"""The demo's rig file against the daemon's checks, its instruments against the shipped drivers."""

from collections.abc import Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from demo.running import Running
from longsoak.core.convert import Conversion
from longsoak.driver import BusDriver, BusSettings, Channel
from longsoak.rigfile.load import parse
from longsoak.service.drivers import find_kind
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.errors import BusError
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.rig import UNIT, Kind, Rig
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_demo import events
from longsoak_demo.places import BUSES, BY_NAME, PLACES
from longsoak_demo.rigtext import rig_text


def rig_of(folder: Path) -> Rig:
    return parse(rig_text(folder, page=None), file="rig.toml", find_kind=find_kind)


def open_bus(rig: Rig, name: str) -> BusDriver:
    (bus,) = (bus for bus in rig.buses if bus.name == name)
    units = {Kind.PINS: "Ohm", Kind.LEVEL: "mV"}
    channels = tuple(
        Channel(probe.name, units.get(probe.kind, UNIT[probe.kind]), probe.address)
        for probe in rig.probes
        if probe.bus == name
    )
    return find_kind(bus.driver).open_bus(BusSettings(name, bus.options, channels))


@pytest.fixture
def drivers(rig: Running) -> Iterator[tuple[Rig, dict[str, BusDriver]]]:
    checked = rig_of(rig.folder)
    with ExitStack() as stack:
        opened = {
            bus.name: stack.enter_context(closing(open_bus(checked, bus.name)))
            for bus in checked.buses
        }
        yield checked, opened


def test_the_rig_file_has_no_mistakes_and_every_probe_of_the_scenario(tmp_path: Path) -> None:
    rig = rig_of(tmp_path)
    assert rig.invented
    assert [probe.name for probe in rig.probes] == list(BY_NAME)
    pins = [probe for probe in rig.probes if probe.kind is Kind.PINS]
    assert len({(p.bay, p.depth, p.height) for p in pins}) == 2 * 3 * 4


@pytest.mark.parametrize("name", ["two words", 'quo"te', "back\\slash", "größe"])
def test_the_rig_file_survives_any_folder_name(tmp_path: Path, name: str) -> None:
    rig = parse(
        rig_text(tmp_path / name, page="http://localhost:8460/"),
        file="rig.toml",
        find_kind=find_kind,
    )
    (meter,) = (bus for bus in rig.buses if bus.name == "meter")
    assert meter.options["port"] == str(tmp_path / name / "ports" / "meter")
    assert rig.page == "http://localhost:8460/"


def test_every_probe_passes_and_the_pins_find_the_models_moisture_within_two_percent(
    rig: Running, drivers: tuple[Rig, dict[str, BusDriver]]
) -> None:
    checked, opened = drivers
    samples: list[Sample | Missing] = []
    for bus, driver in opened.items():
        samples += driver.poll([probe.name for probe in checked.probes if probe.bus == bus])
    converted = Conversion(checked).convert(samples, now=0.0)
    assert len(converted) == len(PLACES)
    for sample, reading in zip(samples, converted, strict=True):
        assert reading.flag is Flag.PASS, sample
        assert reading.reason is Reason.NONE, sample
        place = BY_NAME[sample.probe]
        if place.kind == "pins":
            assert place.bay is not None
            assert place.depth is not None
            assert place.height is not None
            truth = rig.bench.pair.moisture(place.bay, depth=place.depth, height=place.height)
            assert reading.value == pytest.approx(truth, abs=2.0)
        elif place.kind == "level":
            assert reading.value == pytest.approx(rig.bench.pair.tray.depth, abs=1.0)
        else:
            assert reading.value == pytest.approx(rig.bench.reading(place), rel=0.01, abs=0.06)


def test_what_goes_wrong_arrives_as_what_it_is(
    rig: Running, drivers: tuple[Rig, dict[str, BusDriver]]
) -> None:
    checked, opened = drivers
    rig.happen(
        events.Event(0, events.Kind.OPEN_WIRE, probe="cork 30/60"),
        events.Event(0, events.Kind.OPEN_WIRE, probe="plain 30/60"),
        events.Event(0, events.Kind.OPEN_WIRE, probe="cork timber"),
        events.Event(0, events.Kind.SILENCE, probe="water level"),
        events.Event(0, events.Kind.OVERFILL),
    )
    polled = [
        *opened["meter"].poll(["cork 30/60", "cork 30/160"]),
        *opened["front end"].poll(["plain 30/60"]),
        *opened["timber"].poll(["cork timber", "plain timber"]),
        *opened["tray"].poll(["water level"]),
        *opened["air"].poll(["high float"]),
    ]
    readings = dict(
        zip(
            [sample.probe for sample in polled],
            Conversion(checked).convert(polled, now=0.0),
            strict=True,
        )
    )
    assert readings["cork 30/60"].reason is Reason.OPEN_CIRCUIT
    assert readings["plain 30/60"].reason is Reason.OPEN_CIRCUIT
    assert readings["cork timber"].reason is Reason.BAD_CHECKSUM
    assert readings["plain timber"].flag is Flag.PASS
    assert readings["water level"].flag is Flag.MISSING
    assert readings["high float"].value == 1


def test_a_stopped_pump_is_under_the_setpoints_of_its_two_alarms_and_a_running_one_over_them(
    rig: Running, drivers: tuple[Rig, dict[str, BusDriver]]
) -> None:
    checked, opened = drivers
    setpoints = {
        plan.subject: plan.setpoint for plan in checked.alarms if plan.watch is Watch.PUMP_STOPPED
    }
    assert set(setpoints) == {"pump current", "rail flow"}
    for happens, running in ((events.Kind.PUMP_STOP, False), (events.Kind.PUMP_START, True)):
        rig.happen(events.Event(0, happens))
        samples = list(opened["air"].poll(list(setpoints)))
        for sample, reading in zip(
            samples, Conversion(checked).convert(samples, now=0.0), strict=True
        ):
            setpoint = setpoints[sample.probe]
            assert setpoint is not None
            assert reading.flag is Flag.PASS
            assert (reading.value > setpoint) is running


def test_a_silent_transmitter_is_no_answer(
    rig: Running, drivers: tuple[Rig, dict[str, BusDriver]]
) -> None:
    _, opened = drivers
    rig.happen(events.Event(0, events.Kind.SILENCE, probe="air dry RH"))
    (sample,) = opened["air"].poll(["air dry RH"])
    assert isinstance(sample, Missing)
    assert sample.why is Absence.NO_ANSWER


def test_chips_of_the_kernel_are_told_with_where_they_sit(
    drivers: tuple[Rig, dict[str, BusDriver]],
) -> None:
    _, opened = drivers
    assert opened["tray"].describe() == "converter ads1015 at 1-0048"


def test_the_sensor_over_the_water_is_told_by_its_own_name(
    drivers: tuple[Rig, dict[str, BusDriver]],
) -> None:
    _, opened = drivers
    assert opened["over water"].describe().endswith("these answered: 0 (INVENTEDAIR-RH001)")


@pytest.mark.parametrize("bus", BUSES)
def test_an_unplugged_bus_is_an_error_and_opens_again_when_it_is_back(
    rig: Running, drivers: tuple[Rig, dict[str, BusDriver]], bus: str
) -> None:
    checked, opened = drivers
    probe = next(place.name for place in PLACES if place.bus == bus)
    rig.happen(events.Event(0, events.Kind.UNPLUG, bus=bus))
    with pytest.raises(BusError):
        list(opened[bus].poll([probe]))
    opened[bus].close()
    with pytest.raises(BusError):
        open_bus(checked, bus)
    rig.happen(events.Event(1, events.Kind.REPLUG, bus=bus))
    with closing(open_bus(checked, bus)) as again:
        (sample,) = again.poll([probe])
    assert isinstance(sample, Sample)
