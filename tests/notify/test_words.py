"""What a notice says."""

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from brokers import schema
from longsoak.notify.words import body, one_line, payload, subject
from longsoak.vocabulary.alarm import AlarmState, Priority, StoredChange
from longsoak.vocabulary.alarmplan import AlarmPlan, Watch
from pages.pagerig import Bays, make_rig
from rigs import ACKNOWLEDGED, GONE, NEW, NORMAL, START_MS, small_rig

OVERFILL, SILENT = "overfill: water level", "silent: C 30/60"
RIG = small_rig(name="render pair")
SCHEMA = schema("alarm")


def change(
    key: str = OVERFILL,
    old: AlarmState = NORMAL,
    new: AlarmState = NEW,
    *,
    value: float | None = 112.0,
    says: str = "112 mm, setpoint 100 mm",
    by: str | None = None,
    unsure: bool = False,
) -> StoredChange:
    return StoredChange(key, START_MS, 0, old, new, value, says, by, 1, unsure)


def test_a_mail_about_an_alarm_says_what_since_when_why_and_what_to_do() -> None:
    assert body(RIG, [change()]) == (
        "water above the stop line\n"
        "  Priority: high\n"
        "  Standing since 4 May 2026, 09:00:00 UTC\n"
        "  You have about 15 min, until 09:15:00 UTC.\n"
        "  Probe: water level\n"
        "  Value: 112 mm\n"
        "  Seen: 112 mm, setpoint 100 mm\n"
        "  Cause: The top-up went on too long.\n"
        "  If nothing is done: The tray runs over.\n"
        "  What to do:\n"
        "    1. Stop the top-up.\n"
        "    2. Look for water on the floor before you step in.\n"
        "\n"
        "To look, and to acknowledge: http://shop-pi.example:8460/\n"
        "\n"
        "All data of this rig are invented.\n"
    )


def test_a_mail_about_an_end_asks_for_nothing() -> None:
    text = body(small_rig(page=None, invented=False), [change(old=NEW, new=GONE, value=90.0)])
    assert text == (
        "water above the stop line\n"
        "  Over since 4 May 2026, 09:00:00 UTC\n"
        "  Probe: water level\n"
        "  Value: 90 mm\n"
        "  Seen: 112 mm, setpoint 100 mm\n"
    )


def test_a_time_from_before_the_clock_was_known_is_told_as_such() -> None:
    said = body(RIG, [change(unsure=True)])
    assert "  Standing since 4 May 2026, 09:00:00 UTC (the clock was not known yet)\n" in said
    over = body(RIG, [change(old=NEW, new=GONE, unsure=True)])
    assert "  Over since 4 May 2026, 09:00:00 UTC (the clock was not known yet)\n" in over
    told = payload(RIG, change(unsure=True))
    assert (told["at"], told["at_known"]) == ("2026-05-04T09:00:00.000Z", False)
    assert payload(RIG, change())["at_known"] is True


def test_an_alarm_the_rig_file_has_no_more_is_named_by_its_key() -> None:
    gone = change("drift: old", ACKNOWLEDGED, NORMAL, value=None, says="")
    assert subject(RIG, [gone]) == "render pair: over: drift: old"
    assert body(small_rig(page=None, invented=False), [gone]).startswith("drift: old\n  Over since")


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ([change()], "High priority, render pair: water above the stop line"),
        ([change(old=NEW, new=GONE)], "render pair: over: water above the stop line"),
        ([change(), change(SILENT)], "High priority, render pair: 2 alarms (water level, C 30/60)"),
        (
            [change(), change(SILENT, NEW, GONE)],
            "High priority, render pair: 1 alarm (water level), 1 over (C 30/60)",
        ),
        (
            [change(old=NEW, new=GONE), change(SILENT, NEW, GONE)],
            "render pair: 2 over (water level, C 30/60)",
        ),
        # One alarm that came, went and came again is one alarm.
        (
            [change(), change(old=NEW, new=GONE), change()],
            "High priority, render pair: water above the stop line",
        ),
    ],
)
def test_a_subject_names_one_alarm_and_counts_several_of_what(
    changes: list[StoredChange], expected: str
) -> None:
    assert subject(RIG, changes) == expected


