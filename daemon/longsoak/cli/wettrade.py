"""`longsoak wettrade`: tell of concrete or mortar poured into the specimen, or list it."""

import json
import sys
from pathlib import Path

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, own_record, rig_file, table, told
from longsoak.cli.options import entry_options, number_of, photos_option
from longsoak.cli.writing import moment_said, recorded, write_entry
from longsoak.core.logbook import bay_called, text_of
from longsoak.core.wettrades import (
    CAUTION,
    SETTLING_DAYS,
    trade_content,
    trade_document,
    trade_words,
    wet_trades,
)
from longsoak.core.wording import time_words
from longsoak.service.clock import SystemClock
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.logbook import THE_RIG, WET_TRADE, LogbookEntry

_EXAMPLE = (
    'Example: longsoak wettrade rig.toml "Screed around the joist end" --bay "plain lime" '
    '--litres 40 --mix "lime 1, sand 3 by volume" --curing 18 --by mk'
)


@click.command(epilog=_EXAMPLE)
@rig_file
@click.argument("text", required=False)
@click.option("--litres", type=number_of("litres", 0.001, 1e4), help="Of the fresh mix.")
@click.option("--mix", help="What it is made of.")
@click.option(
    "--curing", type=number_of("a temperature in degC", -20.0, 80.0), help="degC, if known."
)
@click.option("--bay", help="The bay it went into. [default: the whole specimen]")
@click.option(
    "--settles",
    type=number_of("days", 0.01, 730.0),
    help=f"Days until readings there decide anything. [default: {SETTLING_DAYS:g}]",
)
@photos_option
@entry_options
def wettrade(
    rig_file: Path,
    text: str | None,
    litres: float | None,
    mix: str | None,
    curing: float | None,
    bay: str | None,
    settles: float | None,
    photos: tuple[Path, ...],
    at: str | None,
    by: str | None,
    corrects: int | None,
    as_json: bool,
) -> None:
    """Tell of concrete or mortar poured into or onto RIG_FILE's specimen, TEXT saying where.

    Its mix water and its alkali wet pins from inside. Until it has settled no limit over its bay is
    called held, and findings are told with and without what was read meanwhile. Without TEXT, list
    what was poured.
    """
    said = any(each is not None for each in (litres, mix, curing, bay, settles, at, by, corrects))
    if text is None and (said or photos):
        raise click.UsageError(
            'Write what was done behind the rig file: longsoak wettrade rig.toml "..."'
        )
    with told():
        if text is None:
            record, _ = own_record(rig_file)
            _list(record, as_json=as_json)
            sys.exit(DONE)
        if litres is None or mix is None:
            raise click.UsageError("Say how much was poured with --litres, and of what with --mix.")
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        entry = LogbookEntry(
            asked_utc_ms=now_ms,
            at_utc_ms=moment_said(at, record, corrects=corrects, kind=WET_TRADE, now_ms=now_ms),
            by=user() if by is None else by,
            says=text_of(text),
            kind=WET_TRADE,
            subject=THE_RIG if bay is None else bay_called(bay, rig),
            corrects=corrects,
            content=trade_content(
                litres=litres,
                mix=mix.strip(),
                curing_temperature=curing,
                settling_days=SETTLING_DAYS if settles is None else settles,
            ),
        )
        write_entry(record, rig, entry, photos, as_json=as_json, after=_after)


def _after(entry: LogbookEntry) -> list[str]:
    (trade,) = wet_trades([entry])
    return [f"It settles until {time_words(trade.until_ms)}.", CAUTION]


def _list(record: Record, *, as_json: bool) -> None:
    found = wet_trades(Logbook(record.folder).entries(kind=WET_TRADE))[::-1]
    if as_json:
        document = [trade_document(each) for each in found]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
    elif found:
        rows = [
            (
                str(each.number),
                time_words(each.at_ms),
                trade_words(each),
                time_words(each.until_ms),
                each.by,
                each.says.partition("\n")[0],
            )
            for each in found
        ]
        heads = ("number", "when", "what", "settles until", "by", "why")
        click.echo(table(heads, rows, right="number"))
    else:
        click.echo("Nothing was poured into the specimen.")
