"""`longsoak hand`: write down what a hand meter read, place by place, or list it."""

import json
import sys
from collections.abc import Callable
from pathlib import Path

import click
from click.core import ParameterSource

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, a_path, own_record, rig_file, table, told
from longsoak.cli.handcheck import checks_words, write_check
from longsoak.cli.options import number_of
from longsoak.cli.writing import moment_said, recorded, write_entries, write_entry
from longsoak.core.handplaces import (
    HandReading,
    hand_document,
    hand_readings,
    next_round,
    rounds_words,
    told_after,
)
from longsoak.core.handreadings import (
    GRAINS,
    PINS,
    UNITS,
    Place,
    Setting,
    hand_content,
    place_of,
    said_words,
    shown_on,
)
from longsoak.core.logbook import bay_called, text_of
from longsoak.core.metercheck import WHEN, meter_checks, rounds_over
from longsoak.core.wording import time_words
from longsoak.service.clock import SystemClock
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.logbook import HAND, METER_CHECK, LogbookEntry
from longsoak.vocabulary.rig import Rig

_MM = number_of("a number of mm", 0.0, 1e5)
_CELSIUS = number_of("a temperature in degC", -40.0, 80.0)
_OF_A_CHECK = {
    *("rig_file", "nominal", "value", "unit", "when", "round_name", "meter", "at", "by"),
    *("corrects", "as_json"),
}
_EXAMPLE = (
    'Example: longsoak hand rig.toml --bay "plain lime" --depth 45 --height 120 --value 17.5 '
    '--meter "pin meter 2" --scale spruce --by mk'
)


@click.command(epilog=_EXAMPLE)
@rig_file
@click.option("--bay", help="The bay it was taken in.")
@click.option("--depth", type=_MM, help="mm from the wet face.")
@click.option("--height", type=_MM, help="mm above the underside.")
@click.option("--across", type=_MM, help="mm from the left edge, seen from the wet face.")
@click.option("--value", help='What the meter shows: "17.5", ">60" at its end, or "120 MOhm".')
@click.option("--unit", type=click.Choice(UNITS), help="Of a bare number. [default: %]")
@click.option("--csv", "csv_file", type=a_path, help="A file with a line for each place.")
@click.option("--round", "round_name", help="The round it belongs to. [default: the one going on]")
@click.option("--meter", help="Which meter.")
@click.option("--scale", help="The species, group or material it was set to.")
@click.option("--correction-temperature", type=_CELSIUS, help="degC it was set to, if it asks.")
@click.option("--wood-temperature", type=_CELSIUS, help="degC of the wood, if known.")
@click.option(
    "--uncertainty",
    type=number_of("a standard uncertainty", 1e-9, 1e13),
    help="Standard, in the unit of the value, if known.",
)
@click.option("--grain", type=click.Choice(GRAINS[1:]), help="How the pins stand to the grain.")
@click.option("--pins", type=click.Choice(PINS[1:]), help="What pins they are.")
@click.option("--same-hole", is_flag=True, help="It is an old hole again, on purpose.")
@click.option("--note", help="What else there is to say of it.")
@click.option("--photo", "photos", type=a_path, multiple=True, help="A photo to go with it.")
@click.option(
    "--at", help='When it was, UTC, as in "2026-05-04 14:20". [default: now, or as it was]'
)
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
@click.option("--corrects", type=int, help="The number of the entry it sets right.")
@click.option(
    "--check-block",
    "nominal",
    help="Keep a check of the meter on a test block: what the block should show.",
)
@click.option("--when", type=click.Choice(WHEN), help="The check is before or after its round.")
@click.option("--compare", is_flag=True, help="Hold rounds that are over against the rig's pins.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def hand(
    rig_file: Path,
    bay: str | None,
    depth: float | None,
    height: float | None,
    across: float | None,
    value: str | None,
    unit: str | None,
    csv_file: Path | None,
    round_name: str | None,
    meter: str | None,
    scale: str | None,
    correction_temperature: float | None,
    wood_temperature: float | None,
    uncertainty: float | None,
    grain: str | None,
    pins: str | None,
    same_hole: bool,
    note: str | None,
    photos: tuple[Path, ...],
    at: str | None,
    by: str | None,
    corrects: int | None,
    nominal: str | None,
    when: str | None,
    compare: bool,
    as_json: bool,
) -> None:
    """Keep what a hand meter read at a place of RIG_FILE's specimen, or list all readings by hand.

    Take it before you look at what the embedded pins read there. Readings taken one after another
    with the same meter and setting are a round, and --csv keeps a whole one: a header line, then
    the columns bay, depth_mm, height_mm and value, and any of across_mm, unit, at,
    wood_temperature, note, same_hole and what the options here say. Where a line's cell is empty,
    the option stands for it.

    Check the meter on its test block before and after a round with --check-block, and what it
    shows as --value. A round is over once each of its meters was checked after it, or 18 h after
    its last reading: from then on --compare holds it against the embedded pins.
    """
    place = (bay, depth, height, value)
    if csv_file is not None and any(each is not None for each in (*place, across, corrects)):
        raise click.UsageError("With --csv the places and values stand in the file.")
    if csv_file is not None and photos:
        raise click.UsageError("A photo goes with one reading: write that one without --csv.")
    given = _given()
    if compare:
        if given - {"rig_file", "compare", "as_json"}:
            raise click.UsageError("--compare goes with --json alone: it writes nothing.")
        from longsoak.cli.handcompare import compare_rounds

        compare_rounds(rig_file, as_json=as_json)
    if nominal is None and when is not None:
        raise click.UsageError("--when goes with --check-block.")
    if nominal is not None:
        if given - _OF_A_CHECK:
            raise click.UsageError(
                "A check on a test block has --value, --unit, --when, --round, --meter, --at, --by "
                "and --corrects, and nothing of a place."
            )
        if value is None:
            raise click.UsageError("Say what the meter shows on the block with --value.")
    if csv_file is None and value is None:
        said = (*place, across, round_name, meter, scale, note, at, by, corrects)
        if any(each is not None for each in said) or photos:
            raise click.UsageError(f"Say what the meter shows with --value. {_EXAMPLE}")
        with told():
            record, _ = own_record(rig_file)
            _list(record, as_json=as_json)
            sys.exit(DONE)
    with told():
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        entries = Logbook(record.folder).entries()
        known = hand_readings(entries)
        over = rounds_over(known, meter_checks(entries))
        kind = HAND if nominal is None else METER_CHECK
        at_ms = moment_said(at, record, corrects=corrects, kind=kind, now_ms=now_ms)
        setting = Setting(
            round=next_round(known, now_ms=at_ms, over=over)
            if round_name is None
            else round_name.strip(),
            meter=(meter or "").strip(),
            scale=(scale or "").strip(),
            correction_temperature=correction_temperature,
            uncertainty=uncertainty,
            grain=grain or "",
            pins=pins or "",
        )
        who, more = user() if by is None else by, text_of(note or "")
        if nominal is not None:
            write_check(
                record,
                rig,
                known,
                setting,
                nominal=nominal,
                value=value or "",
                unit=unit or UNITS[0],
                when=when,
                by=who,
                at_ms=at_ms,
                now_ms=now_ms,
                corrects=corrects,
                as_json=as_json,
            )
        if csv_file is not None:
            from longsoak.cli.handfile import Usual, entries_in

            usual = Usual(
                setting, unit or UNITS[0], wood_temperature, more, who, at_ms, now_ms, same_hole
            )
            found = entries_in(csv_file, rig, usual)
            write_entries(record, rig, found, as_json=as_json, after=_after(rig, known))
        if bay is None or depth is None or height is None:
            raise click.UsageError(f"Say where with --bay, --depth and --height. {_EXAMPLE}")
        subject = bay_called(bay, rig)
        content = hand_content(
            Place(depth, height, across),
            shown_on(value or "", unit=unit or UNITS[0]),
            setting,
            wood_temperature=wood_temperature,
            note=more,
            same_hole=same_hole,
        )
        entry = LogbookEntry(
            asked_utc_ms=now_ms,
            at_utc_ms=at_ms,
            by=who,
            says=said_words(subject.name, content),
            kind=HAND,
            subject=subject,
            corrects=corrects,
            content=content,
        )
        write_entry(record, rig, entry, photos, as_json=as_json, after=_after(rig, known))


