"""What the commands share that write into the logbook."""

import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import NoReturn

import click

from longsoak.cli.asking import outcome_of, unanswered
from longsoak.cli.common import DONE, FOUND_WRONG, own_record
from longsoak.core.logbook import check_against, check_entry
from longsoak.core.logbookwords import entry_document
from longsoak.store.logbook import Logbook
from longsoak.store.logbookrequests import ask_to_write
from longsoak.store.photos import LARGEST, keep_photo
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import LogbookEntry
from longsoak.vocabulary.rig import Rig


def recorded(rig_file: Path) -> tuple[Record, Rig]:
    """The record beside a rig file and the rig it is recorded under; ends where there is none.

    Raises
    ------
    StoreError, RigFileError
        As for `own_record`, or the kept rig file can't be read any more.
    """
    record, version = own_record(rig_file)
    if version is None:
        click.echo(f"Nothing has been recorded in {record.folder} yet.", err=True)
        sys.exit(FOUND_WRONG)
    return record, _parsed(version.text, record)


def _parsed(text: str, record: Record) -> Rig:
    from longsoak.rigfile.load import parse

    return parse(text, file=f"the rig file in {record.folder}", find_kind=None)


def write_entry(
    record: Record, rig: Rig, entry: LogbookEntry, photos: Sequence[Path], *, as_json: bool
) -> NoReturn:
    """Have an entry kept with its photos, say what became of it, and end with an exit code.

    Raises
    ------
    RequestError, StoreError
        It can't stand in the logbook, a photo can't be read, or nothing can be asked.
    """
    logbook = Logbook(record.folder)
    # Before the photos are kept, and at once: the measuring process may not be running.
    check_entry(entry)
    check_against(entry, rig, began_ms=logbook.record_began_ms(), last=logbook.last())
    contents = [_read(photo) for photo in photos]
    digests = [keep_photo(record.folder, content).sha256 for content in contents]
    request = ask_to_write(record.folder, replace(entry, photos=tuple(dict.fromkeys(digests))))
    outcome = outcome_of(record, request.uuid)
    if as_json:
        kept = logbook.of_request(request.uuid)
        picture = {"outcome": outcome, "entry": None if kept is None else entry_document(kept)}
        click.echo(json.dumps(picture, ensure_ascii=False, indent=1))
    elif outcome is None:
        click.echo(unanswered(record, request.uuid))
    else:
        click.echo(f"{outcome[:1].upper()}{outcome[1:].rstrip('.')}.")
    sys.exit(DONE if outcome is not None and not outcome.startswith("refused") else FOUND_WRONG)


def _read(photo: Path) -> bytes:
    try:
        with photo.open("rb") as file:
            return file.read(LARGEST + 1)  # as much as shows that it is too large
    except OSError as error:
        raise RequestError(
            f"The photo {photo} can't be read: {error.strerror}. Nothing was kept."
        ) from error
