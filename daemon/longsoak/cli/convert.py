"""`longsoak convert`: the conversions by hand, one value or a file of them."""

import json
import sys
from functools import partial
from math import inf
from pathlib import Path
from typing import NoReturn

import click
from click.core import ParameterSource

from longsoak.cli.common import BAD_INPUT, a_path, curve_called, curves_option, rig_curves, told
from longsoak.cli.conversions import (
    DECLINES,
    HOURS,
    HUMIDITY,
    RESISTANCE,
    SENSITIVITIES,
    SURFACE,
    TEMPERATURE,
    Air,
    Ask,
    Condensation,
    Mould,
    Settled,
    moisture,
    words,
)
from longsoak.cli.manyvalues import answer_many, tell_many
from longsoak.cli.mouldstate import read_state
from longsoak.cli.options import number_of
from longsoak.core.mould import MouldState
from longsoak.core.resistance import Budget, prepare
from longsoak.vocabulary.errors import PhysicsError

_CELSIUS = number_of("degrees Celsius", -273.15, 1e4)  # what a conversion takes is told by it
_OHM = number_of("a resistance in Ohm", 1.0, 1e18)
_KELVIN = number_of("a standard uncertainty in K", 0.0, 100.0)

# Which options belong to which question; --csv and --json to all.
_AIR = ("temperature", "relative_humidity")
_AIR_WITHIN = (*_AIR, "u_temperature", "u_humidity")
_BELONG = {
    "curve": ("resistance", "temperature", "accuracy", "insulation", "most", "rig_file"),
    "emc": _AIR_WITHIN,
    "dew_point": _AIR_WITHIN,
    "condensation": (*_AIR_WITHIN, "surface", "u_surface"),
    "mould_index": (*_AIR, "days", "material", "decline", "state_file"),
}
_VALUES = {  # options that stand for a column
    "resistance": RESISTANCE,
    "temperature": TEMPERATURE,
    "relative_humidity": HUMIDITY,
    "surface": SURFACE,
    "days": HOURS,
}


