"""Where the record is backed up to, as a rig file says it, and the alarm that comes with it."""

from longsoak.rigfile.load import parse
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch
from longsoak.vocabulary.destinations import Backup
from longsoak.vocabulary.rig import Rig
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")


def rig_with(table: str) -> Rig:
    return parse(f"{GOOD}\n{table}", file="rig.toml", find_kind=find_kind)


def alarms_of(rig: Rig) -> list[AlarmPlan]:
    return [plan for plan in rig.alarms if plan.watch is Watch.BACKUP]


def test_a_rig_without_a_backup_has_none_and_no_alarm_for_it() -> None:
    rig = rig_with("")
    assert rig.backup is None
    assert alarms_of(rig) == []


def test_a_backup_needs_only_a_place_and_brings_its_alarm() -> None:
    rig = rig_with('[backup]\nto = "/media/stick"')
    assert rig.backup == Backup("/media/stick", 220, 7, mounted=False)  # 03:40 UTC
    (plan,) = alarms_of(rig)
    assert (plan.key, plan.on_delay, plan.setpoint) == ("no backup:record", 7200, None)
    assert "three days" in plan.cause
    assert any("longsoak backup" in action for action in plan.actions)


def test_what_the_file_says_of_it_holds() -> None:
    rig = rig_with(
        '[backup]\nto = "/media/stick"\nat = "23:59"\nkeep = 30\nmounted = true\n'
        '[[alarms]]\nwatch = "no backup"\non_delay = 0\n'
    )
    assert rig.backup == Backup("/media/stick", 1439, 30, mounted=True)
    assert alarms_of(rig)[0].on_delay == 0
