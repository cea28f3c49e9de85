"""Outputs in a rig file, checked with the shipped drivers: one switches, one does not."""

from pathlib import Path

import pytest

from longsoak.core.cautions import output_cautions
from longsoak.rigfile.load import load, parse
from longsoak.service.drivers import find_kind
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.errors import RigFileError
from longsoak.vocabulary.rig import OutputKind
from whole.trayrig import head

HERE = Path(__file__).parent
GOOD = (
    head("outputs", litres=60.0)
    + """
[[buses]]
name = "panel"
driver = "gpio"
chip = "pinctrl-bcm2711"

[[buses]]
name = "tray"
driver = "lines"
port = "none"

[[probes]]
name = "water level"
kind = "level"
bus = "tray"
address = { name = "level" }

[[probes]]
name = "high float"
kind = "float"
trips_at = 105
bus = "panel"
address = { line = 17 }

[[outputs]]
name = "stop lamp"
kind = "lamp"
bus = "panel"
address = { line = 22, active = "low" }
"""
)
VALVE = """
[[outputs]]
name = "mains valve"
kind = "fill valve"
bus = "panel"
address = { line = 24 }
longest = 300
"""


def test_all_that_is_wrong_with_outputs_is_told_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(HERE)
    with pytest.raises(RigFileError) as caught:
        load(Path("outputs.toml"), find_kind=find_kind)
    assert f"{caught.value}\n" == (HERE / "outputs.txt").read_text(encoding="utf-8")


def test_a_lamp_may_burn_for_ever_and_needs_no_caution() -> None:
    rig = parse(GOOD, file="rig.toml", find_kind=find_kind)
    (lamp,) = rig.outputs
    assert (lamp.kind, lamp.longest, lamp.bus) == (OutputKind.LAMP, float("inf"), "panel")
    assert lamp.address == {"line": 22, "active": "low"}
    assert output_cautions(rig) == ()


def test_what_lets_water_in_comes_with_a_caution_about_its_interlock() -> None:
    rig = parse(GOOD + VALVE, file="rig.toml", find_kind=find_kind)
    (said,) = output_cautions(rig)
    assert said.startswith("mains valve: never the only thing between the supply and the floor.")
    for words in ("float switch in series", "by its spring", "licensed person", "electrical code"):
        assert words in said


STUCK = """
[[probes]]
name = "service button"
kind = "button"
bus = "panel"
address = { line = 27, press = true }

[[alarms]]
watch = "above"
probe = "service button"
setpoint = 0.5
on_delay = 60
title = "the service button is stuck"
cause = "Water or dirt in it."
consequence = "No service window can be opened at the rig."
actions = ["Dry it, or open a window by command."]
within = 86400
"""


def test_a_button_that_stays_pressed_can_have_an_alarm_of_its_own() -> None:
    rig = parse(GOOD + STUCK, file="rig.toml", find_kind=find_kind)
    (plan,) = [p for p in rig.alarms if p.watch is Watch.ABOVE]
    assert (plan.setpoint, plan.on_delay) == (0.5, 60)