@click.command(
    epilog='Example: longsoak convert --curve "Douglas-fir (coast)" --resistance 120e6 '
    "--temperature 21.5"
)
@click.option("--curve", help="Resistance to moisture content by this curve.")
@click.option("--emc", is_flag=True, help="What moisture content wood settles at in such air.")
@click.option("--dew-point", is_flag=True, help="Dew point, frost point and more of such air.")
@click.option(
    "--condensation", is_flag=True, help="How far a surface is from being wetted by such air."
)
@click.option("--mould", "mould_index", is_flag=True, help="Mould index after days in such air.")
@click.option("--resistance", type=number_of("a resistance in Ohm", 0.0, 1e40), help="Ohm.")
@click.option("--temperature", type=_CELSIUS, help="Of the wood, or of the air, °C.")
@click.option(
    "--humidity",
    "relative_humidity",
    type=number_of("% relative humidity", 0.0, 100.0),
    help="Of the air, % RH.",
)
@click.option("--surface", type=_CELSIUS, help="Of the surface, °C, for --condensation.")
@click.option(
    "--days",
    type=number_of("days", 0.0, 4e4),
    default="28",
    show_default=True,
    help="For --mould.",
)
@click.option(
    "--material",
    type=click.Choice(list(SENSITIVITIES)),
    default="very sensitive",
    show_default=True,
    help="For --mould.",
)
@click.option(
    "--decline",
    type=click.Choice(list(DECLINES)),
    default="significant",
    show_default=True,
    help="How fast the index falls in dry or cold air, for --mould; that of wood is significant.",
)
@click.option(
    "--state",
    "state_file",
    type=a_path,
    help="For --mould: go on from what --mould --json printed into this file.",
)
@click.option(
    "--accuracy",
    type=number_of("a share of the reading (0.01 is 1 %)", 0.0, 1.0),
    default="0.01",
    show_default=True,
    help="Of the meter, as a share of its reading; standard.",
)
@click.option("--insulation", type=_OHM, help="Least insulation of the leads, Ohm.")
@click.option("--most", type=_OHM, help="The most the meter can measure, Ohm.")
# What the chips such rigs use are good for: common practice.
@click.option(
    "--u-surface",
    type=_KELVIN,
    default="0.25",
    show_default=True,
    help="Standard uncertainty of --surface, K.",
)
@click.option(
    "--u-temperature",
    type=_KELVIN,
    default="0.25",
    show_default=True,
    help="Standard uncertainty of the air's temperature, K.",
)
@click.option(
    "--u-humidity",
    type=number_of("a standard uncertainty in % RH", 0.0, 100.0),
    default="1",
    show_default=True,
    help="Standard uncertainty of the humidity, % RH.",
)
@click.option(
    "--csv",
    "csv_file",
    type=a_path,
    help="Many values: a file with columns resistance_ohm and temperature_c, or temperature_c "
    "and humidity_percent (for --condensation also surface_c, for --mould also hours); the "
    "answer is a file too.",
)
@curves_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of words.")
def convert(
    curve: str | None,
    emc: bool,
    dew_point: bool,
    condensation: bool,
    mould_index: bool,
    resistance: float | None,
    temperature: float | None,
    relative_humidity: float | None,
    surface: float | None,
    days: float,
    material: str,
    decline: str,
    state_file: Path | None,
    accuracy: float,
    insulation: float | None,
    most: float | None,
    u_surface: float,
    u_temperature: float,
    u_humidity: float,
    csv_file: Path | None,
    rig_file: Path | None,
    as_json: bool,
) -> None:
    """Convert a resistance, or find what air does to wood and to its surface."""
    asked = {
        "curve": curve is not None,
        "emc": emc,
        "dew_point": dew_point,
        "condensation": condensation,
        "mould_index": mould_index,
    }
    if sum(asked.values()) != 1:
        _refuse("Say which: one of --curve NAME, --emc, --dew-point, --condensation and --mould.")
    _refuse_idle_options(next(name for name, is_it in asked.items() if is_it), csv=csv_file)
    in_air = {TEMPERATURE: temperature, HUMIDITY: relative_humidity}
    ask: Ask
    if curve is not None:
        with told():
            known = rig_curves(rig_file)
        budget = Budget(meter=accuracy, insulation=inf if insulation is None else insulation)
        prepared = prepare(curve_called(curve, known))
        ask = partial(moisture, prepared=prepared, budget=budget, most=most)
        given = {RESISTANCE: resistance, TEMPERATURE: temperature}
    elif emc:
        ask, given = Settled(u_temperature, u_humidity), in_air
    elif dew_point:
        ask, given = Air(u_temperature, u_humidity), in_air
    elif condensation:
        ask = Condensation(u_surface, u_temperature, u_humidity)
        given = {**in_air, SURFACE: surface}
    else:
        state = MouldState()
        if state_file is not None:
            state = read_state(state_file, material=material, decline=decline)
        ask = Mould(material, decline, state)
        given = {**in_air, HOURS: days * 24}
    if csv_file is not None:
        with told(so="nothing was converted"):
            answered = answer_many(csv_file, list(given), ask)
        if HUMIDITY in given:
            _hint_at_fractions([numbers[HUMIDITY] for _, numbers, _ in answered])
        tell_many(answered, as_json=as_json)
        return
    for name, value in given.items():
        if value is None:
            _refuse(f"Give {_option_of(name)} as well, or --csv FILE.")
    row = {name: value for name, value in given.items() if value is not None}
    try:
        answers = ask(row)
    except PhysicsError as error:
        _refuse(f"{error}.")
    _hint_at_fractions([row[HUMIDITY]] if HUMIDITY in row else [])
    if as_json:
        shown = answers[0] if len(answers) == 1 else answers
        click.echo(json.dumps(shown, ensure_ascii=False, indent=1))
    else:
        for answer in answers:
            click.echo(words(answer))


def _refuse_idle_options(question: str, *, csv: Path | None) -> None:
    """Refuse options that would change nothing, for whoever gave one believes that it does."""
    context = click.get_current_context()
    for parameter in context.command.params:
        name = str(parameter.name)
        if context.get_parameter_source(name) is ParameterSource.DEFAULT:
            continue
        option = parameter.opts[0]
        if name in {n for names in _BELONG.values() for n in names}:
            if name not in _BELONG[question]:
                _refuse(f"{option} changes nothing here. Leave it out.")
            if csv is not None and name in _VALUES:
                _refuse(f"{option} is for one value, and the file has its own. Leave it out.")


def _option_of(column: str) -> str:
    name = next(option for option, of in _VALUES.items() if of == column)
    return "--humidity" if name == "relative_humidity" else f"--{name}"


def _hint_at_fractions(humidities: list[float]) -> None:
    """Say that the driest air there is may be a fraction in the place of per cent."""
    if humidities and 0.0 < max(humidities) <= 1.0:
        most = max(humidities)
        click.echo(
            f"{most:g} % RH is drier than any room. If {100 * most:g} % was meant, write it so.",
            err=True,
        )


def _refuse(sentence: str) -> NoReturn:
    click.echo(sentence, err=True)
    sys.exit(BAD_INPUT)
