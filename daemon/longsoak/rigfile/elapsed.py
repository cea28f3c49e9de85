"""The one column of a CSV file that tells the time since the face met the water."""

from collections.abc import Sequence

from longsoak.rigfile.cells import Cells
from longsoak.rigfile.report import MISSING, Written, listed

TIMES = {"time_s": 1.0, "time_min": 60.0, "time_h": 3600.0}  # s
LONGEST = 1e9  # s; the core's own bound


def time_column(cells: Cells, line: int, names: Sequence[str], *, example: str) -> str | None:
    """Name the column of times: one of `TIMES`. None and a mistake if there is none, or a second.

    Parameters
    ----------
    cells : Cells
        Takes the mistakes.
    line : int
        The header's.
    names : sequence of str
        The header's cells, bare.
    example : str
        A header as it might be.
    """
    there = [name for name in TIMES if name in names]
    if len(there) > 1:
        cells.note(
            line,
            there[1],
            Written(f"there beside {there[0]}"),
            "one column of times",
            "Remove the one that was derived from the other.",
        )
    if not there:
        either = "one of the columns " + listed(list(TIMES))
        cells.note(line, "the time", MISSING, either, f"Write for example {example}.")
    return there[0] if there else None
