"""`longsoak sample`: write down a piece that was cut out and dried, or list them."""

import json
import sys
import textwrap
from pathlib import Path

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, own_record, rig_file, table, told
from longsoak.cli.options import number_of
from longsoak.cli.writing import moment_said, recorded, write_entry
from longsoak.core.logbook import bay_called, text_of
from longsoak.core.samples import (
    OVEN,
    completed_content,
    moisture_words,
    remarks,
    sample_document,
    sample_said,
    samples,
    whole_content,
)
from longsoak.core.wording import time_words
from longsoak.report.sampleagreement import sample_agreement
from longsoak.report.sampleagreementwords import (
    COLUMNS,
    FOOT,
    RIGHT,
    pair_row,
    sample_agreement_document,
    sentences,
)
from longsoak.service.clock import SystemClock
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.logbook import SAMPLE, LogbookEntry
from longsoak.vocabulary.proof import Json

_WIDTH = 78
_MM = number_of("a number of mm", 0.0, 1e5)
_GRAMS = number_of("a mass in g", 0.0, 1e6)
_CALLED = {
    "bay": "--bay",
    "identity": "its identity",
    **dict.fromkeys(("depth_from_mm", "depth_to_mm"), "--depth FROM TO"),
    "height_mm": "--height",
    "material": "--material",
    "dry_cut": "--cut",
    "sealed": "--sealed or --not-sealed",
    "minutes": "--minutes",
    "wet_g": "--wet",
}
_EXAMPLE = (
    'Example: longsoak sample rig.toml K1 --bay "plain lime" --depth 60 80 --height 120 '
    "--material wood --cut dry --sealed --minutes 4 --wet 152.30 --by mk"
)


