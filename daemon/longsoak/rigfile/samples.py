"""Reads the paired samples a curve is fitted to: all of them, or every mistake at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from longsoak.core.fitting import Branch, Pair
from longsoak.core.gravimetry import Weighing, moisture
from longsoak.core.wording import with_noun
from longsoak.rigfile.cells import Cells, Range, plain, read_text, to_name
from longsoak.rigfile.curvetable import WETTEST
from longsoak.rigfile.report import MISSING, Written, listed, nearest, number, shown
from longsoak.rigfile.words import is_name

RESISTANCE, TEMPERATURE, MOISTURE = "resistance_ohm", "temperature_c", "moisture_percent"
WET, DRY, TARE = "wet_g", "dry_g", "tare_g"
SAMPLE, BRANCH = "sample", "branch"
COLUMNS = (RESISTANCE, TEMPERATURE, MOISTURE, WET, DRY, TARE, SAMPLE, BRANCH)
_A_LINE_EACH = "a header line, then a line for each sample"
_FOR_EXAMPLE = f"Write for example {RESISTANCE},{TEMPERATURE},{MOISTURE} as the first line."

SHORT = 1e4  # Ohm; `longsoak.core.judge` has the same

_RANGES = {
    # Below the least of these a rig takes pins for shorted; no meter reads more than the most.
    RESISTANCE: Range(SHORT, 1e15, "a resistance in Ohm from 10000 to 1e15", "1.2e8"),
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
        self._low: list[tuple[int, str]] = []  # lines whose resistance is below a short, as written
        self._met: dict[tuple[str, ...], int] = {}  # named samples with their values, by line

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
                self._note_low(rows=len(rows))
                self._note_no_tare(line, names, rows)
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
        if self._swapped(line, row):
            return
        self._note_again(line, row)
        for name in _RANGES:
            if name == RESISTANCE and self._is_low(line, row.get(name, "")):
                continue
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

    def _swapped(self, line: int, row: Mapping[str, str]) -> bool:
        """Note a resistance and a moisture that could only be each other's."""
        ohm, moist = (plain(row.get(name, "")) for name in (RESISTANCE, MOISTURE))
        if ohm is None or moist is None or not 0.0 < ohm <= WETTEST < SHORT <= moist:
            return False
        found = f"{row[RESISTANCE]} beside a {MOISTURE} of {row[MOISTURE]}"
        expected = _RANGES[RESISTANCE].expected
        self._note(line, RESISTANCE, Written(found), expected, "Are the two columns swapped?")
        return True

    def _is_low(self, line: int, cell: str) -> bool:
        ohm = plain(cell)
        if ohm is None or not 0.0 < ohm < SHORT:
            return False
        self._low.append((line, cell))
        return True

    def _note_low(self, *, rows: int) -> None:
        """Note once what is no resistance in Ohm, for one wrong unit makes every line wrong."""
        if not self._low:
            return
        (line, cell), more = self._low[0], len(self._low) - 1
        also = f", and as low in {with_noun(more, 'more line')}" if more else ""
        self._note(
            line,
            RESISTANCE,
            Written(f"{shown(cell)}{also}"),
            f"{_RANGES[RESISTANCE].expected}, as a rig takes less for a short",
            "This is more like kOhm or MOhm: write Ohm."
            if 2 * len(self._low) > rows
            else "If it is in kOhm or MOhm, write it in Ohm; if not, leave the sample out.",
        )

    def _note_no_tare(
        self, line: int, names: Sequence[str], rows: Sequence[tuple[int, list[str]]]
    ) -> None:
        if TARE not in names or names.count(TARE) > 1:
            return
        at = names.index(TARE)
        if rows and not any(len(cells) > at and cells[at].strip() for _, cells in rows):
            self._note(
                line,
                TARE,
                Written("empty in every line"),
                "what the container weighs, in g, where it was weighed along",
                "Fill it in, or remove the column if the samples were weighed bare.",
            )

    def _note_again(self, line: int, row: Mapping[str, str]) -> None:
        """Note a sample that is there twice with the same values: it would count for two."""
        if not row.get(SAMPLE):
            return
        key = tuple(row.get(name, "") for name in COLUMNS)
        first = self._met.setdefault(key, line)
        if first != line:
            self._note(
                line,
                SAMPLE,
                Written(f"{shown(row[SAMPLE])} with the same values as in line {first}"),
                "each measurement once",
                "Remove one of the two lines.",
            )

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
