"""`longsoak reconvert`: convert what was measured once more, under another rig file."""

import json
import sqlite3
import sys
from importlib.metadata import version
from pathlib import Path

import click

from longsoak.cli.asking import outcome_of, user
from longsoak.cli.common import BAD_INPUT, DONE, FOUND_WRONG, own_record, rig_file, told
from longsoak.cli.progress import bar
from longsoak.core.wording import rfc3339, time_words, with_noun
from longsoak.service.clock import SystemClock
from longsoak.store.derived import take_away
from longsoak.store.logbookrequests import ask_to_write
from longsoak.store.reader import Record, RigVersion
from longsoak.store.rederiving import Rederiving
from longsoak.vocabulary.errors import LongsoakError
from longsoak.vocabulary.logbook import THE_RIG, LogbookEntry

_AS_KEPT = "all values are shown as they were first kept"


@click.command(epilog="Example: longsoak reconvert rig.toml --version 3")
@rig_file
@click.option(
    "--version",
    "number",
    type=int,
    help="Version of the rig file. [default: the one that is recorded under]",
)
@click.option("--as-kept", is_flag=True, help="Show the values again as they were first kept.")
@click.option("--by", help="Your initials, for the logbook. [default: the user's name]")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def reconvert(
    rig_file: Path, number: int | None, as_kept: bool, by: str | None, as_json: bool
) -> None:
    """Convert every reading once more from its raw value, and show the outcome.

    For a better curve: change it in RIG_FILE, start `longsoak run` anew so that the record has that
    version, then run this. The values that were kept with the raw ones stay in the record, and
    --as-kept shows them again. What is shown is told by `longsoak now`, on the pages and in the
    logbook.
    """
    with told():
        record, newest = own_record(rig_file)
        if as_kept:
            _as_kept(record, by, as_json=as_json)
        elif newest is None:
            click.echo(f"Nothing has been recorded in {record.folder} yet.", err=True)
            sys.exit(FOUND_WRONG)
        else:
            kept = newest if number is None else _wanted(record, number)
            _derive(record, kept, by, as_json=as_json)


def _wanted(record: Record, number: int) -> RigVersion:
    versions = {one.number: one for one in record.rig_versions()}
    if number not in versions:
        there = ", ".join(
            f"{n} of {time_words(one.accepted_utc_ms)}" for n, one in versions.items()
        )
        click.echo(f"The record has no version {number} of the rig file; it has {there}.", err=True)
        sys.exit(BAD_INPUT)
    return versions[number]


def _derive(record: Record, kept: RigVersion, by: str | None, *, as_json: bool) -> None:
    from longsoak.rigfile.load import parse

    rig = parse(kept.text, file=f"version {kept.number} of the rig file", find_kind=None)
    try:
        with bar("Converting") as tell:
            derivation, seen, otherwise = Rederiving(record.folder).derive(
                rig,
                rig_version=kept.number,
                made_utc_ms=SystemClock().utc_ms(),
                software=version("longsoak"),
                progress=tell,
            )
    except (OSError, sqlite3.Error) as error:
        click.echo(
            f"The values could not be written beside the record in {record.folder}: {error}. "
            "Nothing has changed. See that this user may write there and that it has room.",
            err=True,
        )
        sys.exit(FOUND_WRONG)
    says = derivation.words if otherwise else _AS_KEPT
    # First: it is done, even if somebody ends the wait for the logbook.
    if as_json:
        picture = {
            "rig_version": derivation.rig_version,
            "until": rfc3339(derivation.last_utc_ms),
            "readings": seen,
            "otherwise": otherwise,
            "probes": sorted(derivation.probes),
        }
        click.echo(json.dumps(picture, ensure_ascii=False, indent=1))
    else:
        click.echo(
            f"{with_noun(seen, 'reading')} converted again, {otherwise or 'none'} came out "
            f"otherwise.\n{_sentence(says)}"
        )
    _note(record, says, by, silent=as_json)
    sys.exit(DONE)


def _as_kept(record: Record, by: str | None, *, as_json: bool) -> None:
    try:
        changed = take_away(record.folder)
    except OSError as error:
        click.echo(
            f"The file with the other values in {record.folder} can't be removed: "
            f"{error.strerror}. They are still shown.",
            err=True,
        )
        sys.exit(FOUND_WRONG)
    if as_json:
        click.echo(json.dumps({"shown": "as kept", "changed": changed}, indent=1))
    else:
        click.echo(_sentence(_AS_KEPT if changed else f"{_AS_KEPT}, as before"))
    if changed:
        _note(record, _AS_KEPT, by, silent=as_json)
    sys.exit(DONE)


def _note(record: Record, says: str, by: str | None, *, silent: bool) -> None:
    note = _noted(record, says, by)
    if not silent:
        click.echo(note)


def _noted(record: Record, says: str, by: str | None) -> str:
    """Ask for an entry in the logbook; without one it is done all the same."""
    now_ms = SystemClock().utc_ms()
    entry = LogbookEntry(
        asked_utc_ms=now_ms,
        at_utc_ms=now_ms,
        by=by if by is not None else user(),
        says=_sentence(says),
        subject=THE_RIG,
        corrects=None,
    )
    try:
        request = ask_to_write(record.folder, entry)
    except LongsoakError as error:
        return f"The logbook does not say so: {error}"
    if (outcome := outcome_of(record, request.uuid)) is None:
        return "The logbook will say so once `longsoak run` takes what it is asked."
    if outcome.startswith("refused"):
        return f"The logbook does not say so: {outcome}"
    return "The logbook says so."


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."