def _given() -> set[str]:
    """The names of what was said on the command line."""
    context = click.get_current_context()
    return {
        name
        for name in context.params
        if context.get_parameter_source(name) is ParameterSource.COMMANDLINE
    }


def _after(rig: Rig, known: list[HandReading]) -> Callable[[LogbookEntry], list[str]]:
    """What is told of each entry once it is kept; its hole is an old one for the next."""
    holes = list(known)

    def after(entry: LogbookEntry) -> list[str]:
        place, bay = place_of(entry.content), entry.subject.name
        others = [hole for hole in holes if hole.number != entry.corrects]
        holes.extend(hand_readings([entry]))
        return told_after(place, bay, str(entry.content["round"]), rig, others)

    return after


def _list(record: Record, *, as_json: bool) -> None:
    entries = Logbook(record.folder).entries()
    found = [reading for reading in hand_readings(entries)[::-1] if reading.counts]
    if as_json:
        document = [hand_document(reading) for reading in found]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
    elif found:
        heads = ("number", "at", "by", "round", "bay", "depth", "height", "value", "scale", "meter")
        rows = [
            (
                str(reading.number),
                time_words(reading.at_ms),
                reading.by,
                reading.setting.round,
                reading.bay,
                f"{reading.place.depth:g}",
                f"{reading.place.height:g}",
                reading.shown.words,
                reading.setting.scale,
                reading.setting.meter,
            )
            for reading in found
        ]
        click.echo(table(heads, rows, right="number depth height"))
        click.echo(f"{rounds_words(found)}, the newest first; depth and height in mm.")
        click.echo("\n".join(checks_words(found, meter_checks(entries))))
    else:
        click.echo("Nothing was read by hand yet.")
