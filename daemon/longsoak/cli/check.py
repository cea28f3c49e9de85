"""`longsoak check`: the wiring plan, or what is wrong with the rig file."""

from pathlib import Path

import click

from longsoak.cli.common import rig_file, table, told
from longsoak.core.cautions import cautions, output_cautions
from longsoak.core.handrulewords import rule_words
from longsoak.core.limitwords import classless, limit_words
from longsoak.core.wording import with_noun


@click.command(epilog="Example: longsoak check rig.toml")
@rig_file
def check(rig_file: Path) -> None:
    """Check a rig file and print its wiring plan.

    Prints one line per probe: bus, address, probe, place, curve and the unit its value will have,
    one per output and one per limit, which value wins where a hand meter and pins differ, then what
    such values can't be taken for, and which files it names that are not there. With mistakes in
    the file it prints each of them with its line and how to mend it, and ends with exit code 2.
    """
    from longsoak.rigfile.filesaway import files_away
    from longsoak.rigfile.plan import COLUMNS, OUTPUT_COLUMNS, output_plan, wiring_plan
    from longsoak.service.drivers import load_rig

    with told():
        rig, text = load_rig(rig_file)
    away = files_away(text, beside=rig_file.parent)
    click.echo(table(COLUMNS, wiring_plan(rig)))
    if rig.outputs:
        click.echo(f"\n{table(OUTPUT_COLUMNS, output_plan(rig))}")
    for number, limit in enumerate(rig.limits):
        click.echo(f"{'' if number else chr(10)}Limit {limit.name}: {limit_words(limit, rig)}")
    if rig.hand_rule is not None:
        click.echo(f"\nReadings by hand: {rule_words(rig.hand_rule)}.")
    unjudged = [
        f"Limit {limit.name} gets no verdict. {why}"
        for limit in rig.limits
        if (why := classless(limit, rig))
    ]
    for words in (*unjudged, *cautions(rig), *output_cautions(rig), *away):
        click.echo(f"\nCaution: {words}")
    outputs = f", {with_noun(len(rig.outputs), 'output')}" if rig.outputs else ""
    limits = f", {with_noun(len(rig.limits), 'limit')}" if rig.limits else ""
    click.echo(
        f"\n{rig.name}: {with_noun(len(rig.probes), 'probe')} on "
        f"{with_noun(len(rig.buses), 'bus', 'buses')}, "
        f"{with_noun(len(rig.alarms), 'alarm')}{outputs}{limits}. The file is good."
    )
