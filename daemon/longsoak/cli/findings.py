"""`longsoak findings`: say of each limit whether it was kept, phase by phase."""

import json
import sys
import textwrap
from pathlib import Path
from typing import NoReturn

import click

from longsoak.cli.common import BAD_INPUT, DONE, FOUND_WRONG, own_record, rig_file, table, told
from longsoak.core.findings.decision import Outcome
from longsoak.core.moments import moment_of
from longsoak.core.wording import time_words
from longsoak.report.analysis import analyst_of
from longsoak.report.analysiswords import (
    analysis_document,
    listings,
    profile_documents,
    profile_listings,
)
from longsoak.report.paper import Listing
from longsoak.report.verdicts import Finding, findings
from longsoak.report.verdictwords import finding_document, remarks, why_words
from longsoak.rigfile.load import parse
from longsoak.service.clock import SystemClock
from longsoak.store.reader import RigVersion

_WIDTH = 78
_NO_NUMPY = (
    "Judging takes numpy, which is not installed here: pip install 'longsoak[analysis]'. Nothing "
    "was judged."
)
_NO_DEPTHS = "No probe of this rig has a depth in a bay."
_EXAMPLE = "Example: longsoak findings rig.toml"


@click.command("findings", epilog=_EXAMPLE)
@rig_file
@click.option(
    "--all",
    "everything",
    is_flag=True,
    help="Add profiles, the wetting front, where readings tend, and how bays and phases compare.",
)
@click.option(
    "--at",
    help='Instead, what was read by depth in the day up to then, UTC, as in "2026-05-04 14:20".',
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def findings_command(rig_file: Path, everything: bool, at: str | None, as_json: bool) -> None:
    """Judge the limits that RIG_FILE declared, each over every phase of the test it is for.

    A limit is held, broken or undecided: held and broken only outside a guard band that the limit's
    rule and risk say (JCGM 106). The exit code is 1 if one is broken.
    """
    try:
        import numpy as _  # noqa: F401 - only whether it is there
    except ImportError:
        click.echo(_NO_NUMPY, err=True)
        sys.exit(BAD_INPUT)
    if at is not None:
        if everything:
            raise click.UsageError("--at shows one time; leave --all out.")
        _by_depth(rig_file, at, as_json=as_json)
    with told():
        record, version = own_record(rig_file)
        now = SystemClock().utc_ms()
        found = findings(record, now_ms=now)
        analyst = analyst_of(record, now_ms=now) if everything else None
        more = None if analyst is None else analyst.all()
        if as_json:
            document: object = [finding_document(each) for each in found]
            if more is not None:
                document = {"findings": document, **analysis_document(more)}
            click.echo(json.dumps(document, ensure_ascii=False, indent=1))
        else:
            parts = [*map(_told, found)] or [_nothing(version, rig_file.name)]
            parts += [_listed(each) for each in listings(more)] if more is not None else []
            click.echo("\n\n".join(parts))
    broken = any(each.verdict.outcome is Outcome.BROKEN for each in found)
    sys.exit(FOUND_WRONG if broken else DONE)


def _by_depth(rig_file: Path, at: str, *, as_json: bool) -> NoReturn:
    """Show what was read by depth at a time, and end."""
    with told():
        now = SystemClock().utc_ms()
        until = moment_of(at, now_ms=now)
        record, version = own_record(rig_file)
        analyst = analyst_of(record, now_ms=now)
        profiles = [] if analyst is None else [*analyst.profiles_at(until, title="then")]
        if as_json:
            click.echo(json.dumps(profile_documents(profiles), ensure_ascii=False, indent=1))
        elif profiles:
            click.echo("\n\n".join(map(_listed, profile_listings(profiles))))
        else:
            click.echo(_nothing(version, rig_file.name) if analyst is None else _NO_DEPTHS)
    sys.exit(DONE)


def _nothing(version: RigVersion | None, file: str) -> str:
    if version is None:
        return "Nothing was recorded yet, so there is nothing to judge."
    if not parse(version.text, file=file, find_kind=None).limits:
        return (
            "The rig file declares no limit. Write one as [[limits]] before a phase begins, and it "
            "is judged over that phase."
        )
    return "No phase that a limit is for has begun. Begin one with `longsoak phase`."


def _listed(listing: Listing) -> str:
    says = [line for part in listing.says for line in textwrap.wrap(part, _WIDTH)]
    rows = table(listing.head, listing.rows, right=listing.right)
    return "\n".join([f"{listing.title}:", *(f"  {line}" for line in says), rows])


def _told(finding: Finding) -> str:
    head = f"{finding.verdict.outcome.upper()}: {finding.limit.name}"
    span = f"{time_words(finding.from_ms)} to {time_words(finding.until_ms)}"
    parts = [
        f"{finding.phase.title}, {span}.",
        f"{finding.asks}.",
        why_words(finding),
        *remarks(finding),
    ]
    lines = [line for part in parts for line in textwrap.wrap(part, _WIDTH)]
    return "\n  ".join([head, *lines])
