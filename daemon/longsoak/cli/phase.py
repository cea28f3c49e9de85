"""`longsoak phase`: begin a phase of the test, end it, or list them."""

import json
import sys
from pathlib import Path

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, own_record, rig_file, table, told
from longsoak.cli.writing import moment_said, recorded, write_entry
from longsoak.core.logbook import bay_called, text_of
from longsoak.core.phases import WORDS, begun, ended, phase_document, phases
from longsoak.core.wording import time_words
from longsoak.service.clock import SystemClock
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.logbook import PHASE

_EXAMPLE = (
    'Example: longsoak phase rig.toml "At equilibrium for two weeks" --begin wetting '
    '--name "first wetting" --by mk'
)


@click.command(epilog=_EXAMPLE)
@rig_file
@click.argument("text", required=False)
@click.option("--begin", "word", type=click.Choice(WORDS), help="What begins; it ends the last.")
@click.option("--name", help="What it is called.")
@click.option("--control", help="The bay that stays unwetted in it. [default: none]")
@click.option("--end", is_flag=True, help="End the one there is, with none after it.")
@click.option("--at", help='When, UTC, as in "2026-05-04 14:20". [default: now, or as it was]')
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
@click.option("--corrects", type=int, help="The number of the entry it sets right.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def phase(
    rig_file: Path,
    text: str | None,
    word: str | None,
    name: str | None,
    control: str | None,
    end: bool,
    at: str | None,
    by: str | None,
    corrects: int | None,
    as_json: bool,
) -> None:
    """Begin or end a phase of the test on RIG_FILE, with TEXT as the reason, or list them.

    A phase begins with an entry of the logbook and lasts until the next one begins, or an end is
    written. A mistake is set right by an entry that corrects it; `longsoak note --corrects N`
    takes it away.
    """
    said = any(each is not None for each in (word, name, control, at, by, corrects)) or end
    if text is None and said:
        raise click.UsageError(
            'Write the reason behind the rig file: longsoak phase rig.toml "..."'
        )
    if text is not None and end == (word is not None):
        raise click.UsageError("Say what begins with --begin, or end the one there is with --end.")
    if end and name is not None:
        raise click.UsageError("An end has no name: it ends the phase there is.")
    if end and control is not None:
        raise click.UsageError("An end has no control: it ends the phase there is.")
    with told():
        if text is None:
            record, _ = own_record(rig_file)
            _list(record, as_json=as_json)
            sys.exit(DONE)
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        at_ms = moment_said(at, record, corrects=corrects, kind=PHASE, now_ms=now_ms)
        known = phases(Logbook(record.folder).entries(kind=PHASE))
        who, says = user() if by is None else by, text_of(text)
        if word is None:
            entry = ended(known, by=who, says=says, at_ms=at_ms, now_ms=now_ms, corrects=corrects)
        else:
            entry = begun(
                word,
                name=(name or "").strip(),
                by=who,
                says=says,
                at_ms=at_ms,
                now_ms=now_ms,
                corrects=corrects,
                control="" if control is None else bay_called(control, rig).name,
            )
        write_entry(record, rig, entry, (), as_json=as_json)


def _list(record: Record, *, as_json: bool) -> None:
    found = phases(Logbook(record.folder).entries(kind=PHASE))[::-1]
    if as_json:
        document = [phase_document(each) for each in found]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
    elif found:
        rows = [
            (
                str(each.number),
                each.phase,
                each.name,
                each.control,
                time_words(each.from_ms),
                "it goes on" if each.until_ms is None else time_words(each.until_ms),
                each.by,
                each.says.partition("\n")[0],
            )
            for each in found
        ]
        heads = ("number", "phase", "name", "control", "from", "until", "by", "why")
        click.echo(table(heads, rows, right="number"))
    else:
        click.echo("No phase was begun.")
