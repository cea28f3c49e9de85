"""People, webhooks and the weekly trial, as a rig file says them, and their alarms."""

import pytest

from longsoak.core.routes import routes_of
from longsoak.rigfile import noticechecks
from longsoak.rigfile.load import parse
from longsoak.vocabulary.alarm import Priority
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch
from longsoak.vocabulary.errors import RigFileError
from longsoak.vocabulary.notices import Person, Quiet, Webhook, Weekly
from longsoak.vocabulary.rig import Rig
from rigfile.fake_kinds import HERE, find_kind

WALL = (HERE / "broken" / "trial_to_nobody.toml").read_text(encoding="utf-8")
PLAIN = WALL[: WALL.index("[notices]")]
MAIL = '[notices.mail]\nhost = "localhost"\nfrom = "rig@example.org"\n'
MK = '[[people]]\nname = "mk"\n'


def rig_with(tables: str) -> Rig:
    return parse(f"{PLAIN}\n{tables}", file="rig.toml", find_kind=find_kind)


def outlet_alarms(rig: Rig) -> list[AlarmPlan]:
    return [plan for plan in rig.alarms if plan.watch is Watch.OUTLET]


def test_a_person_may_say_only_where_to() -> None:
    rig = rig_with(f'{MAIL}{MK}mail = "mk@example.org"\n')
    assert rig.people == (Person("mk", ("mk@example.org",)),)
    assert rig.mail is not None
    assert rig.mail.to == ()
    assert rig.time_zone == "UTC"
    # Nobody is on the list, so there is no such route; the server is one for all.
    assert [route.name for route in routes_of(rig)] == ["mail to mk"]
    assert [plan.key for plan in outlet_alarms(rig)] == [
        "outlet away:mail",
        "outlet away:mail to mk",
    ]


def test_all_that_a_person_may_say_holds() -> None:
    rig = rig_with(
        f'{MAIL}to = ["keeper@example.org"]\n{MK}mail = ["a@b", "c@d"]\nwebhook_file = "hook"\n'
        'apprise_file = "services"\nfrom = "high"\nquiet = ["22:00", "07:30"]\n'
        'watches = ["overfill", "bus down"]\n'
    )
    assert rig.people == (
        Person(
            "mk",
            ("a@b", "c@d"),
            "hook",
            "services",
            Priority.HIGH,
            Quiet(22 * 60, 7 * 60 + 30),
            (Watch.OVERFILL, Watch.BUS),
        ),
    )
    routes = ["mail", "mail to mk", "webhook to mk", "apprise to mk"]
    assert [route.name for route in routes_of(rig)] == routes


def test_five_people_on_one_server_have_one_alarm_for_it() -> None:
    people = "".join(f'[[people]]\nname = "p{n}"\nmail = "p{n}@example.org"\n' for n in range(5))
    rig = rig_with(f'{MAIL}to = ["keeper@example.org"]\n{people}')
    assert len({route.name for route in routes_of(rig)}) == 6
    assert {route.server for route in routes_of(rig)} == {"mail"}
    assert {plan.subject for plan in outlet_alarms(rig)} == {
        "mail",
        "mail to the list",
        *(f"mail to p{n}" for n in range(5)),
    }


def test_a_webhook_needs_only_the_file_of_its_address() -> None:
    rig = rig_with('[notices.webhook]\nurl_file = "hook"\n')
    assert rig.webhook == Webhook("hook")
    (plan,) = outlet_alarms(rig)
    assert plan.key == "outlet away:webhook"
    assert "webhook" in plan.consequence


def test_encryption_from_the_first_byte_has_a_port_of_its_own() -> None:
    # 25 is RFC 5321's, 465 the one that IANA has registered for it (RFC 8314, 7.3), from memory.
    for says, port in (("", 25), ("starttls = true\n", 25), ("tls = true\n", 465)):
        rig = rig_with(f'{MAIL}{says}to = ["keeper@example.org"]\n')
        assert rig.mail is not None
        assert rig.mail.port == port


def test_a_trial_brings_its_alarm_and_says_how_long_it_waits() -> None:
    rig = rig_with(f'[notices]\ntrial = "Sun 23:59"\n{MAIL}to = ["keeper@example.org"]\n')
    assert rig.trial == Weekly(6, 23 * 60 + 59)
    (plan,) = (plan for plan in rig.alarms if plan.watch is Watch.TRIAL)
    assert (plan.key, plan.on_delay) == ("trial not answered:computer", 0)
    assert "acknowledged it for 48 h" in plan.cause
    assert not [p for p in rig_with("").alarms if p.watch is Watch.TRIAL]


def test_every_alarm_about_a_way_says_who_is_not_told_and_what_to_do() -> None:
    rig = rig_with(
        f'{MAIL}to = ["keeper@example.org"]\n{MK}mail = "a@b"\nwebhook_file = "hook"\n'
        'apprise_file = "services"\n[notices.webhook]\nurl_file = "hook"\n'
    )
    plans = {plan.subject: plan for plan in outlet_alarms(rig)}
    assert set(plans) == {
        *("mail", "mail to the list", "mail to mk"),
        *("webhook", "webhook to mk", "apprise to mk"),
    }
    for plan in plans.values():
        assert plan.cause.endswith(".")
        assert "told" in plan.consequence
        assert plan.actions
    assert len({plan.title for plan in plans.values()}) == len(plans)


def test_an_alarm_about_one_person_s_way_can_be_changed() -> None:
    rig = rig_with(
        f'{MAIL}{MK}mail = "a@b"\n'
        '[[alarms]]\nwatch = "outlet away"\noutlet = "mail to mk"\npriority = "high"\n'
    )
    assert {plan.subject: plan.priority for plan in outlet_alarms(rig)} == {
        "mail": Priority.MEDIUM,
        "mail to mk": Priority.HIGH,
    }


def test_without_the_extra_a_person_who_needs_it_is_told_of_at_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    text = f'{MK}apprise_file = "services"\n'
    monkeypatch.setattr(noticechecks, "find_spec", lambda _name: None)
    with pytest.raises(RigFileError) as error:
        rig_with(text)
    (mistake,) = error.value.mistakes
    assert str(mistake).endswith(
        "people[0].apprise_file is 'services', expected the library apprise, which is not "
        "installed. Run pip install 'longsoak[apprise]', or remove apprise_file."
    )
    # Who only reads a record needs no library.
    assert parse(f"{PLAIN}\n{text}", file="rig.toml", find_kind=None).people


@pytest.mark.parametrize("name", ["../etc/passwd", "/etc/passwd", "Europe", "Paris", "\u00e9"])
def test_what_is_no_time_zone_is_none(name: str) -> None:
    assert not noticechecks.is_zone(name)
    assert noticechecks.is_zone("Europe/Paris")
