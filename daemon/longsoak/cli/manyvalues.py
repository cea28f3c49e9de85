"""A CSV file of values in, the answers out: `longsoak convert --csv`."""

import csv
import json
import sys
from collections.abc import Sequence
from pathlib import Path

import click

from longsoak.cli.conversions import (
    HOURS,
    HUMIDITY,
    RESISTANCE,
    SURFACE,
    TEMPERATURE,
    Answer,
    Ask,
)
from longsoak.rigfile.cells import Cells, Range, read_text
from longsoak.rigfile.report import Written
from longsoak.vocabulary.errors import PhysicsError

_CELSIUS = Range(-273.15, 1e4, "degrees Celsius", "20.5")
_RANGES = {
    # As meters give it: an open wire 9.9e37, a dead short 0 or a little less.
    RESISTANCE: Range(-1e3, 1e40, "a resistance in Ohm", "1.2e8"),
    TEMPERATURE: _CELSIUS,
    SURFACE: _CELSIUS,
    HUMIDITY: Range(0.0, 100.0, "% relative humidity, 0 to 100", "65"),
    HOURS: Range(0.0, 1e6, "hours, 0 to 1e6", "24"),
}
_COLUMN_OF = {  # what a conversion calls it
    "resistance": RESISTANCE,
    "temperature": TEMPERATURE,
    "surface": SURFACE,
    "relative_humidity": HUMIDITY,
    "hours": HOURS,
}
_KEYS = ("quantity", "unit", "value", "bound", "standard_uncertainty", "flag", "note")
_Answered = list[tuple[dict[str, str], dict[str, float], list[Answer]]]


def answer_many(path: Path, columns: Sequence[str], ask: Ask) -> _Answered:
    """Each row as written, its numbers, and what was answered.

    Parameters
    ----------
    path : Path
        UTF-8, commas, a header line, points as decimal marks. Columns beyond `columns` are
        handed back with the row.
    columns : sequence of str
        What `ask` needs.
    ask : callable
        Asked row by row, in the file's order.

    Raises
    ------
    RigFileError
        The file can't be read (line 0) or has mistakes: all of them, in file order.
    """
    cells = Cells(str(path))
    lines = list(cells.lines(read_text(path, what="a file of values")))
    answered: _Answered = []
    each = "a header line, then a line for each value"
    if not lines:
        remedy = f"Write for example {','.join(columns)} as the first line."
        cells.note(1, "the file", Written("empty"), each, remedy)
        cells.close()
    (first, header), rows = lines[0], lines[1:]
    # A spreadsheet may leave columns without a name behind; what is in them comes back too.
    names = [cell.strip() or f"column {place}" for place, cell in enumerate(header, start=1)]
    if not cells.separated_otherwise(first, names):
        cells.header(first, names, needed=columns)
        for name in dict.fromkeys(names):
            if name not in columns and names.count(name) > 1:
                cells.twice(first, name)
    cells.close()  # without its columns a file is all mistakes
    if not rows:
        cells.note(first, "the file", Written("a header only"), each, "Add the values.")
    for line, written in rows:
        row = cells.row(line, names, written)
        if row is None:
            continue
        numbers = {name: cells.number(line, name, row[name], _RANGES[name]) for name in columns}
        known = {name: value for name, value in numbers.items() if value is not None}
        if len(known) == len(columns):
            try:
                answered.append((row, known, ask(known)))
            except PhysicsError as error:
                cells.note(
                    line,
                    _COLUMN_OF.get(error.argument, error.argument),
                    Written(str(error.value)),
                    error.allowed,
                    "Correct it, or remove the line.",
                )
    cells.close()
    return answered


def tell_many(answered: _Answered, *, as_json: bool) -> None:
    """Print the rows with their answers beside them, what was given unaltered."""
    if as_json:
        shown = [{**row, **numbers, "answers": answers} for row, numbers, answers in answered]
        click.echo(json.dumps(shown, ensure_ascii=False, indent=1))
        return
    writer = csv.writer(sys.stdout, lineterminator="\n")
    given = [f"given_{name}" if name in _KEYS else name for name in answered[0][0]]
    writer.writerow([*given, *_KEYS])
    for row, _, answers in answered:
        for answer in answers:
            cells = ["" if answer[key] is None else answer[key] for key in _KEYS]
            writer.writerow([*row.values(), *cells])