@click.command(epilog=_EXAMPLE)
@rig_file
@click.argument("identity", required=False)
@click.option("--bay", help="The bay it was cut from.")
@click.option("--depth", type=_MM, nargs=2, help="mm from the wet face, from and to.")
@click.option("--height", type=_MM, help="mm above the underside.")
@click.option("--across", type=_MM, help="mm from the left edge, seen from the wet face.")
@click.option("--material", type=click.Choice(tuple(OVEN)), help="What it is of.")
@click.option("--cut", type=click.Choice(("dry", "wet")), help="Cut without water, or with.")
@click.option("--sealed/--not-sealed", default=None, help="Sealed at once, or not.")
@click.option("--minutes", type=number_of("minutes", 0.0, 1e5), help="Until the balance.")
@click.option("--wet", type=_GRAMS, help="g as it was, with its container.")
@click.option("--tare", type=_GRAMS, help="g of its container.")
@click.option("--oven", type=number_of("degC", 20.0, 200.0), help="degC of the oven.")
@click.option("--dry", type=_GRAMS, help="g oven-dry, with its container.")
@click.option("--second-dry", type=_GRAMS, help="g dry, weighed again at the end of the test.")
@click.option("--balance", type=_GRAMS, help="Standard uncertainty of a weighing, g, if known.")
@click.option("--note", help="What else there is to say of it.")
@click.option(
    "--at", help='When it was cut, UTC, as in "2026-05-04 14:20". [default: now, or as it was]'
)
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
@click.option("--corrects", type=int, help="The number of the entry it completes or sets right.")
@click.option("--compare", is_flag=True, help="Hold the rig's pins against dried samples.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def sample(
    rig_file: Path,
    identity: str | None,
    bay: str | None,
    depth: tuple[float, float] | None,
    height: float | None,
    across: float | None,
    material: str | None,
    cut: str | None,
    sealed: bool | None,
    minutes: float | None,
    wet: float | None,
    tare: float | None,
    oven: float | None,
    dry: float | None,
    second_dry: float | None,
    balance: float | None,
    note: str | None,
    at: str | None,
    by: str | None,
    corrects: int | None,
    compare: bool,
    as_json: bool,
) -> None:
    """Keep a sample called IDENTITY, cut out of RIG_FILE's specimen, or list all samples.

    Write it down when it was weighed wet. Once it is oven-dry, complete it: --corrects with its
    entry's number, --oven and --dry; what is not said again stays. Keep off wires and pipes when
    you cut. Dust may hold mould, silica or asbestos: wear what your local rules ask, and leave what
    they leave to licensed people.
    """
    said: dict[str, Json] = {
        "identity": None if identity is None else identity.strip(),
        "depth_from_mm": None if depth is None else depth[0],
        "depth_to_mm": None if depth is None else depth[1],
        "height_mm": height,
        "across_mm": across,
        "material": material,
        "dry_cut": None if cut is None else cut == "dry",
        "sealed": sealed,
        "minutes": minutes,
        "wet_g": wet,
        "tare_g": tare,
        "oven": oven,
        "dry_g": dry,
        "second_dry_g": second_dry,
        "balance_g": balance,
        "note": None if note is None else text_of(note),
    }
    anything = any(value is not None for value in (*said.values(), bay, at, by))
    if compare:
        if anything or corrects is not None:
            raise click.UsageError("--compare goes with --json alone: it writes nothing.")
        with told():
            record, _ = own_record(rig_file)
            _compare(record, as_json=as_json)
            sys.exit(DONE)
    if corrects is None and identity is None:
        if anything:
            raise click.UsageError(f"Say the sample's identity behind the rig file. {_EXAMPLE}")
        with told():
            record, _ = own_record(rig_file)
            _list(record, as_json=as_json)
            sys.exit(DONE)
    with told():
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        was = None if corrects is None else Logbook(record.folder).entry(corrects)
        if was is not None and was.kind == SAMPLE:
            content = completed_content(was, said)
            subject = was.subject if bay is None else bay_called(bay, rig)
        else:
            content = whole_content(said, bay=bay, called=_CALLED, no_sample=corrects)
            subject = bay_called(bay or "", rig)
        write_entry(
            record,
            rig,
            LogbookEntry(
                asked_utc_ms=now_ms,
                at_utc_ms=moment_said(at, record, corrects=corrects, kind=SAMPLE, now_ms=now_ms),
                by=user() if by is None else by,
                says=sample_said(subject.name, content),
                kind=SAMPLE,
                subject=subject,
                corrects=corrects,
                content=content,
            ),
            (),
            as_json=as_json,
        )


def _list(record: Record, *, as_json: bool) -> None:
    found = samples(Logbook(record.folder).entries(kind=SAMPLE))[::-1]
    if as_json:
        document = [sample_document(each) for each in found]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
        return
    if not found:
        click.echo("No sample was written down.")
        return
    heads = ("number", "sample", "at", "by", "bay", "depth", "height", "material", "moisture")
    rows = [
        (
            str(each.number),
            each.identity,
            time_words(each.at_ms),
            each.by,
            each.bay,
            f"{each.depth[0]:g} to {each.depth[1]:g}",
            f"{each.height:g}",
            each.material,
            moisture_words(each),
        )
        for each in found
    ]
    click.echo(table(heads, rows, right="number height"))
    click.echo(
        "Depth and height in mm, moisture in % of the dry mass; ± is twice what the balance alone "
        "leaves uncertain."
    )
    for each in found:
        for words in remarks(each):
            click.echo(f"{each.identity}: {words}")


def _compare(record: Record, *, as_json: bool) -> None:
    found = sample_agreement(record, now_ms=SystemClock().utc_ms())
    if as_json:
        document = sample_agreement_document(found)
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
        return
    if not found.pairs and not found.left_out:
        click.echo("No sample was written down.")
        return
    if found.pairs:
        click.echo(table(COLUMNS, list(map(pair_row, found.pairs)), right=RIGHT))
        click.echo(FOOT)
    for words in sentences(found):
        click.echo(textwrap.fill(words, _WIDTH))
