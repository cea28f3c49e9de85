"""`longsoak newhole`: tell of a probe that was moved or renewed, or list those that were."""

import json
import sys
from pathlib import Path

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, own_record, rig_file, table, told
from longsoak.cli.options import entry_options, number_of, photos_option
from longsoak.cli.writing import moment_said, recorded, write_entry
from longsoak.core.logbook import subject_called, text_of
from longsoak.core.newholes import hole_content, hole_document, new_holes, offset_words
from longsoak.core.wording import time_words
from longsoak.service.clock import SystemClock
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.logbook import NEW_HOLE, LogbookEntry
from longsoak.vocabulary.rig import Rig

_EXAMPLE = (
    'Example: longsoak newhole rig.toml "The old hole had split" --probe "cork 30/60" '
    "--overlap 48 --offset 0.4 --uncertainty 0.1 --by mk"
)


@click.command(epilog=_EXAMPLE)
@rig_file
@click.argument("text", required=False)
@click.option("--probe", help="The probe that was moved or renewed.")
@click.option(
    "--offset",
    type=number_of("a number", -300.0, 300.0),
    help="How much more the new series reads than the old one, in its unit.",
)
@click.option(
    "--uncertainty",
    type=number_of("a standard uncertainty", 0.0, 300.0),
    help="Standard, of the offset.",
)
@click.option(
    "--overlap",
    type=number_of("hours", 0.01, 8760.0),
    help="Hours for which both were read side by side, if the offset is from that.",
)
@photos_option
@entry_options
def newhole(
    rig_file: Path,
    text: str | None,
    probe: str | None,
    offset: float | None,
    uncertainty: float | None,
    overlap: float | None,
    photos: tuple[Path, ...],
    at: str | None,
    by: str | None,
    corrects: int | None,
    as_json: bool,
) -> None:
    """Tell of a probe of RIG_FILE that was moved or renewed, with TEXT as the reason.

    A new hole is a new series: its readings are compared with those from before only by an offset,
    best from a time in which old and new were read side by side. Without TEXT, list them.
    """
    numbers = (offset, uncertainty, overlap, corrects)
    said = any(each is not None for each in (probe, at, by, *numbers))
    if text is None and (said or photos):
        raise click.UsageError(
            'Write the reason behind the rig file: longsoak newhole rig.toml "..."'
        )
    if text is not None and probe is None:
        raise click.UsageError("Say which probe was moved or renewed with --probe.")
    with told():
        if text is None:
            record, version = own_record(rig_file)
            _list(record, None if version is None else recorded(rig_file)[1], as_json=as_json)
            sys.exit(DONE)
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        entry = LogbookEntry(
            asked_utc_ms=now_ms,
            at_utc_ms=moment_said(at, record, corrects=corrects, kind=NEW_HOLE, now_ms=now_ms),
            by=user() if by is None else by,
            says=text_of(text),
            kind=NEW_HOLE,
            subject=subject_called(probe or "", rig),
            corrects=corrects,
            content=hole_content(offset=offset, uncertainty=uncertainty, overlap_h=overlap),
        )
        write_entry(
            record, rig, entry, photos, as_json=as_json, after=lambda kept: [_tied(kept, rig)]
        )


def _tied(entry: LogbookEntry, rig: Rig) -> str:
    (hole,) = new_holes([entry])
    return f"A new series of {hole.probe} begins: {offset_words(hole, _unit(hole.probe, rig))}."


def _unit(name: str, rig: Rig | None) -> str:
    probes = () if rig is None else rig.probes
    return next((probe.unit_words for probe in probes if probe.name == name), "")


def _list(record: Record, rig: Rig | None, *, as_json: bool) -> None:
    found = new_holes(Logbook(record.folder).entries(kind=NEW_HOLE))[::-1]
    if as_json:
        document = [hole_document(each) for each in found]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
    elif found:
        rows = [
            (
                str(each.number),
                time_words(each.at_ms),
                each.probe,
                offset_words(each, _unit(each.probe, rig)),
                each.by,
                each.says.partition("\n")[0],
            )
            for each in found
        ]
        heads = ("number", "when", "probe", "tied to the series before", "by", "why")
        click.echo(table(heads, rows, right="number"))
    else:
        click.echo("No probe was moved or renewed.")
