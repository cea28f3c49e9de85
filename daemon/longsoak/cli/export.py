"""`longsoak export`: the record as files that anyone can read."""

import json
import shlex
import sys
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from longsoak.cli.common import BAD_INPUT, DONE, FOUND_WRONG, a_path, own_record, told
from longsoak.cli.progress import bar
from longsoak.core.moments import moment_of
from longsoak.core.wording import time_words, with_noun
from longsoak.service.clock import SystemClock
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import RequestError

if TYPE_CHECKING:
    from longsoak.report.package import Written
    from longsoak.report.summary import Summary
    from longsoak.report.tables import Range


@click.command(epilog="Example: longsoak export rig.toml render-pair --from 2026-05-04")
@click.argument("rig_file", type=a_path)
@click.argument("out", type=a_path)
@click.option(
    "--from",
    "since",
    help='Readings from this time on, such as 2026-05-04 or, UTC, "2026-05-04 14:20".',
)
@click.option("--until", help="Readings before this time.")
@click.option("--probe", "probes", multiple=True, help="Readings of this probe; may be repeated.")
@click.option(
    "--format",
    "form",
    type=click.Choice(("csv", "parquet")),
    default="csv",
    show_default=True,
    help="What the tables are written as.",
)
@click.option(
    "--set-aside",
    type=click.Choice(("with", "without")),
    default="with",
    show_default=True,
    help="Readings that a contact with the water set aside: with them, flagged as suspect, or "
    "without.",
)
@click.option("--zip", "as_zip", is_flag=True, help="Write one zip file instead of a folder.")
@click.option("--photos", is_flag=True, help="Also the photos that proofs and logbook name.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of words.")
def export(
    rig_file: Path,
    out: Path,
    *,
    since: str | None,
    until: str | None,
    probes: tuple[str, ...],
    form: str,
    set_aside: str,
    as_zip: bool,
    photos: bool,
    as_json: bool,
) -> None:
    """Write the record beside RIG_FILE to the folder OUT, as tables that anyone can read.

    Readings with raw and converted values, units, uncertainties and flags; what each probe was
    and where it sat; events, alarms, gaps, proofs and the logbook; every version of the rig file
    and its curves; a description of all of it (a Frictionless Data Package), a README in plain
    words, and the SHA-256 of each file.

    The same record gives the same bytes. An export is whole or not there at all, and takes the
    place of an earlier one of the same rig, of nothing else. It may be written while `longsoak
    run` records. Of proofs, logbook and rig files it always holds all.

    Ends with exit code 1 if there is no reading of that time and those probes, or a photo that is
    named is not there any more.
    """
    from longsoak.report.export import Format, Wanted
    from longsoak.report.export import export as write
    from longsoak.report.places import ExportError
    from longsoak.report.tables import Range
    from longsoak.rigfile.load import tables_of

    within = Range(_moment("--from", since), _moment("--until", until))
    if (
        within.since_ms is not None
        and within.until_ms is not None
        and within.since_ms >= within.until_ms
    ):
        raise click.UsageError("--from is not before --until. Swap them.")
    if as_zip != (out.suffix == ".zip"):
        raise click.UsageError(
            f"{out} does not end in .zip. Write {out}.zip, or leave --zip out."
            if as_zip
            else f"{out} would be a folder. Add --zip, or leave the ending out."
        )
    with told():
        record, version = own_record(rig_file)
        if version is None:
            click.echo(f"Nothing has been recorded in {record.folder} yet.", err=True)
            sys.exit(FOUND_WRONG)
        wanted = Wanted(
            rig=_name(tables_of(version.text, file=str(rig_file))),
            probes=_known(probes, record.folder) if probes else None,
            within=within,
            form=Format(form),
            as_zip=as_zip,
            photos=photos,
            set_aside=set_aside == "with",
        )
        try:
            with bar(f"Writing {out}") as progress:
                summary, files = write(record.folder, out, wanted, progress=progress)
        except ExportError as error:
            click.echo(str(error), err=True)
            sys.exit(BAD_INPUT)
    if as_json:
        shown = summary.as_json() | {"out": str(out), "files": len(files)}
        click.echo(json.dumps(shown, ensure_ascii=False, indent=1))
    else:
        click.echo(_words(summary, files, out, as_zip=as_zip))
    if not summary.readings:
        click.echo(_nothing(record, within, probes, set_aside=set_aside == "with"), err=True)
    for digest in summary.photos_lost:
        click.echo(f"A photo that is named is not there any more: {digest}.", err=True)
    sys.exit(DONE if summary.readings and not summary.photos_lost else FOUND_WRONG)


def _nothing(record: Record, within: "Range", probes: Collection[str], *, set_aside: bool) -> str:
    """Why there is no reading in an export."""
    first, last = record.first_utc_ms(), record.last_utc_ms()
    if first is None or last is None:
        return "The record holds no reading yet: see whether `longsoak run` measures."
    of = f" of {', '.join(probes)}" if probes else ""
    since, until = within.since_ms, within.until_ms
    asked = "" if since is None else f" from {time_words(since)} on"
    asked += "" if until is None else f" before {time_words(until)}"
    asked += "" if set_aside else " that no contact set aside"
    return (
        f"There is no reading{of}{asked}: the record's reach from {time_words(first)} to "
        f"{time_words(last)}. What was written holds all else."
    )


def _name(tables: dict[str, object]) -> str:
    rig = tables.get("rig")
    name = rig.get("name") if isinstance(rig, dict) else None
    return name if isinstance(name, str) else "rig"


def _moment(option: str, written: str | None) -> int | None:
    if written is None:
        return None
    try:
        return moment_of(written, now_ms=SystemClock().utc_ms(), day_alone=True)
    except RequestError as error:
        says = str(error).removesuffix(" Nothing was kept.")
        raise click.UsageError(f"{option}: {says}") from error


def _known(probes: Collection[str], folder: Path) -> frozenset[str]:
    """Those probes, all of which there are readings of."""
    from longsoak.report.source import Source
    from longsoak.rigfile.report import listed, nearest

    there = Source(folder, probes=None, since_ms=None, until_ms=None).seats
    names = list(dict.fromkeys(seat.probe for seat in there))
    for name in probes:
        if name not in names:
            meant = nearest(name, names)
            hint = f"Did you mean {meant!r}?" if meant else f"It has {listed(names)}."
            raise click.UsageError(f"The record has no readings of a probe {name!r}. {hint}")
    return frozenset(probes)


def _words(summary: "Summary", files: Sequence["Written"], out: Path, *, as_zip: bool) -> str:
    size = sum(file.size for file in files)
    span = f", from {summary.first} to {summary.last}" if summary.readings else ""
    lines = [
        f"{out}: {with_noun(summary.readings, 'reading')} of "
        f"{with_noun(summary.probes, 'probe')}{span}, in {with_noun(len(files), 'file')} of "
        f"{size / 1e6:.1f} MB."
    ]
    if summary.invented:
        lines.append("All data invented, as the rig file says.")
    place = shlex.quote(str(out))
    inside = f"unzip -q {place} -d FOLDER && cd FOLDER" if as_zip else f"cd {place}"
    lines.append(f"Check the files: {inside} && sha256sum -c SHA256SUMS")
    lines.append(
        "Look through rig files and logbook before you publish them: they hold addresses "
        "and initials."
    )
    return "\n".join(lines)
