"""`longsoak saw`: write down what was seen at a place and its grade, or list how that went."""

import json
import sys
from pathlib import Path

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, own_record, rig_file, table, told
from longsoak.cli.options import number_of, photos_option
from longsoak.cli.writing import moment_said, recorded, write_entry
from longsoak.core.gradescales import grade_called, scale_called
from longsoak.core.logbook import bay_called, text_of
from longsoak.core.observations import (
    Observation,
    SeenAt,
    Series,
    course_words,
    observation_content,
    observation_document,
    observations,
    series_of,
    told_of,
)
from longsoak.core.wording import time_words
from longsoak.service.clock import SystemClock
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.logbook import OBSERVATION, LogbookEntry
from longsoak.vocabulary.observation import Face, Looked

_MM = number_of("a number of mm", 0.0, 1e5)
_EXAMPLE = (
    'Example: longsoak saw rig.toml "Grey tufts in the corner" --of growth --grade 1 '
    '--bay "plain lime" --face dry --height-from 0 --height-to 120 --by mk'
)


@click.command(epilog=_EXAMPLE)
@rig_file
@click.argument("text", required=False)
@click.option("--of", help="What was looked for: growth, staining, salt bloom and so on.")
@click.option("--grade", help="How much there was, 0 for nothing, or the words of that grade.")
@click.option("--scale", help="The scale it is graded on. [default: the first there is for it]")
@click.option("--bay", help="The bay it was looked for in.")
@click.option(
    "--face", type=click.Choice(list(map(str, Face))), help="The face that was looked at."
)
@click.option("--depth", type=_MM, help="mm from the wet face, where it was laid open.")
@click.option("--height-from", "low", type=_MM, help="mm above the underside. [default: all of it]")
@click.option("--height-to", "high", type=_MM, help="mm above the underside.")
@click.option("--extent", type=number_of("a share in %", 0.0, 100.0), help="How much of it, in %.")
@click.option("--magnified", is_flag=True, help="Looked at under magnification. [default: by eye]")
@photos_option
@click.option(
    "--at", help='When it was, UTC, as in "2026-05-04 14:20". [default: now, or as it was]'
)
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
@click.option("--corrects", type=int, help="The number of the entry it sets right.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def saw(
    rig_file: Path,
    text: str | None,
    of: str | None,
    grade: str | None,
    scale: str | None,
    bay: str | None,
    face: str | None,
    depth: float | None,
    low: float | None,
    high: float | None,
    extent: float | None,
    magnified: bool,
    photos: tuple[Path, ...],
    at: str | None,
    by: str | None,
    corrects: int | None,
    as_json: bool,
) -> None:
    """Keep what was seen on RIG_FILE's specimen, in the words of TEXT and as a grade, or list it.

    Look at the same places again and again, from before the water came on, and write down too that
    nothing was seen: grade 0. Without TEXT all is listed place by place, the oldest first, or what
    --of and --bay leave of it. Scales of your own are [[scales]] of the rig file.
    """
    if text is None:
        more = (grade, scale, face, depth, low, high, extent, at, by, corrects)
        if any(each is not None for each in more) or magnified or photos:
            raise click.UsageError(f"Write what was seen behind the rig file. {_EXAMPLE}")
        with told():
            record, _ = own_record(rig_file)
            _list(record, of, bay, as_json=as_json)
            sys.exit(DONE)
    if of is None or grade is None or bay is None:
        raise click.UsageError(f"Say what it is with --of, --grade and --bay. {_EXAMPLE}")
    if (face is None) == (depth is None):
        raise click.UsageError(
            "Say where it is with --face, or with --depth where it was laid open."
        )
    with told():
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        subject, found = bay_called(bay, rig), scale_called(scale, of, rig)
        entry = LogbookEntry(
            asked_utc_ms=now_ms,
            at_utc_ms=moment_said(at, record, corrects=corrects, kind=OBSERVATION, now_ms=now_ms),
            by=user() if by is None else by,
            says=text_of(text),
            kind=OBSERVATION,
            subject=subject,
            corrects=corrects,
            content=observation_content(
                SeenAt(subject.name, face, depth, low, high),
                of=of,
                scale=found,
                grade=grade_called(grade, found),
                extent=extent,
                looked=Looked.MAGNIFIED if magnified else Looked.BY_EYE,
            ),
        )
        for caution in told_of(of):  # at once: the entry may have to wait for the measuring process
            click.echo(caution, err=True)
        write_entry(record, rig, entry, photos, as_json=as_json)


def _list(record: Record, of: str | None, bay: str | None, *, as_json: bool) -> None:
    found = [
        each
        for each in observations(Logbook(record.folder).entries(kind=OBSERVATION))
        if of in (None, each.of) and bay in (None, each.at.bay)
    ]
    if as_json:
        document = [observation_document(each) for each in found]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
    elif found:
        click.echo("\n\n".join(map(_course, series_of(found))))
    elif of is None and bay is None:
        click.echo("Nothing was written down as seen yet.")
    else:
        click.echo("Nothing of that was written down as seen.")


def _course(series: Series) -> str:
    heads = ("number", "at", "by", "grade", "in words", "extent", "looked", "photos", "said")
    rows = table(heads, [_row(each) for each in series.seen], right="number extent photos")
    return f"{series.of}, {series.at.words}. {course_words(series)}\n{rows}"


def _row(seen: Observation) -> tuple[str, ...]:
    return (
        str(seen.number),
        time_words(seen.at_ms),
        seen.by,
        f"{seen.grade} of {seen.highest} by {seen.scale}",
        seen.word,
        "" if seen.extent is None else f"{seen.extent:g} %",
        seen.looked,
        str(len(seen.photos)),
        seen.says.partition("\n")[0],
    )
