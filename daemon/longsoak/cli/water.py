"""`longsoak water`: how the water stands, and what people measure and pour by hand."""

import json
import sys
from pathlib import Path

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, FOUND_WRONG, rig_file, told
from longsoak.cli.options import number_of
from longsoak.cli.waterwords import lines
from longsoak.cli.writing import recorded, write_entry
from longsoak.core.logbook import bay_called
from longsoak.core.moments import moment_of
from longsoak.core.water.entries import MOST_LITRES, top_up_content, top_up_words
from longsoak.core.water.rounds import (
    CUP_HOLDS,
    cup_content,
    cup_words,
    face_below,
    round_content,
    round_words,
)
from longsoak.service.clock import SystemClock
from longsoak.store.waterdocument import document
from longsoak.store.waterlook import look
from longsoak.vocabulary.errors import PhysicsError, RequestError
from longsoak.vocabulary.logbook import CUP, THE_RIG, TOP_UP, WATER, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig

_EXAMPLE = (
    "Example: longsoak water rig.toml --round --conductivity 420 --at-temperature 18 --ph 8.1 "
    '--source "rain butt"'
)


@click.command(epilog=_EXAMPLE)
@rig_file
@click.option("--round", "is_round", is_flag=True, help="Write a water round into the logbook.")
@click.option(
    "--conductivity",
    type=number_of("a conductivity in µS/cm", 0, 300_000),
    help="As the meter says it.",
)
@click.option(
    "--at-temperature",
    type=number_of("a temperature in °C", -5, 60),
    help="Of the water, if the meter does not compensate to 25 °C itself.",
)
@click.option("--ph", type=number_of("a pH", 0, 14), help="Its pH.")
@click.option("--colour", default="", help="What it looks like.")
@click.option("--source", default="", help="Where it comes from.")
@click.option(
    "--biocide", default="", help="What was put in against algae and mould, and how much."
)
@click.option("--cup", "bay", help="Write a cup catch: the bay it was made in.")
@click.option(
    "--litres", type=number_of("a number of litres", 0, CUP_HOLDS), help="That the cup caught."
)
@click.option(
    "--minutes", type=number_of("a number of minutes", 0.01, 1440), help="In which it did."
)
@click.option(
    "--area", type=number_of("an area in m²", 0.0001, 100), help="Of the face the cup stands for."
)
@click.option(
    "--width",
    type=number_of("a width in mm", 0.1, 100_000),
    help="Of the cup, in place of the area: the face above it counts. [default: the bay's]",
)
@click.option(
    "--topped-up",
    "poured",
    type=number_of("a number of litres", 0.01, MOST_LITRES),
    help="Write a top-up: the litres you poured.",
)
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
@click.option("--at", help='When it was, UTC, as in "2026-05-04 14:20". [default: now]')
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def water(
    rig_file: Path,
    is_round: bool,
    conductivity: float | None,
    at_temperature: float | None,
    ph: float | None,
    colour: str,
    source: str,
    biocide: str,
    bay: str | None,
    litres: float | None,
    minutes: float | None,
    area: float | None,
    width: float | None,
    poured: float | None,
    by: str | None,
    at: str | None,
    as_json: bool,
) -> None:
    """Tell how the water of RIG_FILE stands, or write down what you measured or poured.

    Without an option: level, litres, clearance, what is lost a day and where it goes, days until
    the pump would run dry, top-ups as the level shows them beside those written down, the balance
    of seven days, contacts and what they set aside, how long each bay was wetted, cup catches and
    how much saltier the water has become.

    Handle a biocide as its label says. Keep mains leads away from the water and above it.
    """
    writes = [
        name
        for name, given in (
            ("--round", is_round),
            ("--cup", bay is not None),
            ("--topped-up", poured is not None),
        )
        if given
    ]
    if len(writes) > 1:
        raise click.UsageError(f"Write one thing at a time: {' and '.join(writes)} are two.")
    of_round = (conductivity, at_temperature, ph) != (None, None, None) or colour or biocide
    if of_round and not is_round:
        raise click.UsageError("What the water is like goes with --round.")
    if (litres, minutes, area, width) != (None,) * 4 and bay is None:
        raise click.UsageError("--litres, --minutes, --area and --width go with --cup.")
    if not writes and (by or at or source):
        raise click.UsageError("--by, --at and --source go with --round, --cup or --topped-up.")
    with told():
        record, rig = recorded(rig_file)
        if rig.reservoir is None:
            raise RequestError(
                f"{rig_file} has no table headed [reservoir], so there is no water to speak of."
            )
        now_ms = SystemClock().utc_ms()
        if not writes:
            seen = look(record, rig, now_ms=now_ms)
            if as_json:
                click.echo(json.dumps(document(seen), ensure_ascii=False, indent=1))
            else:
                click.echo("\n".join(lines(seen, rig, now_ms=now_ms)))
            sys.exit(FOUND_WRONG if seen.worries else DONE)
        try:
            if is_round:
                content = round_content(
                    conductivity=conductivity,
                    at_temperature=at_temperature,
                    ph=ph,
                    colour=colour,
                    source=source,
                    biocide=biocide,
                )
                kind, subject, says = WATER, THE_RIG, round_words(content)
            elif bay is not None:
                kind, subject = CUP, bay_called(bay, rig)
                content = _cup(rig, subject, litres, minutes, area, width)
                says = cup_words(content, subject.name)
            else:
                content = top_up_content(litres=None, litres_by_can=poured, source=source)
                kind, subject, says = TOP_UP, THE_RIG, top_up_words(content)
        except PhysicsError as error:
            raise RequestError(f"{error}. Nothing was kept.") from error
        entry = LogbookEntry(
            asked_utc_ms=now_ms,
            at_utc_ms=now_ms if at is None else moment_of(at, now_ms=now_ms),
            by=user() if by is None else by,
            says=says,
            kind=kind,
            subject=subject,
            content=content,
        )
        write_entry(record, rig, entry, (), as_json=as_json)


def _cup(
    rig: Rig,
    subject: Subject,
    litres: float | None,
    minutes: float | None,
    area: float | None,
    width: float | None,
) -> dict[str, Json]:
    if litres is None or minutes is None:
        raise RequestError("A cup catch has --litres and --minutes. Nothing was kept.")
    if area is not None and width is not None:
        raise RequestError("Name the cup's --area or its --width, not both. Nothing was kept.")
    if area is None:
        area = face_below(rig, subject.name, width=width)
    return cup_content(litres=litres, minutes=minutes, area_m2=area)
