"""`longsoak shelve`: tell nobody of an alarm for a while."""

import json
import sys
from pathlib import Path

import click

from longsoak.cli.alarmkey import check_key
from longsoak.cli.asking import tell_outcome, user
from longsoak.cli.common import DONE, a_path, own_record, table, told
from longsoak.core.moments import span_of
from longsoak.core.wording import rfc3339, time_words
from longsoak.service.clock import SystemClock
from longsoak.store.alarmrequests import PUT_BACK, Shelving, ask_to_hide
from longsoak.store.reader import Record
from longsoak.store.requests import ask
from longsoak.vocabulary.errors import RequestError


@click.command(epilog='Example: longsoak shelve "silent:cork 30/60" --for 2h --why "New dowel"')
@click.argument("alarm", required=False)
@click.option("--for", "span", help="For how long: a number and min, h or days, as in 2h.")
@click.option("--out-of-service", is_flag=True, help="Until somebody puts it back.")
@click.option("--end", is_flag=True, help="End it now: put the alarm back.")
@click.option("--why", help="The reason, for whoever comes next.")
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
@click.option("--json", "as_json", is_flag=True, help="Print the list as JSON.")
@click.option(
    "--rig",
    "rig_file",
    default="rig.toml",
    show_default=True,
    type=a_path,
    help="The rig file the record lies beside.",
)
def shelve(
    alarm: str | None,
    span: str | None,
    out_of_service: bool,
    end: bool,
    why: str | None,
    by: str | None,
    as_json: bool,
    rig_file: Path,
) -> None:
    """Shelve ALARM for a while, take it out of service, or put it back; or list what is hidden.

    A hidden alarm is watched and recorded as ever; only nobody is told. What is shelved comes back
    by itself, after 7 days at most, an alarm of high priority after 12 h, and is told anew if it
    stands then. What is out of service stays so until somebody puts it back.
    """
    if alarm is None:
        if span or out_of_service or end or why or by:
            raise click.UsageError("Name the alarm; `longsoak ack` lists those that stand.")
    elif [span is not None, out_of_service, end].count(True) != 1:
        raise click.UsageError("Say one of --for, --out-of-service and --end.")
    elif as_json:
        raise click.UsageError("--json is for the list, which names no alarm.")
    with told():
        record, version = own_record(rig_file)
        if alarm is None:
            _list(record, as_json=as_json)
            sys.exit(DONE)
        check_key(alarm, version)
        who, utc_ms = user() if by is None else by, SystemClock().utc_ms()
        if end:
            request = ask(record.folder, kind=PUT_BACK, subject=alarm, by=who, utc_ms=utc_ms)
        elif why is None:
            raise RequestError("Say why with --why: whoever comes next has to know. Nothing asked.")
        else:
            wanted = Shelving(None if span is None else span_of(span), why.strip())
            request = ask_to_hide(record.folder, alarm, wanted, by=who, utc_ms=utc_ms)
        tell_outcome(record, request.uuid, alarm)


def _list(record: Record, *, as_json: bool) -> None:
    hidden = [change for change in record.alarms().values() if change.hiding is not None]
    if as_json:
        picture = [
            {
                "alarm": change.key,
                "hiding": str(change.hiding),
                "until": None if change.until_utc_ms is None else rfc3339(change.until_utc_ms),
                "state": change.new.value,
                "says": change.says,
            }
            for change in hidden
        ]
        click.echo(json.dumps(picture, ensure_ascii=False, indent=1))
    elif hidden:
        rows = [
            (
                change.key,
                str(change.hiding),
                "" if change.until_utc_ms is None else time_words(change.until_utc_ms),
                change.new.value,
                change.says,
            )
            for change in hidden
        ]
        click.echo(table(("alarm", "hidden", "until", "underneath", "said"), rows))
    else:
        click.echo("No alarm is shelved, suppressed or out of service.")
