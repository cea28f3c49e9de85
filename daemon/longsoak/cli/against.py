"""`longsoak against`: hold a sensor against a value that is known, and keep what came of it."""

import json
import sys
from pathlib import Path

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, rig_file, table, told
from longsoak.cli.writing import recorded, write_entry
from longsoak.core.knownvalues import (
    KINDS,
    SALT_UNCERTAINTY,
    SALTS,
    Known,
    checks_of,
    held_against,
    humidity_over,
)
from longsoak.core.logbook import text_of
from longsoak.core.logbookwords import entry_document
from longsoak.core.wording import day_words
from longsoak.service.clock import SystemClock
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import PhysicsError, RequestError
from longsoak.vocabulary.logbook import KNOWN, About, LogbookEntry, Subject
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Kind, Probe, Rig


@click.command(
    epilog='Example: longsoak against rig.toml "shop RH" --salt "sodium chloride" --by mk'
)
@rig_file
@click.argument("probe", required=False)
@click.argument("text", required=False)
@click.option("--salt", type=click.Choice(list(SALTS)), help="A saturated solution of this salt.")
@click.option("--value", type=float, help="Any other value that is known, in the probe's unit.")
@click.option("--uncertainty", type=float, help="Its standard uncertainty, needed with --value.")
@click.option(
    "--temperature", type=float, help="degC over the salt. [default: of the probe at its place]"
)
@click.option(
    "--minutes",
    type=click.FloatRange(0.1, 1440),
    default=10.0,
    show_default=True,
    help="How far back its readings are taken from.",
)
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def against(
    rig_file: Path,
    probe: str | None,
    text: str | None,
    salt: str | None,
    value: float | None,
    uncertainty: float | None,
    temperature: float | None,
    minutes: float,
    by: str | None,
    as_json: bool,
) -> None:
    """Hold PROBE against a known value and write it into the logbook, or list all such checks.

    A humidity probe in a jar over a saturated salt, a thermometer in melting ice (--value 0), a
    level beside a ruler. The readings of the last minutes are compared with it; TEXT is what you
    want to say beside. No reading is changed by it. Flag the time it was away from its place:
    longsoak flag --as "not evaluated".
    """
    if probe is not None and (salt is None) == (value is None):
        raise click.UsageError("Say what it is held against, with --salt or with --value.")
    if (value is None) != (uncertainty is None):
        raise click.UsageError("--value needs --uncertainty, and nothing else does.")
    if uncertainty is not None and uncertainty < 0:
        raise click.UsageError("--uncertainty is 0 or more.")
    with told():
        record, rig = recorded(rig_file)
        if probe is None:
            _list(record, rig, as_json=as_json)
            sys.exit(DONE)
        of = _probe(rig, probe)
        now_ms = SystemClock().utc_ms()
        since_ms = now_ms - round(minutes * 60_000)
        readings = _readings(record, of, since_ms, now_ms)
        if salt is not None:
            if of.kind is not Kind.HUMIDITY:
                raise RequestError(f"{of.name} is no humidity probe. Nothing was kept.")
            warm = (
                _warmth(record, rig, of, since_ms, now_ms) if temperature is None else temperature
            )
            words = f"{salt} at {warm:.1f} °C" if salt == "water" else f"saturated {salt}"
            try:
                known = Known(humidity_over(salt, warm), SALT_UNCERTAINTY, words)
            except PhysicsError as error:
                raise RequestError(f"The {error}. Nothing was kept.") from error
        else:
            known = Known(value or 0.0, uncertainty or 0.0, "a known value")
        held = held_against(readings, known)
        says = held.words(of) if text is None else f"{held.words(of)} {text_of(text)}"
        entry = LogbookEntry(
            asked_utc_ms=now_ms,
            at_utc_ms=now_ms,
            by=user() if by is None else by,
            says=says,
            kind=KNOWN,
            subject=Subject(About.PROBE, of.name),
            content=held.content,
        )
        if not as_json:
            click.echo(held.words(of))
        write_entry(record, rig, entry, (), as_json=as_json)


def _probe(rig: Rig, name: str) -> Probe:
    found = next((probe for probe in rig.probes if probe.name == name), None)
    if found is None:
        raise RequestError(f"There is no probe {name!r} on this rig. Nothing was kept.")
    if found.kind not in KINDS:
        raise RequestError(
            f"{name} is of kind {found.kind.value}, expected one of {', '.join(KINDS)}; a known "
            "resistor is a step of `longsoak prove`. Nothing was kept."
        )
    return found


def _readings(record: Record, probe: Probe, since_ms: int, until_ms: int) -> list[Reading]:
    return record.series(probe.name, since_ms=since_ms, until_ms=until_ms + 1)


def _warmth(record: Record, rig: Rig, probe: Probe, since_ms: int, until_ms: int) -> float:
    """The mean of the thermometer at the same place."""
    for other in rig.probes:
        if other.kind is Kind.TEMPERATURE and other.seat == probe.seat:
            read = _readings(record, other, since_ms, until_ms)
            values = [reading.value for reading in read if reading.value is not None]
            if values:
                return sum(values) / len(values)
    raise RequestError(
        f"No thermometer sits where {probe.name} does: say --temperature. Nothing was kept."
    )


def _list(record: Record, rig: Rig, *, as_json: bool) -> None:
    checks = checks_of(Logbook(record.folder).entries(kind=KNOWN))
    if as_json:
        document = [entry_document(each.entry) | {"moved": each.moved} for each in checks]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
        return
    units = {probe.name: probe.unit_words for probe in rig.probes}
    rows = [
        (
            str(each.entry.number),
            each.entry.subject.name,
            day_words(each.entry.at_utc_ms),
            str(each.entry.content["against"]),
            f"{each.off:+.2f} {units.get(each.entry.subject.name, '')}".rstrip(),
            f"{each.allowed:.2f}",
            "first" if each.moved is None else f"{each.moved:+.2f}",
            each.entry.by,
        )
        for each in checks
    ]
    heads = ("number", "probe", "day", "against", "off by", "allowed", "moved since first", "by")
    click.echo(table(heads, rows) if rows else "No probe was held against a known value yet.")
