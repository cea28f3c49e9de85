"""What the commands share that write into the logbook."""

import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import NoReturn
from uuid import uuid4

import click

from longsoak.cli.asking import outcome_of, unanswered
from longsoak.cli.common import DONE, FOUND_WRONG, own_record
from longsoak.core.logbook import check_against, check_among, check_entry
from longsoak.core.logbookwords import entry_document, speaks_of_ms
from longsoak.core.moments import moment_of
from longsoak.store.logbook import Logbook, canonical
from longsoak.store.logbookrequests import ask_to_write
from longsoak.store.photos import LARGEST
from longsoak.store.reader import Record
from longsoak.store.thumbnails import keep_seen
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
    record: Record,
    rig: Rig,
    entry: LogbookEntry,
    photos: Sequence[Path],
    *,
    as_json: bool,
    after: Callable[[LogbookEntry], Sequence[str]] = lambda _: (),
) -> NoReturn:
    """Have an entry kept with its photos, say what became of it, and end with an exit code.

    What `after` says of it is told once it was asked for.

    Raises
    ------
    RequestError, StoreError
        It can't stand in the logbook, a photo can't be read, or nothing can be asked.
    """
    logbook = Logbook(record.folder)
    # Before the photos are kept, and at once: the measuring process may not be running.
    _check([entry], rig, logbook)
    contents = [_read(photo) for photo in photos]
    digests = [keep_seen(record.folder, content).sha256 for content in contents]
    request = ask_to_write(record.folder, replace(entry, photos=tuple(dict.fromkeys(digests))))
    outcome = outcome_of(record, request.uuid)
    good, told = _is_kept(outcome), list(after(entry))
    if as_json:
        kept = logbook.of_request(request.uuid)
        picture: dict[str, object] = {
            "outcome": outcome,
            "entry": None if kept is None else entry_document(kept),
        }
        if told:
            picture["told"] = told
        click.echo(json.dumps(picture, ensure_ascii=False, indent=1))
    else:
        first = unanswered(record, request.uuid) if outcome is None else _sentence(outcome)
        click.echo("\n".join([first, *(told if good else [])]))
    sys.exit(DONE if good else FOUND_WRONG)


def write_entries(
    record: Record,
    rig: Rig,
    entries: Sequence[LogbookEntry],
    *,
    as_json: bool,
    after: Callable[[LogbookEntry], Sequence[str]],
) -> NoReturn:
    """Have many entries kept, in their order, say what became of each, and end with an exit code.

    Those that were kept by an earlier attempt are not kept twice: each is known by all it says but
    the time at which it was asked.

    Raises
    ------
    RequestError, StoreError
        As for `write_entry`; then none of them was asked for.
    """
    logbook = Logbook(record.folder)
    _check(entries, rig, logbook)
    numbers = [_number(record, entry) for entry in entries]
    before = [logbook.of_request(number) for number in numbers]
    for entry, number, kept in zip(entries, numbers, before, strict=True):
        if kept is None:
            ask_to_write(record.folder, entry, number=number)
    outcomes = [outcome_of(record, number) for number in numbers]
    told = [list(after(entry)) for entry in entries]
    if as_json:
        written = [logbook.of_request(number) for number in numbers]
        picture = [
            {"outcome": outcome, "entry": None if kept is None else entry_document(kept), "told": t}
            for outcome, kept, t in zip(outcomes, written, told, strict=True)
        ]
        click.echo(json.dumps(picture, ensure_ascii=False, indent=1))
    else:
        for entry, number, kept, outcome, more in zip(
            entries, numbers, before, outcomes, told, strict=True
        ):
            said = unanswered(record, number) if outcome is None else _sentence(outcome)
            if kept is not None:
                said = f"Kept as number {kept.number} already."
            click.echo(" ".join([entry.says.partition("\n")[0], said, *more]))
    sys.exit(DONE if all(map(_is_kept, outcomes)) else FOUND_WRONG)


def moment_said(
    at: str | None, record: Record, *, corrects: int | None, kind: str, now_ms: int
) -> int:
    """The time an entry speaks of, UTC ms: as said, as what it corrects had it, or now.

    Raises
    ------
    RequestError
        What was said is no time.
    """
    if at is not None:
        return moment_of(at, now_ms=now_ms)
    was = None if corrects is None else Logbook(record.folder).entry(corrects)
    return speaks_of_ms(was) if was is not None and was.kind == kind else now_ms


def _check(entries: Sequence[LogbookEntry], rig: Rig, logbook: Logbook) -> None:
    began_ms, last = logbook.record_began_ms(), logbook.last()
    known = cache(logbook.entries)
    for entry in entries:
        check_entry(entry)
        check_against(entry, rig, began_ms=began_ms, last=last)
        check_among(entry, known)


def _number(record: Record, entry: LogbookEntry) -> str:
    """What tells an entry from every other one; anew where it was refused before."""
    whole = (entry.by, entry.kind, str(entry.subject), entry.says, canonical(entry.content))
    given = "" if entry.at_utc_ms == entry.asked_utc_ms else str(entry.at_utc_ms)
    number = sha256("\0".join((*whole, given)).encode()).hexdigest()[:32]
    outcome = record.outcome(number)
    return uuid4().hex if outcome is not None and not _is_kept(outcome) else number


def _is_kept(outcome: str | None) -> bool:
    return outcome is not None and not outcome.startswith("refused")


def _sentence(outcome: str) -> str:
    return f"{outcome[:1].upper()}{outcome[1:].rstrip('.')}."


def _read(photo: Path) -> bytes:
    try:
        with photo.open("rb") as file:
            return file.read(LARGEST + 1)  # as much as shows that it is too large
    except OSError as error:
        raise RequestError(
            f"The photo {photo} can't be read: {error.strerror}. Nothing was kept."
        ) from error
