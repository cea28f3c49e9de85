"""A hand meter's check on a test block, and what rounds have of them: part of `longsoak hand`."""

from collections.abc import Sequence
from typing import NoReturn

from longsoak.cli.writing import write_entry
from longsoak.core.handplaces import HandReading, rounds_of
from longsoak.core.handreadings import Setting, shown_on
from longsoak.core.metercheck import (
    AFTER,
    BEFORE,
    MeterCheck,
    check_content,
    check_said,
    meters_words,
)
from longsoak.store.reader import Record
from longsoak.vocabulary.logbook import METER_CHECK, LogbookEntry
from longsoak.vocabulary.rig import Rig


def write_check(
    record: Record,
    rig: Rig,
    known: Sequence[HandReading],
    setting: Setting,
    *,
    nominal: str,
    value: str,
    unit: str,
    when: str | None,
    by: str,
    at_ms: int,
    now_ms: int,
    corrects: int | None,
    as_json: bool,
) -> NoReturn:
    """Have a check kept, say what became of it, and end with an exit code.

    Without `when` it is one before the round as long as that has no reading, and after it else.

    Raises
    ------
    RequestError, StoreError
        It can't stand in the logbook, or nothing can be asked.
    """
    begun = any(
        each.counts and (each.setting.round, each.setting.meter) == (setting.round, setting.meter)
        for each in known
    )
    content = check_content(
        round_name=setting.round,
        meter=setting.meter,
        when=when or (AFTER if begun else BEFORE),
        nominal=shown_on(nominal, unit=unit),
        shown=shown_on(value, unit=unit),
    )
    entry = LogbookEntry(
        asked_utc_ms=now_ms,
        at_utc_ms=at_ms,
        by=by,
        says=check_said(content),
        kind=METER_CHECK,
        corrects=corrects,
        content=content,
    )
    write_entry(record, rig, entry, (), as_json=as_json)


def checks_words(found: Sequence[HandReading], checks: Sequence[MeterCheck]) -> list[str]:
    """A line for each round and meter: whether it was checked, and how far off it was."""
    return [
        f"Round {name}, {words}"
        for name, readings in rounds_of(found).items()
        for words in meters_words(readings, checks)
    ]
