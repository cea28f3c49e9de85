"""A pump, its flow and the water under the specimen, through a shipped driver to the record."""

from pathlib import Path

import pytest

from drivers.ptys import Device
from longsoak.store.files import folder_of
from longsoak.store.reader import Record
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.reading import Reading
from processes import running
from waiting import wait_for
from whole.trayrig import front_end, head

RIG = """
[[buses]]
name = "tray"
driver = "lines"
port = "{port}"

[[probes]]
name = "drip rail"
kind = "flow"
zero = -2.5
per_unit = 0.625
runs_from = 0.4
every = 0.2
bus = "tray"
address = {{ name = "flow" }}

[[probes]]
name = "pump"
kind = "pump current"
per_unit = 0.001
runs_from = 0.3
every = 0.2
bus = "tray"
address = {{ name = "pump" }}

[[probes]]
name = "water level"
kind = "level"
every = 0.2
bus = "tray"
address = {{ name = "level" }}

[[probes]]
name = "high float"
kind = "float"
trips_at = 105
every = 0.2
bus = "tray"
address = {{ name = "float" }}

[[alarms]]
watch = "pump stopped"
on_delay = 0.5

[[alarms]]
watch = "float and level disagree"
on_delay = 1
"""


def test_a_pump_that_stops_a_broken_loop_and_a_stuck_float_reach_the_record(tmp_path: Path) -> None:
    says = {"flow": "8.0,mA", "pump": "420,mA", "level": "72,mm", "float": "0,1"}
    device = Device(tmp_path / "front-end", front_end(says))
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(head("pumped", litres=61.2) + RIG.format(port=device.path))
    record = Record(folder_of(rig_file))

    def reading(probe: str, flag: Flag) -> Reading:
        def found() -> list[Reading]:
            return [read for read in record.latest((probe,)).values() if read.flag is flag]

        return wait_for(found, what=f"{probe} with the flag {flag.word}")[0]

    def standing(key: str) -> bool:
        change = record.alarms().get(key)
        return change is not None and change.new is AlarmState.NEW

    try:
        with running(rig_file) as run:
            run.says("open:")
            flow = reading("drip rail", Flag.PASS)
            assert (flow.value, flow.raw, flow.raw_unit) == (2.5, 8.0, "mA")
            assert reading("pump", Flag.PASS).value == pytest.approx(0.42)
            assert not standing("pump stopped:pump")
            says["pump"] = "15,mA"
            wait_for(lambda: standing("pump stopped:pump"), what="the pump's alarm")
            assert not standing("pump stopped:drip rail")
            says["flow"] = "3.5,mA"
            broken = reading("drip rail", Flag.FAIL)
            assert (broken.value, broken.raw, broken.reason) == (None, 3.5, Reason.LOOP_FAULT)
            assert not standing("pump stopped:drip rail")
            assert not standing("float and level disagree:high float")
            says["level"] = "113,mm"
            wait_for(
                lambda: standing("float and level disagree:high float"), what="the float's alarm"
            )
            run.says("high float is down where water level reads 113 mm; it trips at 105 mm")
            assert run.stop() == 0
    finally:
        device.unplug()
