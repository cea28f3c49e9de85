"""`longsoak ack`: answer an alarm."""

import getpass
import sys
from pathlib import Path

import click

from longsoak.cli.common import DONE, FOUND_WRONG, a_path, own_record, told
from longsoak.service.clock import SystemClock
from longsoak.store.reader import Record
from longsoak.store.requests import ACKNOWLEDGE, ask, waiting_before
from longsoak.vocabulary.alarm import AlarmState

_PATIENCE = 3.0  # s without an answer, or one request less before ours


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
    """Acknowledge ALARM, or list what there is to acknowledge.

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
            for change in open_ones:
                click.echo(f"{change.key}  {change.new.value}: {change.says}")
            if not open_ones:
                click.echo("There is nothing to acknowledge.")
            sys.exit(FOUND_WRONG if open_ones else DONE)
        request = ask(
            record.folder,
            kind=ACKNOWLEDGE,
            subject=alarm,
            by=_user() if by is None else by,
            utc_ms=SystemClock().utc_ms(),
        )
        outcome = _wait(record, request.uuid)
    if outcome is None:
        before = waiting_before(record.folder, request.uuid)
        behind = f"; asked before it and waiting: {before}" if before else ""
        click.echo(
            f"Asked, and not answered yet{behind}. If `longsoak run` is running it takes "
            "requests in turn, else it will when it is started."
        )
        sys.exit(FOUND_WRONG)
    click.echo(f"{alarm}: {outcome}")
    sys.exit(FOUND_WRONG if outcome.startswith("refused") else DONE)


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user by number only, as in a container
        return ""  # refused like initials that were left empty


def _wait(record: Record, uuid: str) -> str | None:
    """The request's outcome, if it comes while requests asked before it are being taken."""
    import threading

    clock = SystemClock()
    fewest: int | None = None
    until = clock.monotonic() + _PATIENCE
    pause = threading.Event()
    while clock.monotonic() < until:
        outcome = record.outcome(uuid)
        if outcome is not None:
            return outcome
        before = waiting_before(record.folder, uuid)
        if before is not None and (fewest is None or before < fewest):
            fewest, until = before, clock.monotonic() + _PATIENCE
        pause.wait(0.1)
    return record.outcome(uuid)
