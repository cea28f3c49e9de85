"""The full list of alarms a rig file leads to."""

import re

import pytest

from longsoak.rigfile.load import parse
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch
from longsoak.vocabulary.errors import RigFileError
from longsoak.vocabulary.rig import Kind, Rig
from rigfile.fake_kinds import HERE, find_kind

GOOD = (HERE / "good.toml").read_text(encoding="utf-8")
# The good file without its [[alarms]]: what every rig has.
PLAIN = GOOD[: GOOD.index("[[alarms]]")] + GOOD[GOOD.index("[curves.") :]


def alarms_of(rig: Rig) -> dict[str, AlarmPlan]:
    return {alarm.key: alarm for alarm in rig.alarms}


def alarms(text: str) -> dict[str, AlarmPlan]:
    return alarms_of(parse(text, file="rig.toml", find_kind=find_kind))


def with_alarm(text: str) -> dict[str, AlarmPlan]:
    return alarms(f"{PLAIN}\n[[alarms]]\n{text}\n")


def mistakes_with_alarm(text: str) -> str:
    with pytest.raises(RigFileError) as caught:
        with_alarm(text)
    return str(caught.value)


def numbers(alarm: AlarmPlan) -> tuple[float | None, float, float, float, str]:
    return (alarm.setpoint, alarm.deadband, alarm.on_delay, alarm.off_delay, alarm.unit)


# Setpoint, deadband, on and off delay, unit: common practice, as the rig file's format states it.
@pytest.mark.parametrize(
    ("key", "expected"),
    [
        ("overfill:water level", (100, 3, 5, 30, "mm")),
        ("overfill:high float", (None, 0, 0.8, 30, "")),
        ("near contact:water level", (105, 2.5, 3, 30, "mm")),
        ("contact:water level", (110, 2.5, 2, 30, "mm")),
        ("low:water level", (40, 3, 600, 600, "mm")),
        ("leak:water level", (None, 0, 0, 0, "")),
        ("level in doubt:water level", (None, 0, 0, 0, "")),
        ("salts:water level", (None, 0, 0, 0, "")),
        ("dry:water level", (25, 3, 30, 60, "mm")),
        ("level unknown:water level", (None, 0, 30, 10, "")),
        ("float and level disagree:high float", (5, 2.5, 600, 60, "mm")),
        ("pump stopped:drip rail", (0.4, 0, 60, 30, "L/min")),
        ("pump stopped:pump", (0.3, 0, 60, 30, "A")),
        ("drift:meter reference", (2, 0.5, 1350, 0, "%")),
        ("stuck:T air", (None, 0, 0, 0, "")),
        ("drifting:T air", (None, 0, 0, 0, "")),
        ("open circuit:C 30/60", (None, 0, 900, 0, "")),
        ("short circuit:C 30/60", (None, 0, 0, 0, "")),
        ("insulation:C 30/60", (None, 0, 0, 0, "")),
        ("doubtful readings:C 30/60", (None, 0, 0, 0, "")),
        ("silent:C 30/60", (None, 0, 900, 0, "")),
        ("silent:T air", (None, 0, 90, 0, "")),
        ("silent:high float", (None, 0, 30, 0, "")),
        ("silent:pump", (None, 0, 30, 0, "")),
        ("bus down:meter", (None, 0, 10, 0, "")),
        ("outlet away:mail", (None, 0, 60, 0, "")),
        ("forwarding behind:database", (None, 0, 600, 0, "")),
        ("clock not known:computer", (None, 0, 3600, 0, "")),
        ("restarted:computer", (None, 0, 0, 0, "")),
        ("undervoltage:computer", (None, 0, 10, 600, "")),
        ("record refused:record", (None, 0, 10, 0, "")),
        ("readings given up:record", (None, 0, 0, 0, "")),
        ("record damaged:record", (None, 0, 0, 0, "")),
        ("disk low:record", (None, 0, 60, 0, "")),
        ("log grows:record", (None, 0, 600, 0, "")),
    ],
)
def test_every_rig_has_these_alarms(
    key: str, expected: tuple[float | None, float, float, float, str]
) -> None:
    assert numbers(alarms(PLAIN)[key]) == expected


