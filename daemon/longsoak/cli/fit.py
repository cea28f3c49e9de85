"""`longsoak fit`: a curve from one's own samples, measured and weighed."""

import json
import sys
from collections.abc import Mapping
from pathlib import Path

import click
from click.core import ParameterSource

from longsoak.cli.common import DONE, FOUND_WRONG, a_path, told
from longsoak.cli.fitreport import SALTS, as_json_object, as_words, curve_file
from longsoak.cli.options import number_of, refuse_to_overwrite, write
from longsoak.cli.residualplot import residual_plot
from longsoak.core.fitchoice import best, compare
from longsoak.core.fitjudgement import Remark, far_off, judge, on_fractions
from longsoak.core.fitting import Fit, predict
from longsoak.core.gravimetry import moisture_uncertainty
from longsoak.core.straightened import FORMS
from longsoak.vocabulary.curve import Form, MadeFor
from longsoak.vocabulary.errors import PhysicsError

OVEN_DRY = (
    "Moisture counts as % of the oven-dry mass. Numbers on the wet basis look alike and can't be "
    "told apart here: 18.6 % of the dry mass are 15.7 % of the wet one."
)
BOUND_WATER = (
    "Dry gypsum, lime and cement gently (ISO 12570 has 40 and 70 °C beside 105 °C; from memory): "
    "heat drives off bound water, and lime gains mass as it carbonates. Weigh them dry again at "
    "the end."
)


@click.command(
    epilog="Example: longsoak fit samples.csv --name hemp --material mineral --out hemp.curve.toml"
)
@click.argument("samples", type=a_path)
@click.option(
    "--form",
    type=click.Choice([form.value for form in FORMS]),
    help="The form to fit. [default: the one with the least left-out error]",
)
@click.option(
    "--per-kelvin",
    type=number_of("a number", 0.0, 1.0),
    help="How much log10 R falls per kelvin. [default: fitted if the temperatures allow it]",
)
# Published values run from 0.02 to 0.04: common practice.
@click.option(
    "--u-per-kelvin",
    type=number_of("a number", 0.0, 1.0),
    default="0.005",
    show_default=True,
    help="Standard uncertainty of --per-kelvin.",
)
@click.option(
    "--reference-temperature",
    type=number_of("degrees Celsius", -20.0, 50.0),
    help="Where the curve holds as it is, °C. [default: the mean of the samples]",
)
@click.option(
    "--at",
    type=number_of("a resistance in Ohm", 1.1, 1e15),
    multiple=True,
    help="A resistance in Ohm to predict moisture at; may be given several times.",
)
@click.option(
    "--balance",
    type=number_of("a mass in g", 0.0, 1e3),
    help="Standard uncertainty of one weighing, g.",
)
@click.option("--name", help="The curve's name. [default: the file's, without its ending]")
@click.option(
    "--material",
    type=click.Choice([made_for.value for made_for in MadeFor]),
    help="What the samples are made of; a curve file needs it.",
)
@click.option("--out", type=a_path, help="Write a curve file.")
@click.option("--plot", type=a_path, help="Draw it as SVG.")
@click.option("--replace", is_flag=True, help="Write over files that are there.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of tables.")
def fit(
    samples: Path,
    form: str | None,
    per_kelvin: float | None,
    u_per_kelvin: float,
    reference_temperature: float | None,
    at: tuple[float, ...],
    balance: float | None,
    name: str | None,
    material: str | None,
    out: Path | None,
    plot: Path | None,
    replace: bool,
    as_json: bool,
) -> None:
    """Fit a curve from resistance to moisture to SAMPLES, a CSV file.

    Its columns, in any order: resistance_ohm, temperature_c, and either moisture_percent (of the
    oven-dry mass) or wet_g, dry_g and, if a container was weighed along, tare_g. Also, if you
    like, sample (a name) and branch (wetting or drying).

    Prints the forms that were tried, the chosen one with its covariance, what it predicts with
    95 % intervals, its residuals and what to be wary of. Ends with exit code 1 if the curve is
    not to be used, and then writes no curve file.
    """
    from longsoak.rigfile.samples import read_samples

    name = samples.name.removesuffix(".csv") if name is None else name
    if per_kelvin is None and _was_given("u_per_kelvin"):
        raise click.UsageError("--u-per-kelvin changes nothing without --per-kelvin. Leave it out.")
    _check_request(name, material, samples=samples, out=out, plot=plot, replace=replace)
    with told(so="nothing was fitted"):
        read = read_samples(samples)
    tried = compare(
        read.pairs,
        reference_temperature=reference_temperature,
        per_kelvin=per_kelvin,
        # No shift at all is a choice, not a measured value.
        u_per_kelvin=u_per_kelvin if per_kelvin else 0.0,
    )
    found = best([tried[Form(form)]] if form else tried.values())
    if found is None:
        why = _why_none({key: one for key, one in tried.items() if form in (None, key)})
        click.echo(f"No curve: {why}.", err=True)
        if "shift per kelvin" in why:
            click.echo("Give the shift with --per-kelvin; 0 is none.", err=True)
        sys.exit(FOUND_WRONG)
    remarks = judge(found)
    if not read.weighings:
        made_for = None if material is None else MadeFor(material)
        remarks = (*on_fractions(read.pairs, made_for), *remarks)
    notes = list(_notes(material, weighed=bool(read.weighings), ignored=read.ignored))
    if balance is not None and read.weighings:
        worst = max(moisture_uncertainty(w, balance=balance) for w in read.weighings)
        says = f"Weighing alone leaves a standard uncertainty of up to {worst:.2g} % MC"
        if worst > 0.5 * found.error:
            says += f", much of the scatter of {found.error:.2g} %: weigh larger samples."
            remarks = (*remarks, Remark(says))
        else:
            notes.append(f"{says}.")
    unusable = any(remark.unusable for remark in remarks)
    predictions = [predict(found, ohm) for ohm in (at or _a_few(found)) if _has_value(found, ohm)]
    outputs: dict[Path, str] = {}
    if plot is not None:
        outputs[plot] = residual_plot(found, name=name, marked=frozenset(far_off(found)))
    if out is not None and material is not None and not unusable:
        outputs[out] = curve_file(found, name, MadeFor(material), samples, remarks)
    if as_json:
        click.echo(
            json.dumps(
                as_json_object(found, tried, predictions, remarks, notes, name=name),
                ensure_ascii=False,
                indent=1,
            )
        )
    else:
        click.echo(as_words(found, tried, predictions, remarks, notes, file=samples))
    for path, text in outputs.items():
        write(path, text, replace=replace)
        click.echo(f"Wrote {path}.", err=as_json)
    if unusable and out is not None:
        click.echo(f"{out} was not written: the curve is not to be used.", err=True)
    sys.exit(FOUND_WRONG if unusable else DONE)


