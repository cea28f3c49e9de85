"""Whether the water's guards are watched and come in time; `broken` has the exact messages."""

import pytest

from longsoak.rigfile.load import load, parse
from longsoak.vocabulary.alarmplan import Watch
from longsoak.vocabulary.errors import RigFileError
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")
COMPARED = '[[alarms]]\nwatch = "float and level disagree"\nsetpoint = 8\n\n'
UNWATCHED = GOOD.replace('float = "high float"\n', "").replace(COMPARED, "")


@pytest.mark.parametrize(
    ("written", "instead"),
    [
        ("setpoint = 102", "setpoint = 109.9"),  # the underside is at 110
        ("deadband = 4", "deadband = 101.9"),
        ("stop = 100", "stop = 104.9"),  # the float trips at 105
        ("pump_needs = 25", "pump_needs = 96.9"),
        ("pump_needs = 25", "pump_needs = 0"),
        ("setpoint = 8", "setpoint = 104.9"),
        ("setpoint = 8", "setpoint = 8\ndeadband = 7.9"),
    ],
)
def test_what_just_holds_is_no_mistake(written: str, instead: str) -> None:
    assert written in GOOD
    parse(GOOD.replace(written, instead), file="rig.toml", find_kind=find_kind)


@pytest.mark.parametrize("setpoint", [25, 96.9])
def test_a_dry_alarm_between_what_the_pump_needs_and_stop_is_no_mistake(setpoint: float) -> None:
    text = f'{GOOD}\n[[alarms]]\nwatch = "dry"\nsetpoint = {setpoint}\n'

    rig = parse(text, file="rig.toml", find_kind=find_kind)

    assert [alarm.setpoint for alarm in rig.alarms if alarm.watch is Watch.DRY] == [setpoint]


def test_a_table_for_the_probe_goes_before_one_for_all() -> None:
    text = GOOD + '\n[[alarms]]\nwatch = "overfill"\nsetpoint = 120\n'

    rig = parse(text, file="rig.toml", find_kind=find_kind)

    assert {102} == {alarm.setpoint for alarm in rig.alarms if alarm.watch is Watch.OVERFILL} - {
        None
    }


def test_a_text_a_record_was_kept_under_stays_readable() -> None:
    with pytest.raises(RigFileError, match="no other is watched for an overfill"):
        parse(UNWATCHED, file="rig.toml", find_kind=find_kind)

    assert len(parse(UNWATCHED, file="rig.toml", find_kind=None).probes) == 10


def test_the_complete_file_has_an_overfill_alarm_for_its_level_and_its_float() -> None:
    alarms = load(HERE / "good.toml", find_kind=find_kind).alarms

    assert [alarm.subject for alarm in alarms if alarm.watch is Watch.OVERFILL] == [
        "water level",
        "high float",
    ]