def test_every_probe_bus_and_outlet_is_watched_once() -> None:
    rig = parse(PLAIN, file="rig.toml", find_kind=find_kind)
    keys = [alarm.key for alarm in rig.alarms]

    assert len(keys) == len(set(keys))
    # The level has "level unknown" instead: one cause, one alarm.
    assert {key for key in keys if key.startswith("silent:")} == {
        f"silent:{probe.name}" for probe in rig.probes if probe.name != "water level"
    }
    judged = (Kind.PINS, Kind.REFERENCE, Kind.HUMIDITY, Kind.TEMPERATURE)
    assert {key for key in keys if key.startswith("doubtful readings:")} == {
        f"doubtful readings:{probe.name}" for probe in rig.probes if probe.kind in judged
    }
    assert {f"bus down:{bus.name}" for bus in rig.buses} <= set(keys)
    assert {f"outlet away:{name}" for name in ("mail", "mqtt", "database")} <= set(keys)
    assert all(alarm.key == f"{alarm.watch}:{alarm.subject}" for alarm in rig.alarms)


def test_every_alarm_says_what_it_is_what_follows_and_what_to_do() -> None:
    for alarm in [*alarms(PLAIN).values(), *alarms(GOOD).values()]:
        assert alarm.title
        assert alarm.cause.endswith(".")
        assert alarm.consequence.endswith(".")
        assert alarm.actions
        assert all(action.endswith(".") for action in alarm.actions)
        assert alarm.within > 0


# Common practice: who is sent to a pump over a wet floor is told of the mains, and of local code.
@pytest.mark.parametrize(
    "key",
    [
        "overfill:water level",
        "overfill:high float",
        "dry:water level",
        "level unknown:water level",
        "level in doubt:water level",
        "float and level disagree:high float",
        "pump stopped:drip rail",
        "pump stopped:pump",
    ],
)
def test_whoever_is_sent_to_the_pump_is_warned_of_the_mains(key: str) -> None:
    said = " ".join(alarms(PLAIN)[key].actions)

    assert "only with dry hands" in said
    assert "licensed person under local code" in said


def test_a_silent_probe_says_what_is_lost_with_it() -> None:
    plans = alarms(PLAIN)

    assert "2 pairs of pins" in plans["silent:T cork-lime"].consequence
    assert "pins" not in plans["silent:T air"].consequence
    assert "guard against an overfill" in plans["silent:high float"].consequence
    assert "pump that stops" in plans["silent:drip rail"].consequence
    assert "pump yourself" in plans["silent:pump"].actions[0]
    assert "pump running dry" in plans["bus down:tray"].consequence
    assert "pump that stops may go unnoticed" in plans["bus down:tray"].consequence
    assert "pump that stops" not in plans["bus down:air"].consequence
    assert "until it is back" in plans["bus down:tray"].actions[0]
    assert "water" not in " ".join(plans["bus down:meter"].actions)


def test_an_alarm_of_the_file_changes_what_it_names_and_keeps_the_rest() -> None:
    changed = alarms(GOOD)

    assert numbers(changed["overfill:water level"]) == (102, 4, 6, 30, "mm")
    assert changed["overfill:water level"].title == "Tray too full, water level"
    assert "above 102 mm" in changed["overfill:water level"].cause
    assert changed["overfill:high float"] == alarms(PLAIN)["overfill:high float"]
    assert numbers(changed["drift:meter reference"]) == (3, 0.5, 1350, 0, "%")
    assert numbers(changed["float and level disagree:high float"]) == (8, 3, 600, 60, "mm")
    assert "113 mm or more" in changed["float and level disagree:high float"].cause
    assert "97 mm or less" in changed["float and level disagree:high float"].cause
    assert changed["pump stopped:drip rail"].cause.endswith("the pump runs, for 15 min.")
    assert changed["pump stopped:pump"] == alarms(PLAIN)["pump stopped:pump"]
    assert changed["bus down:tray"].on_delay == 20
    assert changed["bus down:meter"].on_delay == 10
    assert changed["outlet away:database"].on_delay == 600
    assert changed["outlet away:mqtt"].on_delay == 60
    assert changed["outlet away:database"].cause == "The database has accepted nothing for 10 min."


def test_a_title_of_ones_own_names_what_the_alarm_is_of() -> None:
    text = re.sub(r'\[\[alarms\]\]\nwatch = "silent"\noff_delay = 20\n', "", GOOD)
    text += '\n[[alarms]]\nwatch = "silent"\ntitle = "Probe silent, not the High Float"\n'
    titles = {key: plan.title for key, plan in alarms(text).items() if key.startswith("silent:")}

    assert titles["silent:C 30/60"] == "Probe silent, not the High Float, C 30/60"
    assert titles["silent:high float"] == "Probe silent, not the High Float"
    assert len(set(titles.values())) == len(titles)