def test_alarms_of_one_title_are_told_apart() -> None:
    (silent,) = (plan for plan in RIG.alarms if plan.key == SILENT)
    plans = [
        replace(
            silent,
            key=f"silent: {probe}",
            subject=probe,
            title="Probe silent",
            cause="Look at the plug.",
        )
        for probe in (one.name for one in RIG.probes)
    ]
    rig = replace(RIG, alarms=(*plans, bus_down()))
    text = body(rig, [change(plan.key, value=None) for plan in rig.alarms])

    for plan in plans:
        assert (
            "Probe silent\n  Priority: medium\n  Standing since 4 May 2026, 09:00:00 UTC\n"
            "  You have about 24 h, until 5 May 2026, 09:00:00 UTC.\n"
            f"  Probe: {plan.subject}\n" in text
        )
    assert "You have about 12 h, until 21:00:00 UTC.\n  Bus: meter\n" in text
    assert subject(rig, [change(plan.key) for plan in rig.alarms]) == (
        "render pair: 9 alarms (C 10/60, C 30/60, C 50/60, meter reference and 5 more)"
    )


def bus_down() -> AlarmPlan:
    return AlarmPlan(
        key="bus down: meter",
        title="No contact",
        watch=Watch.BUS,
        subject="meter",
        on_delay=10,
        off_delay=0,
        cause="Its port is gone.",
        consequence="No readings.",
        actions=(),
        within=43_200,
        priority=Priority.MEDIUM,
    )


@pytest.mark.parametrize(
    ("old", "new", "news"),
    [
        (NORMAL, NEW, True),
        (GONE, NEW, True),
        (NEW, GONE, True),
        (ACKNOWLEDGED, NORMAL, True),
        (NEW, ACKNOWLEDGED, False),
        (GONE, NORMAL, False),
    ],
)
def test_coming_and_going_is_news_and_an_acknowledgement_is_not(
    old: AlarmState, new: AlarmState, news: bool
) -> None:
    assert change(old=old, new=new).told is news


@given(st.text())
def test_one_line_is_one_printable_line(text: str) -> None:
    assert one_line(text).isprintable()
    assert len(one_line(text).splitlines()) <= 1


def test_the_schema_is_itself_valid() -> None:
    Draft202012Validator.check_schema(SCHEMA)


@given(
    key=st.sampled_from([OVERFILL, SILENT]) | st.text(),
    old=st.sampled_from(AlarmState),
    new=st.sampled_from(AlarmState),
    value=st.none() | st.floats(),
    says=st.text(),
    by=st.none() | st.text(),
)
def test_any_change_fits_the_published_schema(
    key: str, old: AlarmState, new: AlarmState, value: float | None, says: str, by: str | None
) -> None:
    told = payload(RIG, change(key, old, new, value=value, says=says, by=by))
    sent = json.loads(json.dumps(told, allow_nan=False))
    Draft202012Validator(SCHEMA).validate(sent)
    assert sent["alarm"] == key
    assert sent["standing"] is (new in (NEW, ACKNOWLEDGED))


def test_a_value_goes_out_in_the_unit_of_its_probe_as_a_ucum_code() -> None:
    told = payload(RIG, change())
    assert (told["value"], told["unit"]) == (112.0, "mm")
    told = payload(RIG, change(SILENT, value=None))
    assert (told["value"], told["unit"]) == (None, None)


def test_the_schema_turns_away_what_is_not_a_change() -> None:
    told = payload(RIG, change())
    validator = Draft202012Validator(SCHEMA)
    for broken in ({"state": "loud"}, {"at": "yesterday"}, {"value": "112"}, {"more": 1}):
        assert not validator.is_valid({**told, **broken})
    assert not validator.is_valid({key: told[key] for key in told if key != "says"})


@pytest.mark.parametrize(
    ("key", "value", "words", "unit"),
    [
        ("pump stopped:pump", 0.02, "Value: 0.02 A", "A"),
        ("pump stopped:drip rail flow", 0.1, "Value: 0.10 L/min", "L/min"),
        ("float and level disagree:high float", 1.0, "Value: up", "1"),
    ],
)
def test_a_stopped_pump_and_a_float_that_disagrees_are_told_with_their_own_values(
    key: str, value: float, words: str, unit: str
) -> None:
    rig = make_rig(Bays(pump=True))
    told = payload(rig, change(key, value=value, says="as seen"))
    assert (told["value"], told["unit"]) == (value, unit)
    Draft202012Validator(SCHEMA).validate(told)
    text = body(rig, [change(key, value=value, says="as seen")])
    assert f"  {words}\n" in text
    assert "licensed person under local code" in text
