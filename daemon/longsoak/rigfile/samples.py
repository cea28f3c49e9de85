"""Reads the paired samples a curve is fitted to: all of them, or every mistake at once."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from longsoak.core.fitting import Branch, Pair
from longsoak.core.gravimetry import Weighing, moisture
from longsoak.rigfile.cells import Cells, Range, read_text, to_name
from longsoak.rigfile.curvetable import WETTEST
from longsoak.rigfile.report import MISSING, Written, listed, nearest, number, shown
from longsoak.rigfile.words import is_name

RESISTANCE, TEMPERATURE, MOISTURE = "resistance_ohm", "temperature_c", "moisture_percent"
WET, DRY, TARE = "wet_g", "dry_g", "tare_g"
SAMPLE, BRANCH = "sample", "branch"
COLUMNS = (RESISTANCE, TEMPERATURE, MOISTURE, WET, DRY, TARE, SAMPLE, BRANCH)
_A_LINE_EACH = "a header line, then a line for each sample"
_FOR_EXAMPLE = f"Write for example {RESISTANCE},{TEMPERATURE},{MOISTURE} as the first line."

_RANGES = {
    # No form has a value at 1 Ohm or less, and no meter reads more than 1e15.
    RESISTANCE: Range(1.0, 1e15, "a resistance in Ohm above 1 and up to 1e15", "1.2e8", above=True),
    TEMPERATURE: Range(-20.0, 50.0, "degrees Celsius from -20 to 50", "20.5"),
    MOISTURE: Range(
        0.0, WETTEST, "% of the oven-dry mass, above 0 and up to 200", "18.6", above=True
    ),
    WET: Range(0.0, 1e6, "a mass in g above 0", "152.30", above=True),
    DRY: Range(0.0, 1e6, "a mass in g above 0", "128.45", above=True),
    TARE: Range(0.0, 1e6, "a mass in g, 0 or more", "20.00"),
}


@dataclass(frozen=True, slots=True)
class Samples:
    """What a file of samples holds.

    `weighings` stands beside `pairs`, and is empty if the file gives the moisture itself.
    `ignored` names columns that are not used.
    """

    pairs: tuple[Pair, ...]
    weighings: tuple[Weighing, ...]
    ignored: tuple[str, ...]


def read_samples(path: Path) -> Samples:
    """Read a CSV file of samples.

    Parameters
    ----------
    path : Path
        UTF-8, commas, a header line, points as decimal marks. `COLUMNS` in any order: resistance
        and temperature, and either the moisture or the weighings it follows from.

    Raises
    ------
    RigFileError
        The file can't be read (line 0) or has mistakes: all of them, in file order.
    """
    return _Reader(str(path)).read(read_text(path, what="a file of samples"))


class _Reader:
    """Reads one file and gathers what is wrong in it."""

    def __init__(self, file: str) -> None:
        self._cells = Cells(file)
        self._note = self._cells.note

    def read(self, text: str) -> Samples:
        lines = list(self._cells.lines(text))
        pairs: list[Pair] = []
        weighings: list[Weighing] = []
        ignored: tuple[str, ...] = ()
        if not lines:
            self._note(1, "the file", Written("empty"), _A_LINE_EACH, _FOR_EXAMPLE)
        else:
            (line, header), rows = lines[0], lines[1:]
            names = [cell.strip() for cell in header]
            ignored = tuple(dict.fromkeys(name for name in names if name not in COLUMNS))
            self._check_header(line, names)
            if set(names) & set(COLUMNS):
                for number_of_line, cells in rows:
                    self._row(number_of_line, names, cells, pairs, weighings)
            if not rows and not self._cells.broken_off:
                found = Written("a header only")
                self._note(line, "the file", found, _A_LINE_EACH, "Add the samples.")
        self._cells.close()
        return Samples(tuple(pairs), tuple(weighings), ignored)

    def _check_header(self, line: int, names: list[str]) -> None:
        if self._cells.separated_otherwise(line, names):
            return
        if not set(names) & set(COLUMNS):
            self._note(
                line,
                "the header",
                ",".join(names),
                f"the names of columns with commas between: {RESISTANCE}, {TEMPERATURE}, and "
                f"{MOISTURE} or {WET} and {DRY}",
                _FOR_EXAMPLE,
            )
            return
        for name in dict.fromkeys(names):
            if name in COLUMNS and names.count(name) > 1:
                self._cells.twice(line, name)
        weighed = {WET, DRY, TARE} & set(names)
        if MOISTURE in names and weighed:
            self._note(
                line,
                MOISTURE,
                Written(f"there beside {listed(sorted(weighed))}"),
                "either the moisture or the weighings it follows from",
                "Remove the one that was derived from the other.",
            )
        by_mass = bool(weighed) and MOISTURE not in names
        for name in (RESISTANCE, TEMPERATURE, *((WET, DRY) if by_mass else (MOISTURE,))):
            if name not in names:
                meant = nearest(name, [n for n in names if n not in COLUMNS])
                either = f", or {WET} and {DRY}," if name == MOISTURE else ""
                self._note(
                    line,
                    name,
                    MISSING,
                    f"a column {name}{either} in the header",
                    to_name(name, meant),
                )

    def _row(
        self,
        line: int,
        names: list[str],
        cells: list[str],
        pairs: list[Pair],
        weighings: list[Weighing],
    ) -> None:
        row = self._cells.row(line, names, cells)
        if row is None:
            return
        values: dict[str, float] = {}
        for name in _RANGES:
            if name in row and not (name == TARE and not row[name]):
                value = self._cells.number(line, name, row[name], _RANGES[name])
                if value is not None:
                    values[name] = value
        sample = self._sample(line, row.get(SAMPLE, ""))
        branch = self._branch(line, row.get(BRANCH, ""))
        content = values.get(MOISTURE)
        if WET in values and DRY in values and self._weighed_right(line, values):
            weighings.append(Weighing(values[WET], values[DRY], values.get(TARE)))
            content = moisture(weighings[-1])
        # With a mistake anywhere the pairs are not handed back, so gaps in them do no harm.
        if content is not None and RESISTANCE in values and TEMPERATURE in values:
            pairs.append(Pair(values[RESISTANCE], values[TEMPERATURE], content, sample, branch))

    def _sample(self, line: int, cell: str) -> str:
        if cell and not is_name(cell):
            self._note(
                line, SAMPLE, shown(cell), "up to 60 characters on one line", "Shorten the name."
            )
        return cell or f"line {line}"

    def _branch(self, line: int, cell: str) -> Branch | None:
        if not cell:
            return None
        try:
            return Branch(cell.lower())
        except ValueError:
            meant = nearest(cell, list(Branch))
            self._note(
                line,
                BRANCH,
                shown(cell),
                f"{' or '.join(Branch)}, or nothing",
                f"Did you mean {meant}?" if meant else "Leave it empty if it isn't known.",
            )
            return None

    def _weighed_right(self, line: int, values: Mapping[str, float]) -> bool:
        wet, dry, tare = values[WET], values[DRY], values.get(TARE, 0.0)
        if not tare < dry:
            self._note(
                line,
                DRY,
                shown(dry),
                f"more than the {number(tare)} g of {TARE}: {WET} and {DRY} are weighed with the "
                "container",
                "Correct the weighings, or leave the tare empty if it is already taken off.",
            )
            return False
        percent = 100.0 * (wet - dry) / (dry - tare)
        if wet > dry and percent <= WETTEST:
            return True
        self._note(
            line,
            WET,
            shown(wet),
            f"more than the {number(dry)} g of {DRY}, and not more than {number(WETTEST)} % of the "
            "oven-dry mass above it",
            "Look whether the two are swapped, or a tare is missing.",
        )
        return False