def test_an_alarm_that_names_no_subject_changes_all_of_its_watch() -> None:
    silent = [alarm for alarm in alarms(GOOD).values() if alarm.watch is Watch.SILENT]

    assert len(silent) == 9
    assert {alarm.off_delay for alarm in silent} == {20}


@pytest.mark.parametrize("broad_first", [True, False])
def test_an_alarm_that_names_its_subject_wins_over_one_that_does_not(broad_first: bool) -> None:
    broad, narrow = "on_delay = 70", 'probe = "T air"\non_delay = 80'
    first, second = (broad, narrow) if broad_first else (narrow, broad)

    changed = with_alarm(f'watch = "silent"\n{first}\n[[alarms]]\nwatch = "silent"\n{second}')

    assert changed["silent:T air"].on_delay == 80
    assert changed["silent:air wet RH"].on_delay == 70


def test_texts_of_the_file_replace_the_usual_ones() -> None:
    alarm = alarms(GOOD)["silent:C 30/60"]

    assert alarm.cause == "The dowel is known to work loose."
    assert alarm.consequence == "The row is set aside after two days."
    assert alarm.actions == ("Seat the dowel again.", "Note it.")
    assert alarm.title == "No reading, C 30/60"


def test_a_setpoint_for_every_overfill_leaves_the_float_without_one() -> None:
    changed = with_alarm('watch = "overfill"\nsetpoint = 90\ndeadband = 2\non_delay = 8')

    assert numbers(changed["overfill:water level"]) == (90, 2, 8, 30, "mm")
    assert numbers(changed["overfill:high float"]) == (None, 0, 8, 30, "")


def test_a_disagreement_keeps_a_deadband_of_its_own_whatever_the_margin_becomes() -> None:
    key = "float and level disagree:high float"
    narrow = f'watch = "{key.partition(":")[0]}"\nsetpoint = 4'

    assert numbers(with_alarm(narrow)[key])[:2] == (4, 2)
    assert numbers(with_alarm(f"{narrow}\ndeadband = 0")[key])[:2] == (4, 0)
    assert with_alarm(narrow)[key].against == "water level"


def test_an_interrupted_test_and_its_cut_outs_are_named_where_a_pump_stops() -> None:
    alarm = alarms(PLAIN)["pump stopped:drip rail"]

    assert alarm.cause == (
        "drip rail has read less than 0.4 L/min, the least at which the pump runs, for 60 s."
    )
    assert "does not count as wetted" in alarm.consequence
    said = " ".join(alarm.actions)
    assert "cut-out" in said
    assert "licensed person" in said


def test_a_drift_between_two_probes_is_added_in_the_unit_of_their_kind() -> None:
    alarm = alarms(GOOD)["drift:T air"]

    assert numbers(alarm) == (4, 1, 90, 0, "Cel")
    assert alarm.against == "T cork-lime"
    assert alarm.cause == "T air and T cork-lime differ by more than 4 °C."
    assert "drift:T air" not in alarms(PLAIN)


def test_a_reference_can_be_judged_by_another_one_in_ohm() -> None:
    second = (
        '\n[[probes]]\nname = "second"\nkind = "reference resistor"\nnominal = 1e6\n'
        'bus = "meter"\naddress = { channel = 121 }\n'
    )
    changed = alarms(
        f'{PLAIN}{second}\n[[alarms]]\nwatch = "drift"\nprobe = "second"\n'
        'against = "meter reference"\nsetpoint = 1e5\n'
    )

    assert numbers(changed["drift:second"]) == (1e5, 0.25e5, 1350, 0, "Ohm")
    assert changed["drift:meter reference"].against is None


