"""`longsoak note`: write into the logbook, or read what is in it."""

import json
import sys
from pathlib import Path

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, a_path, own_record, rig_file, told
from longsoak.cli.writing import recorded, write_entry
from longsoak.core.contentwords import content_words
from longsoak.core.logbook import subject_called, text_of
from longsoak.core.logbookwords import entry_document, later_words, speaks_of_ms, subject_words
from longsoak.core.moments import moment_of
from longsoak.core.water.entries import begins_ms, ends_ms, top_up_said
from longsoak.core.wording import time_words, with_noun
from longsoak.service.clock import SystemClock
from longsoak.store.logbook import Logbook
from longsoak.store.photos import FOLDER, name_of
from longsoak.store.reader import Record
from longsoak.vocabulary.logbook import NOTE, SERVICE, THE_RIG, TOP_UP, LogbookEntry

_NEWEST = 20  # entries listed unless a beginning is named


@click.command(epilog='Example: longsoak note rig.toml "Tray wiped dry" --by mk')
@rig_file
@click.argument("text", required=False)
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
@click.option("--about", help="The probe or bay it is about. [default: the rig]")
@click.option("--at", help='When it was, UTC, as in "2026-05-04 14:20". [default: now]')
@click.option("--photo", "photos", type=a_path, multiple=True, help="A photo to go with it.")
@click.option("--corrects", type=int, help="The number of the entry it sets right.")
@click.option("--since", help="List what speaks of this time and later, UTC.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def note(
    rig_file: Path,
    text: str | None,
    by: str | None,
    about: str | None,
    at: str | None,
    photos: tuple[Path, ...],
    corrects: int | None,
    since: str | None,
    as_json: bool,
) -> None:
    """Write TEXT into the logbook of RIG_FILE, or list its newest entries.

    Nothing in the logbook is ever changed or deleted: a correction is an entry of its own that
    names the one it sets right, and both stay. If the measuring process is not running, the entry
    waits for it.
    """
    writes = any(said is not None for said in (by, about, at, corrects)) or photos
    alone = not rig_file.exists() and rig_file.suffix != ".toml"  # the text, and no rig file
    if text is None and (writes or alone):
        raise click.UsageError('Write the text behind the rig file: longsoak note rig.toml "..."')
    if text is not None and since is not None:
        raise click.UsageError("--since is for listing, without a text.")
    with told():
        if text is None:
            record, _ = own_record(rig_file)
            _list(record, since, as_json=as_json)
            sys.exit(DONE)
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        entry = LogbookEntry(
            asked_utc_ms=now_ms,
            at_utc_ms=now_ms if at is None else moment_of(at, now_ms=now_ms),
            by=user() if by is None else by,
            says=text_of(text),
            subject=THE_RIG if about is None else subject_called(about, rig),
            corrects=corrects,
        )
        write_entry(record, rig, entry, photos, as_json=as_json)


def _list(record: Record, since: str | None, *, as_json: bool) -> None:
    logbook = Logbook(record.folder)
    now_ms = SystemClock().utc_ms()
    since_ms = None if since is None else moment_of(since, now_ms=now_ms, day_alone=True)
    entries = logbook.entries(since_ms=since_ms, limit=_NEWEST if since_ms is None else None)
    if as_json:
        document = [entry_document(entry) for entry in entries]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
        return
    for entry in entries:
        click.echo("\n".join(_lines(entry, record.folder)) + "\n")
    if not entries:
        when = "yet" if since_ms is None else f"since {time_words(since_ms)}"
        click.echo(f"Nothing was written into the logbook {when}.")
    elif since_ms is None and entries[-1].number > 1:
        older = with_noun(entries[-1].number - 1, "older entry", "older entries")
        click.echo(f"{older}: list them with --since.")


def _lines(entry: LogbookEntry, folder: Path) -> list[str]:
    about = subject_words(entry.subject)
    head = f"{entry.number}  {time_words(speaks_of_ms(entry))}  {entry.by}  {about}"
    if entry.kind != NOTE:
        head += f"  {entry.kind}"
    more = [later_words(entry)]
    if entry.corrects is not None:
        more.append(f"corrects {entry.corrects}")
    if entry.corrected_by:
        more.append(f"corrected by {', '.join(map(str, entry.corrected_by))}")
    below = [f"({'; '.join(filter(None, more))})"] if any(more) else []
    below += entry.says.split("\n")
    if entry.kind == TOP_UP:  # its sentence may have been made without them
        parts = top_up_said(entry.content)
        below += [] if all(part in entry.says for part in parts) else [f"{', '.join(parts)}."]
    if words := content_words(entry):
        below.append(words)
    if entry.kind == SERVICE:
        times = (time_words(at) for at in (begins_ms(entry), ends_ms(entry)))
        below.append(f"from {' until '.join(times)}")
    below += [f"photo {folder / FOLDER / (name_of(folder, p) or p)}" for p in entry.photos]
    return [head, *(f"   {line}".rstrip() for line in below)]
