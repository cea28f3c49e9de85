"""The simulated year's own world, held against physics, and what judges it."""

import ast
from dataclasses import replace
from pathlib import Path
from statistics import median

import pvlib
import pytest
from pvlib.iotools import read_tmy3

from faults import water, waterworld
from faults.waterjudged import Found, judge
from faults.waterworld.happenings import Happening, Kind
from faults.waterworld.plan import CALM, YEAR, planned
from faults.waterworld.rigtext import rig_text
from faults.waterworld.script import Script
from faults.waterworld.shape import SHAPES, Block, Shape
from faults.waterworld.weather import DAY, FILE, HOURS, outdoors, saturation
from faults.waterworld.world import PAN_FACTOR, PAN_FULL, Hour, days_until, summed
from longsoak.rigfile.load import parse
from longsoak.service.drivers import find_kind
from longsoak.vocabulary.alarmplan import Watch

BENCH = SHAPES[0]
# The reference list's check tray: 600 x 400 mm with four pedestals of 50 x 50 x 30 mm (computed).
CHECK_TRAY = replace(BENCH, blocks=(Block(4, 50, 50, 0, 30),), rim=62)


def test_the_world_imports_nothing_of_what_it_tries() -> None:
    folder = Path(next(iter(waterworld.__path__)))
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [each.name for each in node.names] if isinstance(node, ast.Import) else []
            assert not [name for name in names if name.startswith("longsoak")], path


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_a_rig_file_and_the_probes_of_its_world_name_one_another(shape: Shape) -> None:
    script = Script(shape, seed=1, days=1, plan=[])
    rig = parse(rig_text(shape), file="rig.toml", find_kind=find_kind)
    sensors = script.sensors
    seen = [name for bus in (sensors.tray(), sensors.air(), sensors.wood()) for name, _, _ in bus]
    assert sorted(seen) == sorted(probe.name for probe in rig.probes)


@pytest.mark.parametrize(
    ("depth", "litres"), [(45, 10.5), (40, 9.3), (30, 6.9), (20, 4.6), (10, 2.3)]
)
def test_the_tray_holds_what_was_computed(depth: float, litres: float) -> None:
    assert CHECK_TRAY.volume(depth) == pytest.approx(litres)
    assert CHECK_TRAY.depth(litres) == pytest.approx(depth)


def test_the_weather_is_a_year_of_air_that_could_be() -> None:
    hours = outdoors()
    assert len(hours) == HOURS
    # The file's own dew points stand beside its humidity; in some hours the two disagree.
    table, _ = read_tmy3(Path(pvlib.__file__).parent / "data" / FILE, map_variables=True)
    off = [
        air.vapour / saturation(dew) - 1
        for air, dew in zip(hours, table["temp_dew"], strict=True)
        if air.temperature > 0
    ]
    assert median(off) == pytest.approx(0, abs=0.002)
    assert sum(abs(each) < 0.05 for each in off) > 0.97 * len(off)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_a_sheltered_tray_gives_less_than_a_pool_and_more_than_through_a_deep_film(
    shape: Shape,
) -> None:
    # Computed at 20 degC and 50 % RH: 3.666 mm/d from a pool in still air, the upper bound, and
    # 0.380 mm/d by diffusion alone through 50 mm of air (Stefan; both forms from memory).
    deficit = 0.5 * saturation(20.0)
    assert 0.380 < shape.transfer * deficit * DAY < 3.666


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_every_litre_is_accounted_for(shape: Shape) -> None:
    days = 26
    plan = planned(shape, seed=3, short=True)
    script = Script(shape, seed=3, days=days, plan=plan)
    for _ in script.lived():
        pass
    world = script.world
    total = summed(world.hours)
    assert len(world.hours) == 24 * days
    out = total.surface + total.film + total.taken_up + total.leaked
    out += total.spilled + total.drawn_off
    assert world.begins_with + total.topped_up - out == pytest.approx(
        world.water + world.film, abs=1e-6
    )
    poured = sum(each.litres or 0.0 for each in script.happened if each.kind is Kind.TOP_UP)
    assert poured == pytest.approx(total.topped_up)
    leaked = sum(each.litres or 0.0 for each in script.happened if each.kind is Kind.LEAK)
    assert leaked == pytest.approx(total.leaked, rel=0.05)  # from and until a full hour
    draw = (total.surface + total.film + total.taken_up) / days
    assert 0.3 < draw < 8.5