def test_a_rig_without_water_or_outlets_has_no_alarms_for_them() -> None:
    text = (HERE / "broken" / "level_without_reservoir.toml").read_text(encoding="utf-8")
    dry = text[: text.index('[[probes]]\nname = "water level"')]

    assert {alarm.watch for alarm in alarms(dry).values()} == {
        Watch.SILENT,
        Watch.STUCK,
        Watch.DRIFTING,
        Watch.OPEN,
        Watch.SHORT,
        Watch.INSULATION,
        Watch.DOUBT,
        Watch.BUS,
        Watch.RECORD,
        Watch.LOST,
        Watch.DAMAGED,
        Watch.DISK,
        Watch.LOG,
        Watch.CLOCK,
        Watch.RESTARTED,
        Watch.UNDERVOLTAGE,
    }


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            'watch = "overfill"\nprobe = "high float"\nsetpoint = 90',
            "setpoint is 90, expected no setpoint for a float: it trips where it is mounted.",
        ),
        ('watch = "dry"\nsetpoint = 0', "setpoint is 0, expected millimetres above"),
        ('watch = "dry"\nsetpoint = 151', "up to 150, the rim (line 40)"),
        ('watch = "drift"\nsetpoint = 0', "setpoint is 0, expected a bare number in the unit"),
        (
            'watch = "drift"\nprobe = "high float"',
            "probe is 'high float', expected a probe that measures; a float is only up or down.",
        ),
        (
            'watch = "drift"\nprobe = "T air"\nagainst = "T air"\nsetpoint = 1',
            "against is 'T air', expected another probe of kind \"temperature\"",
        ),
        (
            'watch = "drift"\nprobe = "T air"\nagainst = "air wet RH"\nsetpoint = 1',
            "against is 'air wet RH', expected another probe of kind \"temperature\"",
        ),
        (
            'watch = "drift"\nprobe = "T air"\nagainst = "T cork-lime"',
            "setpoint is missing, expected the difference that is too much, in °C",
        ),
        (
            'watch = "drift"\nagainst = "T air"\nsetpoint = 1',
            "probe is missing, expected the name of the probe that is judged",
        ),
        (
            'watch = "outlet away"\noutlet = "mqt"',
            "outlet is 'mqt', expected an outlet that this file sets up: mail, mqtt, database, "
            "mail to the list. "
            'Write outlet = "mqtt".',
        ),
        (
            'watch = "silent"\nagainst = "nobody"',
            "against is 'nobody', expected no such key with watch = \"silent\".",
        ),
        ('watch = "silent"\nactions = []', "actions is [], expected a list of one or more"),
        ('watch = "silent"\nactions = ["a", 3]', "actions[1] is 3, expected a list of one or more"),
        (
            'watch = "pump stopped"\nsetpoint = 1',
            'setpoint is 1, expected no such key with watch = "pump stopped".',
        ),
        (
            'watch = "pump stopped"\nprobe = "T air"',
            "probe is 'T air', expected a probe that has the watch \"pump stopped\": "
            '"drip rail", "pump".',
        ),
        (
            'watch = "float and level disagree"\nprobe = "water level"',
            "probe is 'water level', expected a probe that has the watch "
            '"float and level disagree": "high float".',
        ),
        (
            'watch = "float and level disagree"\nsetpoint = 0',
            "setpoint is 0, expected a bare number in the unit of what is watched, more than 0.",
        ),
        (
            'watch = "float and level disagree"\nagainst = "water level"',
            "against is 'water level', expected no such key with watch",
        ),
        ("on_delay = 4", "watch is missing, expected one of overfill, near contact"),
    ],
)
def test_an_alarm_that_makes_no_sense_is_one_mistake(text: str, expected: str) -> None:
    said = mistakes_with_alarm(text)

    assert expected in said
    assert said.count("\n") == 0


def test_a_silent_level_is_pointed_to_the_alarm_it_has() -> None:
    text = PLAIN + '\n[[alarms]]\nwatch = "silent"\nprobe = "water level"\non_delay = 5\n'
    with pytest.raises(RigFileError) as raised:
        parse(text, file="rig.toml", find_kind=find_kind)
    (mistake,) = raised.value.mistakes
    assert str(mistake).endswith(
        """is 'silent', expected "level unknown": that is what a silent "water level" alarms as. """
        """Write watch = "level unknown"."""
    )


ROOM = '[room]\ntemperature = "T air"\nhumidity = "air wet RH"\n\n'


def with_room(more: str = "") -> dict[str, AlarmPlan]:
    return alarms(PLAIN.replace("[reservoir]", f"{ROOM}[reservoir]", 1) + more)


