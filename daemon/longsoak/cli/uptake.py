"""`longsoak uptake`: how fast a specimen sucks up water, from weighings."""

import json
import sys
from math import sqrt
from pathlib import Path

import click

from longsoak.cli.common import DONE, FOUND_WRONG, a_path, table, told
from longsoak.cli.options import number_of
from longsoak.core.elapsedwords import elapsed_words
from longsoak.core.fitjudgement import Remark
from longsoak.core.uptake import (
    Absorption,
    Sorptivity,
    Undetermined,
    absorbed_per_area,
    absorption_coefficient,
    sorptivity,
)
from longsoak.core.uptakejudgement import doubts
from longsoak.core.wording import with_noun
from longsoak.vocabulary.errors import PhysicsError

_SHOWN = 40  # weighings in the terminal
RULES = (
    "ISO 15148 and ASTM C1585 are followed as remembered; where they leave straightness to the "
    "eye, this program's own bounds decide. Look at the uptakes before you report a figure."
)
LINE_ONLY = (
    "Standard uncertainties are the line's alone, widened where weighings are few so that twice as "
    "much holds 95 %: area and balance come on top."
)
BACKWARDS = (
    "Uptake falls between weighings: was the specimen wiped alike each time, and did nothing "
    "crumble off?"
)


@click.command(epilog="Example: longsoak uptake weighings.csv --area 10000")
@click.argument("weighings", type=a_path)
@click.option(
    "--area",
    required=True,
    type=number_of("an area in mm²", 100.0, 1e8),
    help="Of the face that meets the water, mm².",
)
@click.option(
    "--dry",
    type=number_of("a mass in g", 0.0, 1e7),
    help="Mass before the face met the water, g. [default: the weighing at time 0]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of tables.")
def uptake(weighings: Path, area: float, dry: float | None, as_json: bool) -> None:
    """Find absorption coefficients from WEIGHINGS, a CSV file.

    Its columns: one of time_s, time_min and time_h, since the face met the water, and mass_g.

    Prints the water absorption coefficient as ISO 15148 has it and the initial and secondary
    rate of absorption of ASTM C1585, each with the weighings it rests on, or why there is none.
    Ends with exit code 1 if there is none at all, or if mass, area or time can't be right.
    """
    from longsoak.rigfile.weighings import read_weighings

    with told(so="nothing was worked out"):
        read = read_weighings(weighings)
    if read.dry_mass is not None and dry is not None:
        raise click.UsageError(
            f"{weighings} has a weighing at time 0 already. Leave --dry out, or that line."
        )
    dry_mass = read.dry_mass if dry is None else dry / 1000.0
    if dry_mass is None:
        raise click.UsageError(
            f"{weighings} has no weighing at time 0. Give the mass before the face met the water "
            "with --dry."
        )
    try:
        gains = absorbed_per_area(read.masses, dry_mass=dry_mass, area=area / 1e6)
        coefficient = absorption_coefficient(read.times, absorbed=gains)
        rates = sorptivity(read.times, absorbed=gains)
    except PhysicsError as error:
        click.echo(f"{weighings}: {error}. Look at the units of mass and area.", err=True)
        sys.exit(FOUND_WRONG)
    remarks = doubts(
        read.times,
        absorbed=gains,
        dry_mass=dry_mass,
        area=area / 1e6,
        coefficient=coefficient,
        rates=rates,
    )
    notes = [RULES, LINE_ONLY]
    if any(after < before for before, after in zip([0.0, *gains], gains, strict=False)):
        notes.insert(0, BACKWARDS)
    if read.ignored:
        notes.append(f"Columns that are not used: {', '.join(n or 'one' for n in read.ignored)}.")
    if as_json:
        shown = _as_json_object(read.times, gains, coefficient, rates, remarks, notes)
        click.echo(json.dumps(shown, ensure_ascii=False, indent=1))
    else:
        click.echo(
            f"{weighings}: {with_noun(len(gains), 'weighing')} after one of {1000 * dry_mass:g} g "
            f"at the start, on a face of {area:g} mm².\n"
        )
        click.echo(_as_words(read.times, gains, coefficient, rates, remarks, notes))
    found = (coefficient, rates.initial, rates.secondary)
    none = all(isinstance(one, Undetermined) for one in found)
    wrong = any(remark.unusable for remark in remarks)
    sys.exit(FOUND_WRONG if none or wrong else DONE)