def test_what_conducts_stays_behind_when_water_evaporates() -> None:
    script = Script(BENCH, seed=1, days=1, plan=[])
    world = script.world
    before = world.conductivity
    world.water /= 2
    assert world.conductivity == pytest.approx(2 * before)
    world.bale(10.0)  # takes salts along
    assert world.conductivity == pytest.approx(2 * before)
    world.pour(world.water, conductivity=0.0)
    assert world.conductivity == pytest.approx(before)


def test_the_pan_beside_dries_in_step_with_the_tray() -> None:
    script = Script(BENCH, seed=1, days=2, plan=[])
    for _ in script.lived():
        pass
    dried = summed(script.world.hours).flux / PAN_FACTOR
    assert dried > 1.0
    assert script.world.pan == pytest.approx(PAN_FULL - dried)


def test_how_long_water_lasts_is_counted_as_by_hand() -> None:
    # The reference list: 8.2 L at 0.36 L a day last 22.778 days (computed).
    script = Script(CHECK_TRAY, seed=1, days=1, plan=[])
    steady = Hour(0.0, would_draw=0.36 / 24, depth=45.0)
    script.world.hours = [steady] * 24 * 30
    assert days_until(script.world, 0, 10.0) == pytest.approx(22.778, abs=1e-3)
    assert days_until(script.world, 24 * 10, 10.0) is None


@pytest.mark.parametrize("seed", range(5))
def test_a_year_brings_everything_that_has_to_be_found(seed: int) -> None:
    for shape in SHAPES:
        turns = planned(shape, seed=seed, short=False)
        assert all(CALM * DAY <= turn.at < YEAR * DAY for turn in turns)
        kinds = [turn.kind for turn in turns]
        for kind, least in water.LEAST.items():
            drawn_up = kinds.count(kind)
            drawn_up += kind is Kind.PUMP_STOP  # the one after a power cut
            assert drawn_up >= least or kind is Kind.TOP_UP


STOP = Happening(Kind.PUMP_STOP, 1000.0, 9000.0, 1000.0, 1000.0)
TOLD = Found(Watch.PUMP_STOPPED, "pump", 1060.0, "0.00 A")


def test_what_is_told_in_time_is_found() -> None:
    verdict = judge("rig", 30, [STOP], [TOLD])
    assert not verdict.lost
    assert verdict.delays == {Kind.PUMP_STOP: [60.0]}


@pytest.mark.parametrize("told", [[], [TOLD._replace(at=8000.0)], [TOLD._replace(watch="dry")]])
def test_what_is_told_late_or_never_or_as_something_else_is_missed(told: list[Found]) -> None:
    verdict = judge("rig", 30, [STOP], told)
    assert verdict.missed == [STOP]
    assert verdict.lost
    assert "pump stop on day 0.01 was never told" in next(verdict.wrongs())


def test_an_alarm_that_still_stands_tells_of_what_comes_next() -> None:
    earlier = TOLD._replace(at=100.0)
    assert judge("rig", 30, [STOP], [earlier._replace(over=1500.0)]).missed == []
    assert judge("rig", 30, [STOP], [earlier._replace(over=800.0)]).missed == [STOP]


def test_a_month_may_have_one_false_alarm() -> None:
    false = TOLD._replace(at=5e5)
    assert judge("rig", 30, [STOP], [TOLD, false]).lost == 0
    assert judge("rig", 30, [STOP], [TOLD, false, false]).lost == 1
    assert judge("rig", 60, [STOP], [TOLD, false, false]).lost == 0
