"""`longsoak hand RIG --compare`: rounds of readings by hand beside the embedded pins."""

import json
import sys
import textwrap
from pathlib import Path
from typing import NoReturn

import click

from longsoak.cli.common import DONE, FOUND_WRONG, own_record, table, told
from longsoak.report.handagreement import Alike, HandAgreement, Round, hand_agreement
from longsoak.report.handagreementwords import (
    COLUMNS,
    FOOT,
    RIGHT,
    agreement_document,
    all_words,
    head_words,
    map_rows,
    round_words,
)
from longsoak.service.clock import SystemClock

_WIDTH = 78


def compare_rounds(rig_file: Path, *, as_json: bool) -> NoReturn:
    """Print how every round that is over stands beside the pins, and end with an exit code.

    It is 1 where hand and pins differ by more than was declared.
    """
    with told():
        record, _ = own_record(rig_file)
        found = hand_agreement(record, now_ms=SystemClock().utc_ms())
    if as_json:
        click.echo(json.dumps(agreement_document(found), ensure_ascii=False, indent=1))
    elif not found.rounds:
        click.echo("Nothing was read by hand yet.")
    else:
        click.echo("\n\n".join([*map(_round_told, found.rounds), *_all_told(found)]))
    held = [*found.held, *(held for each in found.rounds for held in each.held)]
    sys.exit(FOUND_WRONG if any(each.alike is Alike.DIFFER for each in held) else DONE)


def _round_told(each: Round) -> str:
    parts = [_wrapped(head_words(each))]
    if each.pairs:
        rows = table(COLUMNS, map_rows(each.pairs), right=RIGHT)
        parts.append(textwrap.indent(f"{rows}\n{FOOT}", "  "))
    return "\n".join([*parts, *(_wrapped(words, indent="  ") for words in round_words(each))])


def _all_told(found: HandAgreement) -> list[str]:
    said = all_words(found)
    return ["\n".join(map(_wrapped, said))] if said else []


def _wrapped(words: str, *, indent: str = "") -> str:
    return textwrap.fill(words, _WIDTH, initial_indent=indent, subsequent_indent=indent)
