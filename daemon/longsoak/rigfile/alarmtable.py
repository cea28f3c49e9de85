"""The table of the rig file that changes or adds an alarm."""

from typing import Annotated

from pydantic import Field

from longsoak.rigfile.words import (
    Delay,
    Finite,
    Name,
    NotNegative,
    Table,
    Text,
    Words,
    measured,
    named,
    one_of,
    reference,
)
from longsoak.vocabulary.alarm import Priority
from longsoak.vocabulary.alarmplan import Watch

OUTLETS = ("mail", "mqtt", "readings", "database", "heartbeat")


class AlarmTable(Table):
    """``[[alarms]]``."""

    watch: Annotated[Annotated[Watch, Field(strict=False)] | None, one_of(Watch)] = None
    probe: Annotated[Name | None, reference("a probe", "C 30/60")] = None
    bus: Annotated[Name | None, reference("a bus", "meter")] = None
    outlet: Annotated[
        Name | None, Words("the name of an outlet, such as mail or mqtt", '"mqtt"', choices=OUTLETS)
    ] = None
    against: Annotated[Name | None, reference("another probe of the same kind", "T plain")] = None
    setpoint: Annotated[
        Finite | None, Words("a bare number in the unit of what is watched", "100")
    ] = None
    deadband: Annotated[
        NotNegative | None,
        Words("a bare number in the unit of what is watched, 0 or more", "3"),
    ] = None
    priority: Annotated[
        Annotated[Priority, Field(strict=False)] | None, one_of(Priority, needed=False)
    ] = None
    within: Annotated[
        Annotated[Finite, Field(gt=0, le=2_592_000)] | None,
        measured(
            "how long one has, in seconds as a bare number, up to 2592000 (30 days)",
            14400,
            unit="s",
            needed=False,
        ),
    ] = None
    repeat: Annotated[
        Annotated[Finite, Field(ge=0, le=604_800)] | None,
        measured("seconds as a bare number, 0 (never) to 604800", 3600, unit="s", needed=False),
    ] = None
    latching: Annotated[bool | None, Words("true or false, without quotes", "true")] = None
    on_delay: Annotated[
        Delay | None, measured("seconds as a bare number, 0 to 86400", 30, unit="s", needed=False)
    ] = None
    off_delay: Annotated[
        Delay | None, measured("seconds as a bare number, 0 to 86400", 30, unit="s", needed=False)
    ] = None
    title: Annotated[Name | None, named("a few words", "Overfill, catch tray", needed=False)] = None
    cause: Annotated[
        Text | None, Words("a line of text of 1 to 600 characters", '"What it is."')
    ] = None
    consequence: Annotated[
        Text | None,
        Words("a line of text of 1 to 600 characters", '"What happens if nothing is done."'),
    ] = None
    actions: Annotated[
        Annotated[list[Text], Field(min_length=1)] | None,
        Words("a list of one or more lines of text", '["Look at the pump."]'),
    ] = None
