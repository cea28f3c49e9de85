"""`longsoak closing`: the list for the end of a test, answered item by item."""

import json
import sys
import textwrap
from pathlib import Path

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, FOUND_WRONG, own_record, rig_file, told
from longsoak.cli.options import entry_options, photos_option
from longsoak.cli.writing import moment_said, recorded, write_entry
from longsoak.core.closing import (
    CAUTION,
    KEYS,
    Answered,
    answered_document,
    closing_content,
    closing_list,
)
from longsoak.core.logbook import text_of
from longsoak.core.wording import time_words, with_noun
from longsoak.service.clock import SystemClock
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.logbook import CLOSING, LogbookEntry

_WIDTH = 78
_EXAMPLE = (
    'Example: longsoak closing rig.toml "0.1 % of the mass in each of the last 3 days" '
    '--item "drying criterion" --name "Mina Kolar" --by mk'
)


@click.command(epilog=_EXAMPLE)
@rig_file
@click.argument("text", required=False)
@click.option("--item", type=click.Choice(KEYS), help="Which item is answered.")
@click.option("--not-done", is_flag=True, help="It was not done, and TEXT says why.")
@click.option("--name", help="Who answers for it, by full name.")
@photos_option
@entry_options
def closing(
    rig_file: Path,
    text: str | None,
    item: str | None,
    not_done: bool,
    name: str | None,
    photos: tuple[Path, ...],
    at: str | None,
    by: str | None,
    corrects: int | None,
    as_json: bool,
) -> None:
    """Answer an item of the list for the end of the test on RIG_FILE with TEXT, or show the list.

    Each item is answered, or said not to be done and why, by somebody who is named. A newer answer
    stands in for an older one, and both stay; a wetting that begins later opens the list again.
    Without TEXT the exit code is 1 while an item is open.
    """
    said = any(each is not None for each in (item, name, at, by, corrects))
    if text is None and (said or not_done or photos):
        raise click.UsageError(
            'Write the answer behind the rig file: longsoak closing rig.toml "..."'
        )
    if text is not None and (item is None or name is None):
        raise click.UsageError("Say which item it answers with --item, and who answers by --name.")
    with told():
        if text is None:
            record, _ = own_record(rig_file)
            sys.exit(_list(record, as_json=as_json))
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        entry = LogbookEntry(
            asked_utc_ms=now_ms,
            at_utc_ms=moment_said(at, record, corrects=corrects, kind=CLOSING, now_ms=now_ms),
            by=user() if by is None else by,
            says=text_of(text),
            kind=CLOSING,
            corrects=corrects,
            content=closing_content(item or "", done=not not_done, name=(name or "").strip()),
        )
        write_entry(record, rig, entry, photos, as_json=as_json)


def _list(record: Record, *, as_json: bool) -> int:
    found = closing_list(Logbook(record.folder).entries())
    open_ = sum(each.answer is None for each in found)
    if as_json:
        document = [answered_document(each) for each in found]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
    else:
        click.echo("\n\n".join(map(_told, found)))
        left = f"{with_noun(open_, 'item')} open." if open_ else "Every item is answered."
        click.echo("\n" + "\n".join([left, *textwrap.wrap(CAUTION, _WIDTH)]))
    return FOUND_WRONG if open_ else DONE


def _told(answered: Answered) -> str:
    item, answer = answered.item, answered.answer
    if answer is None:
        parts = [f"{item.key}: open", item.asks, item.why]
    else:
        state = "done" if answer.done else "not done"
        who = f"{answer.name}, {time_words(answer.at_ms)} (entry {answer.number})"
        photos = f" {with_noun(len(answer.photos), 'photo')}." if answer.photos else ""
        parts = [f"{item.key}: {state}", f"{answer.says}{photos}", who]
    head, *rest = parts
    lines = [line for part in rest for line in textwrap.wrap(part, _WIDTH)]
    return "\n  ".join([head, *lines])