# 32 and 5 degC and 85 % RH: common practice.
def test_the_air_of_the_room_is_watched_where_the_file_says_which_probes_measure_it() -> None:
    plans = with_room()

    assert numbers(plans["room too hot:T air"]) == (32, 1, 1800, 1800, "Cel")
    assert numbers(plans["room too cold:T air"]) == (5, 1, 1800, 1800, "Cel")
    assert numbers(plans["room too humid:air wet RH"]) == (85, 3, 1800, 1800, "%")
    assert "for 30 min" in plans["room too hot:T air"].cause
    assert "mould grows" in plans["room too humid:air wet RH"].consequence
    assert not [key for key in alarms(PLAIN) if key.startswith("room")]
    assert with_room('\n[[alarms]]\nwatch = "room too hot"\nsetpoint = 28\n')[
        "room too hot:T air"
    ].cause.startswith("The air in the room has been at 28 °C")


OWN = """
[[alarms]]
watch = "above"
probe = "C 30/60"
setpoint = 20
cause = "The core is wetter than the trade allows for long."
consequence = "Fungi may grow."
actions = ["Take a hand reading."]
within = 86400
"""


def test_an_alarm_of_ones_own_says_all_an_alarm_has_to_say() -> None:
    plans = alarms(PLAIN + OWN + OWN.replace("above", "below").replace("20", "9"))
    own = plans["above:C 30/60"]

    assert (own.title, own.setpoint, own.unit) == ("C 30/60 above 20 % WME", 20, "%")
    assert (own.within, own.priority, own.on_delay) == (86_400, "medium", 900)
    assert plans["below:C 30/60"].title == "C 30/60 below 9 % WME"


@pytest.mark.parametrize("key", ["probe", "setpoint", "cause", "consequence", "actions", "within"])
def test_an_alarm_of_ones_own_without_these_is_refused(key: str) -> None:
    without = re.sub(rf"{key} = .*\n", "", OWN)

    with pytest.raises(RigFileError) as caught:
        alarms(PLAIN + without)
    (mistake,) = caught.value.mistakes
    assert f"alarms[0].{key} is missing" in str(mistake)
    assert "an alarm of your own has to say it" in str(mistake)


def test_what_another_alarm_says_already_hangs_on_it() -> None:
    plans = alarms(PLAIN)

    assert plans["near contact:water level"].under == ("contact:water level",)
    assert set(plans["overfill:water level"].under) == {
        "contact:water level",
        "near contact:water level",
    }
    # The float is there for when the level is wrong: nothing of the level keeps it quiet.
    assert plans["overfill:high float"].under == ()
    assert plans["low:water level"].under == ("dry:water level",)
    assert plans["pump stopped:pump"].under == ("dry:water level",)
    assert plans["drifting:C 30/60"].under == ("drift:meter reference",)
    assert plans["forwarding behind:database"].under == ("outlet away:database",)
    for plan in [*plans.values(), *with_room().values()]:
        assert set(plan.under) <= plans.keys()


def test_priorities_say_how_soon_people_are_told_again() -> None:
    plans = alarms(PLAIN)
    by_priority = {plan.priority: plan.repeat for plan in plans.values()}
    assert by_priority == {"high": 900, "medium": 14_400, "low": 0}
    # From memory (EEMUA 191): some 5 % of all alarms are of the highest priority.
    high = [plan for plan in plans.values() if plan.priority == "high"]
    assert len(high) / len(plans) < 0.2
    assert max(plan.within for plan in high) <= 86_400

    changed = with_alarm('watch = "low"\npriority = "high"\nwithin = 7200\nlatching = true')[
        "low:water level"
    ]
    assert (changed.priority, changed.within, changed.repeat) == ("high", 7200, 900)
    assert changed.latching
    never = with_alarm('watch = "low"\npriority = "high"\nrepeat = 0')["low:water level"]
    assert never.repeat == 0


def test_without_a_flow_or_a_current_the_balance_watches_the_pump() -> None:
    assert "pump may stand still:water level" not in alarms(PLAIN)
    flow, end = PLAIN.index('[[probes]]\nname = "drip rail"'), PLAIN.index("[curves.")
    blind = alarms(PLAIN[:flow] + PLAIN[end:])
    assert not any(alarm.watch is Watch.PUMP_STOPPED for alarm in blind.values())
    assert numbers(blind["pump may stand still:water level"]) == (None, 0, 0, 0, "")
    told = mistakes_with_alarm('watch = "pump may stand still"')
    assert "or a probe of kind flow or pump current, which tells it sooner" in told
