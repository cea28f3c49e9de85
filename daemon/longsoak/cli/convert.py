"""`longsoak convert`: the conversions by hand, one value or a file of them."""

import csv
import json
import sys
from collections.abc import Callable, Mapping
from functools import partial
from math import inf, isnan
from pathlib import Path
from typing import NoReturn

import click

from longsoak.cli.common import BAD_INPUT, curve_called, curves_option, rig_curves, told
from longsoak.core import humidity, mould, sorption
from longsoak.core.convert import judged_moisture
from longsoak.core.resistance import Budget, PreparedCurve, prepare
from longsoak.core.wording import flag_words
from longsoak.vocabulary.curve import MadeFor
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.flags import AT_LEAST, AT_MOST, Flag, Reason
from longsoak.vocabulary.rig import Quantity

Answer = dict[str, object]
"""Keys: curve, quantity, unit, value, standard_uncertainty, flag, note."""

_SENSITIVITY = {kind.name.lower().replace("_", " "): kind for kind in mould.Sensitivity}
_FOR_WOOD = "in wood; in any other material it is only a wood-equivalent"
_FOR_MINERAL = "in the material it was fitted on; salts and alkali make it read too wet"


@click.command(
    epilog='Example: longsoak convert --curve "Douglas-fir (coast)" --resistance 120e6 '
    "--temperature 21.5"
)
@click.option("--curve", help="Resistance to moisture content by this curve.")
@click.option("--emc", is_flag=True, help="What moisture content wood settles at in such air.")
@click.option("--dew-point", is_flag=True, help="Dew point, frost point and more of such air.")
@click.option("--mould", "mould_index", is_flag=True, help="Mould index after days in such air.")
@click.option("--resistance", type=float, help="Ohm.")
@click.option("--temperature", type=float, help="Of the wood, or of the air, °C.")
@click.option("--humidity", "relative_humidity", type=float, help="Of the air, % RH.")
@click.option("--days", type=float, default=28.0, show_default=True, help="For --mould.")
@click.option(
    "--material",
    type=click.Choice(list(_SENSITIVITY)),
    default="very sensitive",
    show_default=True,
    help="For --mould.",
)
@click.option("--accuracy", type=float, default=0.01, show_default=True, help="Of the meter.")
@click.option("--insulation", type=float, default=inf, help="Least insulation of the leads, Ohm.")
@click.option("--most", type=float, help="The most the meter can measure, Ohm.")
@click.option(
    "--csv",
    "csv_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Many values: a file with columns resistance_ohm and temperature_c, or temperature_c "
    "and humidity_percent (for --mould also hours); the answer is a file too.",
)
@curves_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of words.")
def convert(
    curve: str | None,
    emc: bool,
    dew_point: bool,
    mould_index: bool,
    resistance: float | None,
    temperature: float | None,
    relative_humidity: float | None,
    days: float,
    material: str,
    accuracy: float,
    insulation: float,
    most: float | None,
    csv_file: Path | None,
    rig_file: Path | None,
    as_json: bool,
) -> None:
    """Convert a resistance, or find what air does to wood and to its surface."""
    if sum((curve is not None, emc, dew_point, mould_index)) != 1:
        _refuse("Say which: one of --curve NAME, --emc, --dew-point and --mould.")
    budget = Budget(meter=accuracy, insulation=insulation)
    ask: Callable[[Mapping[str, float]], list[Answer]]
    if curve is not None:
        with told():
            known = rig_curves(rig_file)
        prepared = prepare(curve_called(curve, known))
        ask = partial(_moisture, prepared=prepared, budget=budget, most=most)
        given = {"resistance_ohm": resistance, "temperature_c": temperature}
    else:
        given = {"temperature_c": temperature, "humidity_percent": relative_humidity}
        if emc:
            ask = _settled
        elif dew_point:
            ask = _air
        else:
            given["hours"] = days * 24
            ask = _Mould(_SENSITIVITY[material], material)
    if csv_file is not None:
        _many(csv_file, list(given), ask, as_json=as_json)
        return
    options = {"resistance_ohm": "--resistance", "humidity_percent": "--humidity"}
    for name, value in given.items():
        if value is None:
            _refuse(f"Give {options.get(name, '--temperature')} as well, or --csv FILE.")
    answers = _asked(ask, {name: value for name, value in given.items() if value is not None})
    if as_json:
        shown = answers[0] if len(answers) == 1 else answers
        click.echo(json.dumps(shown, ensure_ascii=False, indent=1))
    else:
        for answer in answers:
            click.echo(_words(answer))


def _refuse(sentence: str) -> NoReturn:
    click.echo(sentence, err=True)
    sys.exit(BAD_INPUT)


def _asked(
    ask: Callable[[Mapping[str, float]], list[Answer]], row: Mapping[str, float], where: str = ""
) -> list[Answer]:
    try:
        return ask(row)
    except PhysicsError as error:
        _refuse(f"{where}{error}.")


def _moisture(
    row: Mapping[str, float], *, prepared: PreparedCurve, budget: Budget, most: float | None
) -> list[Answer]:
    ohm, temperature = row["resistance_ohm"], row["temperature_c"]
    found = judged_moisture(ohm, temperature, prepared, budget, most=most)
    wood = prepared.curve.made_for is MadeFor.WOOD
    note = _FOR_WOOD if wood else _FOR_MINERAL
    if found.reason is not Reason.NONE:
        note = f"{found.reason.words}; {note}"
    answer = _answer(
        Quantity.MOISTURE_CONTENT,
        "%",
        found.value,
        found.uncertainty,
        note,
        curve=prepared.curve.name,
        flag=found.flag,
        bound=None if isnan(found.value) else _bound(found.reason),
    )
    return [answer]


