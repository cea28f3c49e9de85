"""The request that an entry be kept in the logbook: put into words here, and taken out of them."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TypeGuard

from longsoak.core.logbook import check_entry
from longsoak.store.bodies import is_json, object_of, refuse
from longsoak.store.requests import Request, ask
from longsoak.vocabulary.logbook import About, LogbookEntry, Subject

ENTRY = "keep a logbook entry"

_LAST_MS = 253_402_300_800_000  # the year 10000


def ask_to_write(folder: Path, entry: LogbookEntry, *, number: str | None = None) -> Request:
    """Ask that an entry be kept; for `number` see `longsoak.store.requests.ask`.

    Raises
    ------
    RequestError
        The entry can't stand in a logbook; see `longsoak.core.logbook.check_entry`.
    StoreError
        Nothing can be asked there.
    """
    check_entry(entry)
    body = {
        "at": entry.at_utc_ms,
        "kind": entry.kind,
        "about": entry.subject.about,
        "says": entry.says,
        "corrects": entry.corrects,
        "photos": entry.photos,
        "schema": entry.schema,
        "content": entry.content,
    }
    return ask(
        folder,
        kind=ENTRY,
        subject=entry.subject.name,
        by=entry.by,
        utc_ms=entry.asked_utc_ms,
        body=_printable(body),
        number=number,
    )


def written_in(request: Request) -> LogbookEntry:
    """The entry that an `ENTRY` request asks to be kept; what keeping adds is still unknown.

    Raises
    ------
    RequestError
        It is none that `ask_to_write` writes.
    """
    body = object_of(request)
    at, kind, about, says = (body.get(name) for name in ("at", "kind", "about", "says"))
    corrects, photos, schema = (body.get(name) for name in ("corrects", "photos", "schema"))
    if not _is_count(at):
        refuse(at, "the time it speaks of, UTC ms since 1970")
    if not isinstance(kind, str) or not isinstance(says, str):
        refuse(kind, "the kind of an entry, and its words")
    if about not in tuple(About):
        refuse(about, "rig, bay or probe")
    if corrects is not None and not _is_count(corrects):
        refuse(corrects, "the number of an entry")
    if not isinstance(photos, list) or not all(isinstance(photo, str) for photo in photos):
        refuse(photos, "the SHA-256 digests of photos")
    if not _is_count(schema):
        refuse(schema, "the number of a form")
    content = body.get("content")
    if not isinstance(content, Mapping) or not is_json(content):
        refuse(content, "words, finite numbers, lists and tables of them")
    entry = LogbookEntry(
        asked_utc_ms=request.asked_utc_ms,
        at_utc_ms=at,
        by=request.by,
        says=says,
        kind=kind,
        subject=Subject(About(str(about)), request.subject),
        corrects=corrects,
        photos=tuple(photos),
        schema=schema,
        content=content,
        request=request.uuid,
    )
    check_entry(entry)
    return entry


def _is_count(found: object) -> TypeGuard[int]:
    # A number of any size can stand in a body, and no later year can be told as a date.
    return isinstance(found, int) and not isinstance(found, bool) and 0 <= found < _LAST_MS


def _printable(body: Mapping[str, object]) -> str:
    """JSON in which only what can't be printed is escaped: an escape is six characters long."""
    text = json.dumps(body, ensure_ascii=False, allow_nan=False)
    return "".join(letter if letter.isprintable() else json.dumps(letter)[1:-1] for letter in text)
