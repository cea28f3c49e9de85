"""`longsoak curves`: what curves there are, and all that is known of one."""

import json
import sys
from dataclasses import asdict
from pathlib import Path

import click

from longsoak.cli.common import (
    BAD_INPUT,
    a_path,
    curve_called,
    curves_option,
    rig_curves,
    table,
    told,
)
from longsoak.cli.options import refuse_to_overwrite, write
from longsoak.core.resistance import moisture_content, prepare
from longsoak.core.wording import ohm_words
from longsoak.vocabulary.curve import Curve


@click.command(epilog='Example: longsoak curves "Douglas-fir (coast)" --plot fir.svg')
@click.argument("name", required=False)
@curves_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of words.")
@click.option("--plot", type=a_path, help="Draw the curve as SVG here.")
@click.option("--replace", is_flag=True, help="Write over a drawing that is there.")
def curves(
    name: str | None, rig_file: Path | None, as_json: bool, plot: Path | None, replace: bool
) -> None:
    """List the curves, or show NAME with its source, its range and its values."""
    if plot is not None:
        refuse_to_overwrite(plot, replace=replace)
    with told():
        known = rig_curves(rig_file)
    if name is None:
        if plot is not None:
            click.echo("Say which curve to draw: longsoak curves NAME --plot FILE.", err=True)
            sys.exit(BAD_INPUT)
        click.echo(_listed(known, as_json=as_json))
        return
    curve = curve_called(name, known)
    if as_json:
        click.echo(json.dumps(asdict(curve), ensure_ascii=False, indent=1))
    else:
        click.echo(_shown(curve))
    if plot is not None:
        from longsoak.cli.curveplot import curve_plot

        write(plot, curve_plot(curve), replace=replace)
        click.echo(f"Drawn to {plot}.", err=True)


def _listed(known: dict[str, Curve], *, as_json: bool) -> str:
    if as_json:
        return json.dumps([asdict(c) for c in known.values()], ensure_ascii=False, indent=1)
    rows = [
        (c.name, c.form, c.made_for, f"{c.lowest:g} to {c.highest:g} %", c.source)
        for c in known.values()
    ]
    return table(("curve", "form", "made for", "range", "source"), rows)


def _shown(curve: Curve) -> str:
    prepared = prepare(curve)
    spread = (
        "from its fit" if curve.covariance else f"{curve.uncertainty:g} % MC, standard, one piece"
    )
    if curve.freedom is not None:
        spread += f", of {curve.freedom:g} degrees of freedom"
    if curve.per_kelvin_uncertainty:
        spread += f"; of the shift per kelvin {curve.per_kelvin_uncertainty:.2g}"
    lines = [
        curve.name,
        f"  source: {curve.source}",
        f"  found on: {curve.fitted_on}",
        f"  form: {curve.form}" + _coefficients(curve),
        f"  made for: {curve.made_for}",
        f"  holds for: {curve.lowest:g} to {curve.highest:g} %, on the dry basis",
        f"  at {curve.reference_temperature:g} °C; other temperatures by {curve.correction}"
        + (f", {curve.per_kelvin:g} per kelvin" if curve.per_kelvin else ""),
        f"  uncertainty: {spread}",
        "",
    ]
    steps = 10
    width = (prepared.dry_end - prepared.wet_end) / steps
    rows = []
    for i in range(steps + 1):
        ohm = 10 ** (prepared.dry_end - i * width)
        found = moisture_content(ohm, curve.reference_temperature, prepared)
        rows.append((f"{ohm_words(ohm)}Ω", f"{found.value:.1f}", f"{2 * found.uncertainty:.1f}"))
    lines.append(table(("resistance", "%", "±"), rows, right="resistance % ±"))
    return "\n".join(lines)


def _coefficients(curve: Curve) -> str:
    if not curve.coefficients:
        return f" of {len(curve.points)} points"
    return ", a = {:.6g}, b = {:.6g}".format(*curve.coefficients)
