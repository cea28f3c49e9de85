"""`longsoak reload`: have the measuring process take up a rig file that has changed."""

import sys
from pathlib import Path

import click

from longsoak.cli.asking import outcome_of, unanswered, user
from longsoak.cli.common import BAD_INPUT, DONE, FOUND_WRONG, own_record, rig_file, told
from longsoak.service.clock import SystemClock
from longsoak.store.files import recording
from longsoak.store.reloadrequests import WRONG, ask_to_take_up
from longsoak.vocabulary.errors import StoreError

# s: outlets make their last attempt and buses hear out a probe before another version begins.
_PATIENCE = 90.0


@click.command(epilog="Example: longsoak reload rig.toml")
@rig_file
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
def reload(rig_file: Path, by: str | None) -> None:
    """Have `longsoak run` take up RIG_FILE as it is now, and say what has changed.

    It is checked first, while measuring goes on. With a mistake in it every mistake is told, with
    its line and how to mend it, nothing is taken up (exit code 2), and measuring goes on as it was.
    """
    from longsoak.rigfile.load import read

    with told(so="nothing was taken up"):
        record, _ = own_record(rig_file)
        text = read(rig_file).text
        if not recording(record.folder):
            raise StoreError(
                f"nobody records into {record.folder}: `longsoak run` takes the file as it is "
                "when it is started. Nothing was asked."
            )
        request = ask_to_take_up(
            record.folder,
            text,
            by=user() if by is None else by,
            utc_ms=SystemClock().utc_ms(),
        )
        outcome, clock = None, SystemClock()
        until = clock.monotonic() + _PATIENCE
        while outcome is None and clock.monotonic() < until and recording(record.folder):
            outcome = outcome_of(record, request.uuid)
    if outcome is None:
        click.echo(unanswered(record, request.uuid))
        sys.exit(FOUND_WRONG)
    if outcome.startswith(WRONG):
        click.echo(outcome.removeprefix(WRONG), err=True)
        click.echo("Nothing was taken up: measuring goes on as before.", err=True)
        sys.exit(BAD_INPUT)
    click.echo(f"{outcome[:1].upper()}{outcome[1:].rstrip('.')}.")
    sys.exit(FOUND_WRONG if outcome.startswith("refused") else DONE)
