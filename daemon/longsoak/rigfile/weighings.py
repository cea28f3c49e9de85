"""Reads the weighings of a specimen that sucks up water: all of them, or every mistake at once."""

from dataclasses import dataclass
from pathlib import Path

from longsoak.rigfile.cells import Cells, Range, read_text
from longsoak.rigfile.elapsed import LONGEST, TIMES, time_column
from longsoak.rigfile.report import Written, number

MASS = "mass_g"
_MASSES = Range(0.0, 1e7, "a mass in g above 0 and up to 1e7", "1012.4", above=True)
_HEADER = f"time_min,{MASS}"


@dataclass(frozen=True, slots=True)
class Weighings:
    """What a file of weighings holds, in SI units.

    `times` since the face met the water, s, rising; `masses` beside them, kg. `dry_mass` is the
    one at time 0, kg, or None if there is none. `ignored` names columns that are not used.
    """

    times: tuple[float, ...]
    masses: tuple[float, ...]
    dry_mass: float | None
    ignored: tuple[str, ...]


def read_weighings(path: Path) -> Weighings:
    """Read a CSV file of weighings.

    Parameters
    ----------
    path : Path
        UTF-8, commas, a header line, points as decimal marks. One of `TIMES` and `MASS`, in any
        order; times rise.

    Raises
    ------
    RigFileError
        The file can't be read (line 0) or has mistakes: all of them, in file order.
    """
    text = read_text(path, what="a file of weighings")
    cells = Cells(str(path))
    lines = list(cells.lines(text))
    weighings: list[tuple[float, float]] = []
    ignored: tuple[str, ...] = ()
    if not lines:
        remedy = f"Write for example {_HEADER} as the first line."
        each = "a header line, then a line for each weighing"
        cells.note(1, "the file", Written("empty"), each, remedy)
    else:
        (line, first), rows = lines[0], lines[1:]
        names = [cell.strip() for cell in first]
        time = _checked_header(cells, line, names)
        ignored = tuple(dict.fromkeys(n for n in names if n not in (time, MASS)))
        if time is not None:
            weighings = _rows(cells, names, time, rows)
        if not rows and not cells.broken_off:
            each = "a header line, then a line for each weighing"
            cells.note(line, "the file", Written("a header only"), each, "Add the weighings.")
    cells.close()
    dry_mass = weighings.pop(0)[1] if weighings and weighings[0][0] == 0.0 else None
    return Weighings(
        times=tuple(seconds for seconds, _ in weighings),
        masses=tuple(mass for _, mass in weighings),
        dry_mass=dry_mass,
        ignored=ignored,
    )


def _checked_header(cells: Cells, line: int, names: list[str]) -> str | None:
    """Name the column of times, if there is one."""
    if cells.separated_otherwise(line, names):
        return None
    time = time_column(cells, line, names, example=_HEADER)
    cells.header(line, names, needed=[MASS] if time is None else [time, MASS])
    return time if MASS in names else None


def _rows(
    cells: Cells, names: list[str], time: str, rows: list[tuple[int, list[str]]]
) -> list[tuple[float, float]]:
    """Time in s and mass in kg of each row; what has a mistake is left out."""
    unit = time.removeprefix("time_")
    each = TIMES[time]
    times = Range(0.0, LONGEST / each, f"a time in {unit} since it met the water", "5")
    found: list[tuple[float, float]] = []
    last: tuple[int, float] | None = None
    for line, written in rows:
        row = cells.row(line, names, written)
        if row is None:
            continue
        at = cells.number(line, time, row[time], times)
        mass = cells.number(line, MASS, row[MASS], _MASSES)
        if at is not None:
            if last is not None and at <= last[1]:
                cells.note(
                    line,
                    time,
                    Written(number(at)),
                    f"more than {number(last[1])}, the time in line {last[0]}",
                    "Put the weighings in order, each time once.",
                )
            last = line, at
        if at is not None and mass is not None:
            found.append((at * each, mass / 1000.0))
    return found
