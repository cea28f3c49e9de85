"""`longsoak bands`: propose bands that readings are expected in, from what was read so far."""

import sys
from pathlib import Path

import click

from longsoak.cli.common import DONE, FOUND_WRONG, rig_file, told
from longsoak.cli.writing import recorded
from longsoak.core.quality.bands import FEWEST, propose
from longsoak.core.quality.limits import DAY_MS
from longsoak.core.wording import day_words
from longsoak.rigfile.report import number, quoted
from longsoak.store.reader import Record
from longsoak.vocabulary.rig import JUDGED, Band, Probe, Rig

_HEAD = """\
# Proposed from {days} days, {first} to {last}; nothing was applied. Each band is what was
# read in these days and half as much beyond. Leave out what says nothing of the weeks to come, as
# of a pair that the water has yet to reach, correct the rest by what you know, name the days of the
# test it is for, as in days = [1, 60], and add it to {file}.
"""


@click.command(epilog="Example: longsoak bands rig.toml --days 28 >> bands.toml")
@rig_file
@click.option(
    "--days",
    type=click.IntRange(FEWEST, 3660),
    default=28,
    show_default=True,
    help="How many of the first days to go by.",
)
@click.option("--probe", "names", multiple=True, help="One probe; may be repeated. [default: all]")
def bands(rig_file: Path, days: int, names: tuple[str, ...]) -> None:
    """Propose a band for each probe of RIG_FILE from the first days, as tables of the rig file.

    They are printed and never applied: a reading outside a band is doubted only once you have put
    the band into the rig file.
    """
    with told():
        record, rig = recorded(rig_file)
        if unknown := [name for name in names if name not in {p.name for p in rig.probes}]:
            raise click.UsageError(f"There is no probe {unknown[0]!r} on this rig.")
        probes = [p for p in rig.probes if p.kind in JUDGED and (not names or p.name in names)]
        since_ms = _day_1(rig, record)
        until_ms = since_ms + days * DAY_MS
        last_ms = record.last_utc_ms() or since_ms
        until_ms = min(until_ms, last_ms // DAY_MS * DAY_MS)  # of days that are over
        proposed = _proposed(record, probes, since_ms, until_ms) if until_ms > since_ms else []
    if not proposed:
        click.echo(
            f"No probe was read on {FEWEST} whole days yet; ask again once that is so.", err=True
        )
        sys.exit(FOUND_WRONG)
    click.echo(
        _HEAD.format(
            days=(until_ms - since_ms) // DAY_MS,
            first=day_words(since_ms),
            last=day_words(until_ms - 1),
            file=rig_file,
        )
    )
    click.echo("\n".join(_table(band) for band in proposed), nl=False)
    sys.exit(DONE)


def _day_1(rig: Rig, record: Record) -> int:
    if rig.start_ms is not None:
        return rig.start_ms
    return -(-(record.first_utc_ms() or 0) // DAY_MS) * DAY_MS


def _proposed(record: Record, probes: list[Probe], since_ms: int, until_ms: int) -> list[Band]:
    found = []
    count = (until_ms - since_ms) // DAY_MS
    reduced = record.reduced(
        [probe.name for probe in probes], since_ms=since_ms, until_ms=until_ms, buckets=24 * count
    )
    for probe in probes:
        ranges: dict[int, tuple[float, float]] = {}
        for bucket in reduced[probe.name]:
            if bucket.low is None or bucket.high is None or bucket.wetter or bucket.drier:
                continue
            day = bucket.utc_ms // DAY_MS
            low, high = ranges.get(day, (bucket.low, bucket.high))
            ranges[day] = min(low, bucket.low), max(high, bucket.high)
        band = propose(probe, list(ranges.values()))
        if band is not None:
            found.append(band)
    return found


def _table(band: Band) -> str:
    moves = f"moves = {number(band.moves)}\n" if band.moves else ""
    return (
        f"[[bands]]\nprobe = {quoted(band.probe)}\nlow = {number(band.low)}\n"
        f"high = {number(band.high)}\n{moves}"
    )