def _bound(reason: Reason) -> str | None:
    return "at least" if reason in AT_LEAST else "at most" if reason in AT_MOST else None


def _settled(row: Mapping[str, float]) -> list[Answer]:
    temperature, rh = row["temperature_c"], row["humidity_percent"]
    value = sorption.equilibrium_moisture(temperature, relative_humidity=rh)
    note = "mean of wetting and drying; a piece lies 2 to 3 % apart between the two"
    name = "equilibrium moisture content of wood"
    return [_answer(name, "%", value, sorption.CURVE_UNCERTAINTY, note)]


def _air(row: Mapping[str, float]) -> list[Answer]:
    temperature = row["temperature_c"]
    pressure = humidity.vapour_pressure(temperature, relative_humidity=row["humidity_percent"])
    answers = [
        _answer(
            "dew point", "Cel", humidity.dew_point(pressure), None,
            "over liquid water, supercooled below 0 degC",
        ),
    ]  # fmt: skip
    if pressure < humidity.saturation_over_ice(humidity.TRIPLE_POINT):
        frost = humidity.frost_point(pressure)
        answers.append(_answer("frost point", "Cel", frost, None, "over ice"))
    deficit = humidity.vapour_pressure_deficit(temperature, vapour_pressure=pressure)
    dense = humidity.absolute_humidity(temperature, vapour_pressure=pressure)
    return [
        *answers,
        _answer("vapour pressure", "Pa", pressure, None, ""),
        _answer("vapour pressure deficit", "Pa", deficit, None, "over liquid water"),
        _answer("absolute humidity", "g/m3", dense, None, ""),
    ]


class _Mould:
    """The index, carried on from one row to the next."""

    def __init__(self, sensitivity: mould.Sensitivity, words: str) -> None:
        self._sensitivity = sensitivity
        self._words = words
        self._state = mould.MouldState()

    def __call__(self, row: Mapping[str, float]) -> list[Answer]:
        self._state = mould.step(
            self._state,
            temperature=row["temperature_c"],
            relative_humidity=row["humidity_percent"],
            hours=row["hours"],
            material=self._sensitivity,
        )
        note = f"on a {self._words} surface. {mould.CAUTION}"
        return [_answer("mould index, 0 to 6", "1", self._state.index, None, note)]


def _answer(
    quantity: str,
    unit: str,
    value: float,
    uncertainty: float | None,
    note: str,
    *,
    curve: str | None = None,
    flag: Flag = Flag.PASS,
    bound: str | None = None,
) -> Answer:
    return {
        "curve": curve,
        "quantity": quantity,
        "unit": unit,
        "value": None if isnan(value) else value,
        "bound": bound,
        "standard_uncertainty": None if uncertainty is None or isnan(uncertainty) else uncertainty,
        "flag": int(flag),
        "note": note,
    }


def _words(answer: Answer) -> str:
    value, spread, bound = answer["value"], answer["standard_uncertainty"], answer["bound"]
    unit = {"Cel": " °C", "1": "", "%": " %"}.get(str(answer["unit"]), f" {answer['unit']}")
    said = "none" if value is None else f"{f'{bound} ' if bound else ''}{value:.4g}{unit}"
    if isinstance(spread, float) and not bound:
        said += f" ± {2 * spread:.2g}"
    flag = Flag(int(str(answer["flag"])))
    told = "" if flag is Flag.PASS else f", {flag_words(flag, Reason.NONE)}"
    note = f" ({answer['note']})" if answer["note"] else ""
    return f"{answer['quantity']}: {said}{told}{note}"


def _many(
    path: Path,
    columns: list[str],
    ask: Callable[[Mapping[str, float]], list[Answer]],
    *,
    as_json: bool,
) -> None:
    rows = _read(path, columns)
    answered = [(row, _asked(ask, row, where=f"{path}:{line}: ")) for line, row in rows]
    if as_json:
        shown = [{**row, "answers": answers} for row, answers in answered]
        click.echo(json.dumps(shown, ensure_ascii=False, indent=1))
        return
    writer = csv.writer(sys.stdout, lineterminator="\n")
    keys = ("quantity", "unit", "value", "bound", "standard_uncertainty", "flag", "note")
    writer.writerow([*columns, *keys])
    for row, answers in answered:
        for answer in answers:
            cells = ["" if answer[key] is None else answer[key] for key in keys]
            writer.writerow([*row.values(), *cells])


def _read(path: Path, columns: list[str]) -> list[tuple[int, dict[str, float]]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            header = reader.fieldnames or []
            lacking = [name for name in columns if name not in header]
            if lacking:
                _refuse(
                    f"{path}:1: the header lacks {', '.join(lacking)}; it has "
                    f"{', '.join(header) or 'nothing'}. Name the columns {', '.join(columns)}."
                )
            return [
                (reader.line_num, _numbers(path, reader.line_num, row, columns)) for row in reader
            ]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        _refuse(f"{path} can't be read: {error}. Give a CSV file in UTF-8.")


def _numbers(
    path: Path, line: int, row: Mapping[str, str | None], columns: list[str]
) -> dict[str, float]:
    numbers = {}
    for name in columns:
        text = row.get(name)
        try:
            numbers[name] = float(text or "")
        except ValueError:
            _refuse(f"{path}:{line}: {name} is {text!r}, expected a number. Correct it.")
    return numbers
