"""`longsoak ack`: answer an alarm."""

import sys
from pathlib import Path

import click

from longsoak.cli.alarmkey import check_key
from longsoak.cli.asking import tell_outcome, user
from longsoak.cli.common import DONE, FOUND_WRONG, a_path, own_record, told
from longsoak.core.alarmload import alarm_load, load_words
from longsoak.core.wording import time_words
from longsoak.service.clock import SystemClock
from longsoak.store.alarmrequests import RESET
from longsoak.store.noticerecord import NoticeRecord
from longsoak.store.reader import Record
from longsoak.store.requests import ACKNOWLEDGE, ask
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.notices import TRIAL

_TO_ANSWER = (AlarmState.NEW, AlarmState.GONE)
_DAYS = 30  # that floods and chatter are looked for in


@click.command(epilog='Example: longsoak ack "overfill:water level" --by mk')
@click.argument("alarm", required=False)
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
@click.option(
    "--reset", is_flag=True, help="Let go of an alarm that is held until it was looked into."
)
@click.option(
    "--rig",
    "rig_file",
    default="rig.toml",
    show_default=True,
    type=a_path,
    help="The rig file the record lies beside.",
)
def ack(alarm: str | None, by: str | None, reset: bool, rig_file: Path) -> None:
    """Acknowledge ALARM, or list what there is to acknowledge and to reset.

    Below the list it says whether alarms came in a flood or chattered in the last 30 days.

    The weekly trial of the notices is called "trial".

    The measuring process takes the request as soon as it has taken those before it; if it is not
    running, the request waits for it.
    """
    with told():
        record, version = own_record(rig_file)
        if alarm is None:
            waiting = [
                change
                for change in record.alarms().values()
                if change.new is AlarmState.HELD
                or (change.new in _TO_ANSWER and change.hiding is None and not reset)
            ]
            trial = None if reset else NoticeRecord(record.folder).trial()
            trial_waits = trial is not None and trial.waiting_ms is not None
            if trial_waits:
                click.echo(f"{TRIAL}  the weekly trial of the notices")
            for change in waiting:
                click.echo(f"{change.key}  {change.new.value}: {change.says}")
            if not (waiting or trial_waits):
                click.echo(f"There is nothing to {'reset' if reset else 'acknowledge'}.")
            for words in _load(record):
                click.echo(words)
            sys.exit(FOUND_WRONG if waiting or trial_waits else DONE)
        check_key(alarm, version, others=() if reset else (TRIAL,))
        request = ask(
            record.folder,
            kind=RESET if reset else ACKNOWLEDGE,
            subject=alarm,
            by=user() if by is None else by,
            utc_ms=SystemClock().utc_ms(),
        )
        tell_outcome(record, request.uuid, alarm)


def _load(record: Record) -> tuple[str, ...]:
    """What there was of floods and chatter; nothing of calm days."""
    now_ms = SystemClock().utc_ms()
    changes = record.alarm_changes_since(now_ms - _DAYS * 86_400_000)
    load = alarm_load(changes, now_ms=now_ms)
    return () if load.calm else load_words(load, days=_DAYS, titles={}, when=time_words)
