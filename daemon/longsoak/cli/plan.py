"""`longsoak plan`: specimens and probes that a wanted difference takes, before a test is built."""

import json
import sys

import click

from longsoak.cli.common import DONE, FOUND_WRONG, table
from longsoak.cli.options import number_of
from longsoak.core.findings.plan import Design, Need, Spread, plan

_EXAMPLE = "Example: longsoak plan 2 --specimens 1 --places 1.5 --reading 0.3"
_NUMBER = number_of("a standard deviation", 0.0, 1e6)
_WHAT = {
    Design.SEPARATE: "each kind in specimens of its own",
    Design.PAIRED: "both kinds side by side in each specimen",
    Design.ONE_SPECIMEN: "both in one specimen",
}


@click.command("plan", epilog=_EXAMPLE)
@click.argument("difference", type=number_of("a difference", 1e-6, 1e6))
@click.option(
    "--specimens", required=True, type=_NUMBER, help="Standard deviation between specimens."
)
@click.option(
    "--sides",
    default="0",
    type=_NUMBER,
    help="Between specimens, of how far their two sides differ. [default: 0, the same in all]",
)
@click.option(
    "--places", required=True, type=_NUMBER, help="Between places of a zone in one specimen."
)
@click.option("--reading", required=True, type=_NUMBER, help="Between readings taken at one place.")
@click.option(
    "--power",
    default="0.8",
    type=number_of("a probability", 0.5, 0.999),
    help="How likely it is to be found. [default: 0.8]",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def plan_command(
    difference: float,
    specimens: float,
    sides: float,
    places: float,
    reading: float,
    power: float,
    as_json: bool,
) -> None:
    """Say how many specimens and probes it takes to find a DIFFERENCE between two kinds.

    All in one unit, such as % MC. Take the standard deviations from a test before, or from the
    trade. For each way to build the test it says what a finding would then speak of: one specimen,
    measured however well, speaks of itself only. Ends with 1 if no way finds it.
    """
    spread = Spread(specimens=specimens, differences=sides, places=places, reading=reading)
    found = {
        design: plan(difference, spread=spread, design=design, power=power) for design in Design
    }
    if as_json:
        click.echo(json.dumps([_document(d, n) for d, needs in found.items() for n in needs]))
    else:
        head = ("built with", "specimens of a kind", "probes in a zone", "found", "speaks of")
        rows = [
            (
                _WHAT[design],
                str(need.specimens),
                str(need.probes),
                f"{100 * need.power:.0f} %",
                need.unit,
            )
            for design, needs in found.items()
            for need in needs
        ]
        if rows:
            click.echo(table(head, rows, right=head[1:4]))
        for design, needs in found.items():
            if not needs:
                click.echo(f"Not with 1000 specimens or probes, {_WHAT[design]}.")
    sys.exit(DONE if any(found.values()) else FOUND_WRONG)


def _document(design: Design, need: Need) -> dict[str, object]:
    return {
        "design": design.name.lower().replace("_", " "),
        "specimens": need.specimens,
        "probes": need.probes,
        "power": need.power,
        "speaks_of": need.unit,
    }