def _check_request(
    name: str,
    material: str | None,
    *,
    samples: Path,
    out: Path | None,
    plot: Path | None,
    replace: bool,
) -> None:
    """Refuse before any work what can't be done at its end."""
    from longsoak.rigfile.curves import shipped
    from longsoak.rigfile.words import is_name

    if not is_name(name):
        raise click.UsageError(
            f"The name {name!r} is not 1 to 60 characters on one line. Give one with --name."
        )
    if name in shipped():
        raise click.UsageError(f"A curve {name!r} ships already. Give another --name.")
    if out is not None and material is None:
        raise click.UsageError(
            "A curve file says what it was made for. Add --material wood or --material mineral."
        )
    given = [path for path in (out, plot) if path is not None]
    if len({path.absolute() for path in (samples, *given)}) <= len(given):
        raise click.UsageError("The samples, --out and --plot must be different files.")
    for path in given:
        refuse_to_overwrite(path, replace=replace)


def _was_given(option: str) -> bool:
    source = click.get_current_context().get_parameter_source(option)
    return source is not ParameterSource.DEFAULT


def _why_none(tried: Mapping[Form, Fit | PhysicsError]) -> str:
    """Why each form was refused; once, where all were for one reason."""
    reasons = {form: str(one) for form, one in tried.items()}
    if len(reasons) > 1 and len(set(reasons.values())) == 1:
        return next(iter(reasons.values()))
    return "; ".join(f"{form}: {reason}" for form, reason in reasons.items())


def _notes(material: str | None, *, weighed: bool, ignored: tuple[str, ...]) -> list[str]:
    notes = []
    if ignored:
        what = ", ".join(name or "one without a name" for name in ignored)
        notes.append(f"Columns that are not used: {what}.")
    if not weighed:
        notes.append(OVEN_DRY)
    if material != MadeFor.WOOD:
        notes += [SALTS, BOUND_WATER]
    return notes


def _a_few(found: Fit) -> list[float]:
    """Five round resistances over what was measured."""
    logs = sorted(map(found.log_resistance, found.pairs))
    across = [logs[0] + (logs[-1] - logs[0]) * n / 4.0 for n in range(5)]
    return [float(f"{10.0**x:.2g}") for x in across]


def _has_value(found: Fit, resistance: float) -> bool:
    try:
        predict(found, resistance)
    except PhysicsError as error:
        click.echo(f"No prediction: {error}.", err=True)
        return False
    return True
