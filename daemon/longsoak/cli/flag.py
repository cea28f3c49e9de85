"""`longsoak flag`: flag readings by hand, or list what was flagged so."""

import json
import sys
from dataclasses import replace
from pathlib import Path

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, own_record, rig_file, table, told
from longsoak.cli.writing import recorded, write_entry
from longsoak.core.handflags import BY_HAND, flag_content, flag_picture, flag_said
from longsoak.core.logbook import subject_called, text_of
from longsoak.core.logbookwords import subject_words
from longsoak.core.moments import moment_of
from longsoak.core.wording import time_words
from longsoak.service.clock import SystemClock
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.handflag import HandFlag
from longsoak.vocabulary.logbook import FLAG, THE_RIG, LogbookEntry

_EXAMPLE = (
    'Example: longsoak flag rig.toml "Tray cleaned" --as "not evaluated" --from 14:00 --until 15:00'
)


@click.command(epilog=_EXAMPLE)
@rig_file
@click.argument("text", required=False)
@click.option(
    "--as", "word", type=click.Choice([flag.word for flag in BY_HAND]), help="What they are."
)
@click.option("--about", help="The probe or bay whose readings they are. [default: the rig]")
@click.option("--from", "since", help="The first of them, UTC. [default: now]")
@click.option(
    "--until", help="Where they end, UTC. [default: a pass ends now, all else when it is ended]"
)
@click.option("--ends", type=int, help="The number of the flag that ends now, or at --until.")
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def flag(
    rig_file: Path,
    text: str | None,
    word: str | None,
    about: str | None,
    since: str | None,
    until: str | None,
    ends: int | None,
    by: str | None,
    as_json: bool,
) -> None:
    """Flag readings of RIG_FILE by hand, with TEXT as the reason, or list the flags that count.

    What a check said stays in the record; your flag stands in the logbook and supersedes it
    wherever readings are shown. "not evaluated" is for work at the rig, a heater or a hand that
    touches pins: what is read meanwhile is kept and never judged. "pass" is for readings you
    looked into, and sets aside what was found against the probe in that time.
    """
    said = any(each is not None for each in (word, about, since, until, ends, by))
    if text is None and ends is not None:
        with told():  # one that does not count needs no reason
            _that_counts(own_record(rig_file)[0], ends)
    if text is None and said:
        raise click.UsageError('Write the reason behind the rig file: longsoak flag rig.toml "..."')
    if text is not None and (word is None) == (ends is None):
        raise click.UsageError("Say what they are with --as, or which flag ends with --ends.")
    if ends is not None and (about is not None or since is not None):
        raise click.UsageError("What ends keeps its beginning and what it is about.")
    with told():
        if text is None:
            record, _ = own_record(rig_file)
            _list(record, as_json=as_json)
            sys.exit(DONE)
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        until_ms = None if until is None else moment_of(until, now_ms=now_ms)
        entry = LogbookEntry(
            asked_utc_ms=now_ms,
            at_utc_ms=now_ms if since is None else moment_of(since, now_ms=now_ms),
            by=user() if by is None else by,
            says=text_of(text),
            kind=FLAG,
            subject=THE_RIG if about is None else subject_called(about, rig),
        )
        if ends is not None:
            end_ms = now_ms if until_ms is None else until_ms
            entry = _ended(record, entry, ends, end_ms)
        else:
            content = flag_said(word or "", until_ms=until_ms, now_ms=now_ms)
            entry = replace(entry, content=content)
        write_entry(record, rig, entry, (), as_json=as_json)


def _ended(record: Record, entry: LogbookEntry, number: int, until_ms: int) -> LogbookEntry:
    """The entry that puts an end to a flag which counts."""
    ended = _that_counts(record, number)
    return replace(
        entry,
        at_utc_ms=ended.from_ms,
        subject=ended.subject,
        corrects=number,
        content=flag_content(ended.flag, until_ms=until_ms),
    )


def _that_counts(record: Record, number: int) -> HandFlag:
    """The flag of a number.

    Raises
    ------
    RequestError
        None that counts has it.
    """
    known = {flag.number: flag for flag in Logbook(record.folder).own_flags()}
    if number not in known:
        there = f"those that do: {', '.join(map(str, known))}" if known else "there is none"
        raise RequestError(
            f"No flag that counts has the number {number}; {there}. `longsoak flag` lists them. "
            "Nothing was kept."
        )
    return known[number]


def _list(record: Record, *, as_json: bool) -> None:
    flags = Logbook(record.folder).own_flags()
    if as_json:
        document = [flag_picture(flag) for flag in flags]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
    elif flags:
        heads = ("number", "about", "flag", "from", "until", "by", "reason")
        rows = [
            (
                str(flag.number),
                subject_words(flag.subject),
                flag.flag.word,
                time_words(flag.from_ms),
                "it is ended" if flag.until_ms is None else time_words(flag.until_ms),
                flag.by,
                flag.says.partition("\n")[0],
            )
            for flag in flags
        ]
        click.echo(table(heads, rows))
    else:
        click.echo("No reading was flagged by hand.")
