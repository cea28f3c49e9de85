"""Where signs of life go, as a rig file says it, and the alarm that comes with it."""

from longsoak.rigfile.load import parse
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch
from longsoak.vocabulary.destinations import Heartbeat
from longsoak.vocabulary.rig import Rig
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")


def rig_with(table: str) -> Rig:
    return parse(f"{GOOD}\n{table}", file="rig.toml", find_kind=find_kind)


def alarms_of(rig: Rig) -> list[AlarmPlan]:
    return [p for p in rig.alarms if p.watch is Watch.OUTLET and p.subject == "heartbeat"]


def test_a_rig_without_a_heartbeat_has_none_and_no_alarm_for_it() -> None:
    rig = rig_with("")
    assert rig.heartbeat is None
    assert alarms_of(rig) == []


def test_a_heartbeat_needs_only_an_address_and_brings_its_alarm() -> None:
    rig = rig_with('[heartbeat]\nurl_file = "address"')
    assert rig.heartbeat == Heartbeat(60.0, url_file="address")
    (plan,) = alarms_of(rig)
    assert plan.key == "outlet away:heartbeat"
    assert "nobody will hear" in plan.consequence


def test_what_the_file_says_of_it_holds() -> None:
    rig = rig_with(
        '[heartbeat]\nurl = "https://beat.example.org/1"\nevery = 300\nca_file = "ca.pem"\n'
        '[[alarms]]\nwatch = "outlet away"\noutlet = "heartbeat"\non_delay = 0\n'
    )
    assert rig.heartbeat == Heartbeat(300.0, url="https://beat.example.org/1", ca_file="ca.pem")
    assert alarms_of(rig)[0].on_delay == 0
