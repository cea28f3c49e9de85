"""`longsoak weigh`: write down what the specimen weighs on a scale, or list it."""

import json
import sys
from pathlib import Path

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, own_record, rig_file, table, told
from longsoak.cli.options import entry_options, number_of, photos_option
from longsoak.cli.writing import moment_said, recorded, write_entry
from longsoak.core.logbook import text_of
from longsoak.core.water.entries import window_at, windows
from longsoak.core.weighings import (
    CAUTION,
    MOST_KG,
    no_window_words,
    remarks,
    weighing_content,
    weighing_document,
    weighing_words,
    weighings,
)
from longsoak.core.wording import time_words
from longsoak.service.clock import SystemClock
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.logbook import SERVICE, WEIGHING, LogbookEntry

_KG = number_of("a mass in kg", 0.0, MOST_KG)
_EXAMPLE = (
    'Example: longsoak weigh rig.toml "Lifted by the hoist" --reading 812.4 --reading 812.6 '
    "--reading 812.5 --gear 14.2 --scale hoist --drained 20 --by mk"
)
_NO_WINDOW = no_window_words("with `longsoak service`")


@click.command(epilog=_EXAMPLE)
@rig_file
@click.argument("text", required=False)
@click.option(
    "--reading", "readings", type=_KG, multiple=True, help="kg; three times or more, lifted anew."
)
@click.option("--scale", help="Which scale.")
@click.option("--tare", type=_KG, default="0", help="What the scale shows of itself, kg.")
@click.option("--gear", type=_KG, default="0", help="What hangs with the specimen, kg.")
@click.option(
    "--offset",
    type=number_of("a mass in kg", -MOST_KG, MOST_KG),
    default="0",
    help="kg to add, since hanging it up again or moved gear made it read otherwise.",
)
@click.option("--pump-on", is_flag=True, help="The pump ran meanwhile.")
@click.option(
    "--drained", type=number_of("minutes", 0.0, 1440.0), help="Minutes since the pump stopped."
)
@photos_option
@entry_options
def weigh(
    rig_file: Path,
    text: str | None,
    readings: tuple[float, ...],
    scale: str | None,
    tare: float,
    gear: float,
    offset: float,
    pump_on: bool,
    drained: float | None,
    photos: tuple[Path, ...],
    at: str | None,
    by: str | None,
    corrects: int | None,
    as_json: bool,
) -> None:
    """Write down a round of readings of the specimen of RIG_FILE on a scale, TEXT saying how.

    Lift it three times or more, and let it hang still each time. Stop the pump and let it drain as
    long each time, or weighings can't be held against each other. Without TEXT, list them.
    """
    given = readings or photos or any(x is not None for x in (scale, drained, at, by, corrects))
    if text is None and given:
        raise click.UsageError('Write how behind the rig file: longsoak weigh rig.toml "..."')
    with told():
        if text is None:
            record, _ = own_record(rig_file)
            _list(record, as_json=as_json)
            sys.exit(DONE)
        if scale is None or drained is None:
            raise click.UsageError("Say which --scale, and for how many minutes it --drained.")
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        entry = LogbookEntry(
            asked_utc_ms=now_ms,
            at_utc_ms=moment_said(at, record, corrects=corrects, kind=WEIGHING, now_ms=now_ms),
            by=user() if by is None else by,
            says=text_of(text),
            kind=WEIGHING,
            corrects=corrects,
            content=weighing_content(
                readings,
                scale=scale.strip(),
                tare=tare,
                gear=gear,
                offset=offset,
                pump_off=not pump_on,
                drained_min=drained,
            ),
        )
        there = window_at(windows(Logbook(record.folder).entries(kind=SERVICE)), entry.at_utc_ms)

        def after(written: LogbookEntry) -> list[str]:
            (found,) = weighings([written])
            missing = [] if there is not None else [_NO_WINDOW]
            return [f"{weighing_words(found)}.", *missing, CAUTION]

        write_entry(record, rig, entry, photos, as_json=as_json, after=after)


def _list(record: Record, *, as_json: bool) -> None:
    found = weighings(Logbook(record.folder).entries(kind=WEIGHING))
    if as_json:
        document = [weighing_document(each) for each in found]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
        return
    if not found:
        click.echo("The specimen was not weighed by hand.")
        return
    first = found[0].mass
    rows = [
        (
            str(each.number),
            time_words(each.at_ms),
            weighing_words(each),
            f"{each.mass - first:+.2f}",
            each.scale,
            each.by,
        )
        for each in found
    ]
    heads = ("number", "when", "mass", "gain", "scale", "by")
    click.echo(table(heads, rows, right="number gain"))
    for words in remarks(found):
        click.echo(words)
