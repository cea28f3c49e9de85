"""`longsoak ack`: answer an alarm."""

import sys
from pathlib import Path

import click

from longsoak.cli.asking import outcome_of, unanswered, user
from longsoak.cli.common import DONE, FOUND_WRONG, a_path, own_record, told
from longsoak.service.clock import SystemClock
from longsoak.store.noticerecord import NoticeRecord
from longsoak.store.requests import ACKNOWLEDGE, ask
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.notices import TRIAL


@click.command(epilog='Example: longsoak ack "overfill:water level" --by mk')
@click.argument("alarm", required=False)
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
@click.option(
    "--rig",
    "rig_file",
    default="rig.toml",
    show_default=True,
    type=a_path,
    help="The rig file the record lies beside.",
)
def ack(alarm: str | None, by: str | None, rig_file: Path) -> None:
    """Acknowledge ALARM, or list what there is to acknowledge. The weekly trial is called "trial".

    The measuring process takes the request as soon as it has taken those before it; if it is not
    running, the request waits for it.
    """
    with told():
        record, _ = own_record(rig_file)
        if alarm is None:
            open_ones = [
                change
                for change in record.alarms().values()
                if change.new in (AlarmState.NEW, AlarmState.GONE)
            ]
            trial = NoticeRecord(record.folder).trial()
            waits = trial is not None and trial.waiting_ms is not None
            if waits:
                click.echo(f"{TRIAL}  the weekly trial of the notices")
            for change in open_ones:
                click.echo(f"{change.key}  {change.new.value}: {change.says}")
            if not (open_ones or waits):
                click.echo("There is nothing to acknowledge.")
            sys.exit(FOUND_WRONG if open_ones or waits else DONE)
        request = ask(
            record.folder,
            kind=ACKNOWLEDGE,
            subject=alarm,
            by=user() if by is None else by,
            utc_ms=SystemClock().utc_ms(),
        )
        outcome = outcome_of(record, request.uuid)
    if outcome is None:
        click.echo(unanswered(record, request.uuid))
        sys.exit(FOUND_WRONG)
    click.echo(f"{alarm}: {outcome}")
    sys.exit(FOUND_WRONG if outcome.startswith("refused") else DONE)