def _as_words(
    times: tuple[float, ...],
    gains: list[float],
    coefficient: Absorption | Undetermined,
    rates: Sorptivity,
    remarks: tuple[Remark, ...],
    notes: list[str],
) -> str:
    lines = ["Water absorption coefficient, ISO 15148"]
    if isinstance(coefficient, Absorption):
        spread = coefficient.uncertainty
        lines += [
            f"  A_w = {coefficient.coefficient:#.4g} kg/(m² s^0.5)"
            + (f", standard uncertainty {spread:.2g}" if spread is not None else ""),
            f"  W_w = {coefficient.per_root_hour:#.4g} kg/(m² h^0.5)",
            *_rests_on(coefficient, "kg/m²"),
        ]
    else:
        lines.append(f"  none: {coefficient.why}")
    lines += ["", "Rate of absorption, ASTM C1585"]
    for name, rate in (("initial", rates.initial), ("secondary", rates.secondary)):
        if isinstance(rate, Absorption):
            lines += [
                f"  {name} = {rate.coefficient:#.4g} mm/s^0.5, standard uncertainty "
                f"{rate.uncertainty or 0.0:.2g}",
                *_rests_on(rate, "mm"),
            ]
        else:
            lines.append(f"  {name} {rate.why}")
    counted = _used(coefficient, rates)
    rows = [
        (
            elapsed_words(time),
            f"{sqrt(time):.1f}",
            f"{gain:#.4g}",
            *("yes" if place in used else "" for used in counted),
        )
        for place, (time, gain) in enumerate(zip(times, gains, strict=True))
    ]
    head = "Weighings, and what they counted for (kg/m² is also mm of water)"
    if len(rows) > _SHOWN:
        head = f"{_SHOWN} of {len(rows)} w{head[1:]}; --json has all"
        rows = [rows[round(i * (len(rows) - 1) / (_SHOWN - 1))] for i in range(_SHOWN)]
    columns = ("time", "√s", "kg/m²", "A_w", "initial", "secondary")
    lines += ["", head, table(columns, rows, right="√s kg/m²")]
    if remarks:
        lines += ["", "To be wary of:", *(f"- {remark.says}" for remark in remarks)]
    lines += ["", *notes]
    return "\n".join(lines)


def _rests_on(found: Absorption, unit: str) -> list[str]:
    lines = [f"  uptake is {found.course.value}; counted: {found.why}"]
    if found.uncertainty is not None:
        lines.append(
            f"  surface film {found.intercept:.3f} {unit}, correlation {found.correlation:.5f}"
        )
    return lines


def _used(coefficient: Absorption | Undetermined, rates: Sorptivity) -> tuple[frozenset[int], ...]:
    found = (coefficient, rates.initial, rates.secondary)
    return tuple(
        frozenset(one.used) if isinstance(one, Absorption) else frozenset() for one in found
    )


def _as_json_object(
    times: tuple[float, ...],
    gains: list[float],
    coefficient: Absorption | Undetermined,
    rates: Sorptivity,
    remarks: tuple[Remark, ...],
    notes: list[str],
) -> dict[str, object]:
    return {
        "absorption_coefficient": _found(coefficient, "kg/(m2 s^0.5)"),
        "initial_rate": _found(rates.initial, "mm/s^0.5"),
        "secondary_rate": _found(rates.secondary, "mm/s^0.5"),
        "weighings": [
            {"time_s": time, "absorbed_kg_m2": gain}
            for time, gain in zip(times, gains, strict=True)
        ],
        "usable": not any(remark.unusable for remark in remarks),
        "warnings": [remark.says for remark in remarks],
        "notes": notes,
    }


def _found(one: Absorption | Undetermined, unit: str) -> dict[str, object]:
    if isinstance(one, Undetermined):
        return {"value": None, "unit": unit, "why": one.why}
    return {
        "value": one.coefficient,
        "unit": unit,
        "standard_uncertainty": one.uncertainty,
        "course": one.course.value,
        "intercept": one.intercept,
        "correlation": one.correlation,
        "used": [place + 1 for place in one.used],
        "why": one.why,
    }
