"""`longsoak water`, run as a user runs it, on a record that a simulated reservoir has filled."""

import json
from pathlib import Path

import pytest

from brokers import validate
from cli.wettedrig import lay_out, recorded
from core.water import simulated
from core.water.simulated import DAY
from drivers.ptys import Device
from longsoak.service.clock import SystemClock
from longsoak.service.drivers import load_rig
from longsoak.service.recordstate import state_of_record
from longsoak.store.files import folder_of
from longsoak.store.logbook import Logbook
from longsoak.store.readback import ReadBack
from longsoak.vocabulary.logbook import CUP, TOP_UP, WATER
from processes import longsoak, running
from waiting import wait_for
from whole.trayrig import front_end


@pytest.fixture(scope="module")
def wetted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, simulated.Truth]:
    return recorded(tmp_path_factory.mktemp("wetted"))


def test_it_tells_how_the_water_stands(wetted: tuple[Path, simulated.Truth]) -> None:
    rig_file, truth = wetted
    shown = longsoak("water", rig_file, "--json")
    assert (shown.returncode, shown.stderr) == (0, "")
    seen = json.loads(shown.stdout)
    level = seen["level"]
    assert level["uncertainty_mm"] == 0.5
    assert level["clearance_mm"] == pytest.approx(120 - level["mm"])
    assert level["litres"] == pytest.approx(simulated.litres(level["mm"]))
    days = len(truth.water) - 1
    gone = [e + t for e, t in zip(truth.evaporated, truth.taken_up, strict=True)]
    lately = (gone[days] - gone[days - 4]) / 4
    assert level["lost_per_day"]["litres"] == pytest.approx(lately, rel=0.15)
    evaporated = (truth.evaporated[days] - truth.evaporated[days - 4]) / 4
    told = level["evaporated_per_day"]
    assert abs(told["litres"] - evaporated) < 2 * told["uncertainty"] + 0.1 * evaporated
    dry = level["pump_dry_days"]
    assert dry["low"] < dry["days"] < dry["high"]
    assert [each["known"] for each in seen["top_ups"]] == ["only by level"] * 3
    assert seen["balance"]["topped_up"]["litres"] == pytest.approx(16.0, abs=0.6)
    assert seen["balance"]["drawn_off"]["litres"] == pytest.approx(8.0, abs=0.5)
    assert seen["balance"]["closes"] is None
    assert seen["wetted_s"]["panel"]["running"] == pytest.approx(16 * DAY, rel=0.01)
    assert seen["found"] == seen["contacts"] == seen["cup_catches"] == []


def test_the_state_tells_the_same_days_until_the_pump_runs_dry(
    wetted: tuple[Path, simulated.Truth],
) -> None:
    rig_file, _ = wetted
    rig, _ = load_rig(rig_file)
    said = state_of_record(rig, ReadBack(folder_of(rig_file)), clock=SystemClock())
    validate("state", json.dumps(said))
    shown = json.loads(longsoak("water", rig_file, "--json").stdout)
    assert said["pump_dry_days"] == pytest.approx(shown["level"]["pump_dry_days"], rel=0.01)


def test_it_tells_it_in_words(wetted: tuple[Path, simulated.Truth]) -> None:
    shown = longsoak("water", wetted[0]).stdout
    for words in (
        "clearance ",
        "lost ",
        "evaporates ",
        "taken up by the specimen, by difference, ",
        "until the pump runs dry ",
        "balance of ",
        "whether it closes can't be told",
        "only by level",
        "panel: wetted 16.0 d, not wetted 0.0 d, unknown 0.0 d.",
        "No conductivity was measured yet.",
    ):
        assert words in shown


def test_rounds_cups_and_top_ups_are_written_into_the_logbook(tmp_path: Path) -> None:
    says = {"level": "70,mm", "float": "0,1", "flow": "1,L/min", "pan": "80,mm"}
    device = Device(tmp_path / "front-end", front_end(says))
    try:
        rig_file = lay_out(tmp_path, port=str(device.path))
        with running(rig_file) as run:
            run.says("recording")
            written = longsoak(
                *("water", rig_file, "--round", "--conductivity", "300", "--at-temperature", "20"),
                *("--ph", "8.1", "--source", "rain butt", "--by", "mk"),
            )
            assert (written.returncode, written.stderr) == (0, "")
            for more in (
                ("--cup", "panel", "--litres", "0.5", "--minutes", "10", "--width", "100"),
                ("--topped-up", "4.5", "--source", "mains"),
                ("--round", "--conductivity", "700"),
            ):
                assert longsoak("water", rig_file, *more, "--by", "mk").returncode == 0
            logbook = Logbook(folder_of(rig_file))
            salty, poured, cup, first = logbook.entries()
            assert (first.kind, cup.kind, poured.kind) == (WATER, CUP, TOP_UP)
            assert first.says == "Water round: 333 µS/cm at 25 °C, pH 8.1, 20.0 °C, rain butt."
            assert cup.subject.name == "panel"
            assert cup.content["area_m2"] == pytest.approx(0.1 * 0.42)
            assert poured.content["litres_by_can"] == 4.5
            assert salty.content["conductivity_25"] == 700.0
            wait_for(
                lambda: "only by hand" in longsoak("water", rig_file).stdout,
                what="the top-up to be listed",
            )
            shown = longsoak("water", rig_file).stdout
            assert "The water conducts 2.1 times what it did first" in shown
            assert "L/(m²h)" in shown
            assert run.stop() == 0, run.log
    finally:
        device.unplug()


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--round", "--topped-up", "3"), "Write one thing at a time: --round and --topped-up"),
        (("--ph", "8"), "What the water is like goes with --round."),
        (("--litres", "3"), "--litres, --minutes, --area and --width go with --cup."),
        (("--by", "mk"), "--by, --at and --source go with --round, --cup or --topped-up."),
        (("--cup", "panel"), "A cup catch has --litres and --minutes. Nothing was kept."),
        (
            ("--cup", "panle", "--litres", "1", "--minutes", "5"),
            "There is no bay 'panle' on this rig. Was 'panel' meant? Nothing was kept.",
        ),
        (
            ("--cup", "flow", "--litres", "1", "--minutes", "5"),
            "There is no bay 'flow' on this rig. Its bays: 'panel'. Nothing was kept.",
        ),
        (("--round",), "A water round says at least one thing of the water. Nothing was kept."),
        (("--topped-up", "-3"), "'-3' is not a number of litres from 0.01 to 100000."),
        (("--round", "--ph", "19"), "'19' is not a pH from 0 to 14."),
        (("--round", "--conductivity", "-5"), "'-5' is not a conductivity in µS/cm from 0 to 3"),
        (
            ("--topped-up", "61"),
            "61 L can't be: up to its rim tray holds 59.6 L. Write what one top-up was, in litres. "
            "Nothing was kept.",
        ),
        (
            ("--cup", "panel", "--litres", "500", "--minutes", "10"),
            "'500' is not a number of litres from 0",
        ),
    ],
)
def test_what_can_not_be_is_told(
    wetted: tuple[Path, simulated.Truth], options: tuple[str, ...], says: str
) -> None:
    ended = longsoak("water", wetted[0], *options)
    assert ended.returncode == 2
    assert says in ended.stderr
