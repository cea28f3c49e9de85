"""`longsoak service`: a time in which somebody works at the rig, opened, ended or listed."""

import json
import sys
from pathlib import Path

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, own_record, rig_file, table, told
from longsoak.cli.options import number_of
from longsoak.cli.writing import recorded, write_entry
from longsoak.core.logbook import text_of
from longsoak.core.water.entries import (
    LONGEST_WINDOW_MS,
    begins_ms,
    ended_window,
    ends_ms,
    opened_window,
    window_at,
    windows,
)
from longsoak.core.wording import rfc3339, time_words
from longsoak.service.clock import SystemClock
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import SERVICE, LogbookEntry
from longsoak.vocabulary.proof import Json

_MINUTE_MS = 60_000


@click.command(epilog='Example: longsoak service rig.toml "Tray cleaned" --by mk --minutes 30')
@rig_file
@click.argument("text", required=False)
@click.option("--by", help="Your initials, for the logbook. [default: the user's name]")
@click.option(
    "--minutes",
    type=number_of("a number of minutes", 1, LONGEST_WINDOW_MS / _MINUTE_MS),
    help="After which it ends by itself. [default: 60]",
)
@click.option("--end", is_flag=True, help="End the one that is open; TEXT may say what was done.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def service(
    rig_file: Path,
    text: str | None,
    by: str | None,
    minutes: float | None,
    end: bool,
    as_json: bool,
) -> None:
    """Open a service window of RIG_FILE with TEXT as what is done, or list all of them.

    While it is open, readings are kept as ever and shown as "not evaluated", and alarms that the
    rig file marks for it tell nobody. It ends by itself, after four hours at most.
    """
    if text is None and not end and (by is not None or minutes is not None):
        raise click.UsageError(
            'Write what is done behind the rig file: longsoak service rig.toml "..."'
        )
    if end and minutes is not None:
        raise click.UsageError("--end ends it now. Leave --minutes out.")
    with told():
        if text is None and not end:
            record, _ = own_record(rig_file)
            _list(record, as_json=as_json)
            sys.exit(DONE)
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        who = user() if by is None else by
        says = "" if text is None else text_of(text)
        if end:
            there = window_at(_windows(record), now_ms)
            if there is None:
                raise RequestError("No service window is open. Nothing was kept.")
            entry = ended_window(there, by=who, says=says or "The work is done.", utc_ms=now_ms)
        else:
            lasts_ms = round((minutes or 60) * _MINUTE_MS)
            entry = opened_window(by=who, says=says, at_ms=now_ms, lasts_ms=lasts_ms)
        write_entry(record, rig, entry, (), as_json=as_json)


def _windows(record: Record) -> list[LogbookEntry]:
    return windows(Logbook(record.folder).entries(kind=SERVICE))


def _list(record: Record, *, as_json: bool) -> None:
    found = _windows(record)
    now_ms = SystemClock().utc_ms()
    there = window_at(found, now_ms)
    if as_json:
        document: list[dict[str, Json]] = [
            {
                "number": each.number,
                "from": rfc3339(begins_ms(each)),
                "until": rfc3339(ends_ms(each)),
                "open": each is there,
                "by": each.by,
                "says": each.says,
            }
            for each in found
        ]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
    elif found:
        rows = [
            (
                str(each.number),
                time_words(begins_ms(each)),
                f"{time_words(ends_ms(each))}{', open' if each is there else ''}",
                each.by,
                " ".join(each.says.split("\n")),
            )
            for each in found
        ]
        click.echo(table(("number", "from", "until", "by", "what is done"), rows))
    else:
        click.echo("No service window was opened.")
