"""Reads a CSV file of measured values cell by cell, and gathers every mistake in it."""

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from longsoak.core.wording import with_noun
from longsoak.rigfile.report import MISSING, Written, listed, nearest, shown
from longsoak.vocabulary.errors import Mistake, RigFileError

# Not all that float() takes: "1_000" and "nan" are no measured numbers.
_PLAIN = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
_OTHER_SEPARATORS = {";": "semicolons", "\t": "tabs"}


@dataclass(frozen=True, slots=True)
class Range:
    """What a column takes: from `low`, which itself is left out if `above`, up to `high`."""

    low: float
    high: float
    expected: str
    example: str
    above: bool = False


def read_text(path: Path, *, what: str) -> str:
    """Read a file in UTF-8; `what` names such a file.

    Raises
    ------
    RigFileError
        It can't be read (line 0), or is no UTF-8.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        found = f"unreadable ({error.strerror or error})"
        expected = f"{what} this user may read"
        remedy = "Correct the path, or the file's permissions."
        mistake = Mistake(str(path), 0, "the file", Written(found), expected, remedy)
        raise RigFileError((mistake,)) from error
    try:
        return data.decode("utf-8-sig")  # spreadsheets put a byte order mark first
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"text with the byte 0x{data[error.start]:02x}"
        remedy = "Save the file as UTF-8."
        mistake = Mistake(str(path), line, "the file", Written(found), "text in UTF-8", remedy)
        raise RigFileError((mistake,)) from error


def plain(cell: str) -> float | None:
    """A cell's number, or None if it holds none that was measured."""
    value = float(cell) if _PLAIN.fullmatch(cell) else float("nan")
    return value if isfinite(value) else None


def to_name(name: str, meant: str | None) -> str:
    """What to do about a missing column, where `meant` is there and may be it.

    Columns carry their unit after the last underscore, and to rename one of another unit would
    turn every value in it wrong.
    """
    if meant is None:
        return "Add it."
    unit = name.rpartition("_")[2]
    if "_" in meant and meant.rpartition("_")[2] != unit:
        return f"If {meant} is that, convert it to {unit} and name it {name}."
    return f"Rename {meant} if it is that."


class Cells:
    """The rows of one file, and the mistakes in them."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._mistakes: list[Mistake] = []
        self.broken_off = False  # the rest can't be told apart into cells

    def note(self, line: int, field: str, found: object, expected: str, remedy: str) -> None:
        """Note one mistake."""
        self._mistakes.append(Mistake(self._file, line, field, found, expected, remedy))

    def close(self) -> None:
        """Raise what was noted.

        Raises
        ------
        RigFileError
            There was a mistake. All are told, in file order.
        """
        if self._mistakes:
            raise RigFileError(tuple(sorted(self._mistakes, key=lambda mistake: mistake.line)))

    def lines(self, text: str) -> Iterator[tuple[int, list[str]]]:
        """Each filled line with its number; a quoted cell may run over several."""
        rows = csv.reader(io.StringIO(text, newline=""), strict=True)
        line = 1
        try:
            for cells in rows:
                if any(cell.strip() for cell in cells):
                    yield line, cells
                line = rows.line_num + 1
        except csv.Error as error:
            self.broken_off = True
            remedy = "Look for a quotation mark too many; the rest is looked at then."
            self.note(line, "the line", Written(f"not CSV ({error})"), "cells and commas", remedy)

    def separated_otherwise(self, line: int, header: Sequence[str]) -> bool:
        """Note a file whose columns are not kept apart by commas.

        Such a file may have commas or points as decimal marks, and points between thousands: 1.234
        can't be told from 1234 in it, so it is not taken.
        """
        for mark, words in _OTHER_SEPARATORS.items():
            if any(mark in cell for cell in header):
                self.note(
                    line,
                    "the header",
                    Written(f"kept apart by {words}"),
                    "commas between the columns",
                    "Save the file with commas between, and with points in the numbers.",
                )
                return True
        return False

    def header(self, line: int, names: Sequence[str], *, needed: Sequence[str]) -> None:
        """Note columns that are missing or there twice."""
        for name in dict.fromkeys(names):
            if name in needed and names.count(name) > 1:
                self.twice(line, name)
        for name in needed:
            if name not in names:
                meant = nearest(name, [n for n in names if n not in needed])
                self.note(
                    line,
                    name,
                    MISSING,
                    f"the columns {listed(needed)} in the header",
                    to_name(name, meant),
                )

    def twice(self, line: int, name: str) -> None:
        """Note a column that is there more than once."""
        found = Written("there twice")
        self.note(line, name, found, "each column once", "Remove or rename one.")

    def row(self, line: int, names: Sequence[str], cells: Sequence[str]) -> dict[str, str] | None:
        """The cells by name, bare; None and a mistake if they are too many or too few."""
        if len(cells) != len(names):
            self.note(
                line,
                "the line",
                Written(with_noun(len(cells), "cell")),
                f"{len(names)}, as in the header",
                "Add or remove commas; a decimal mark must be a point.",
            )
            return None
        return {name: cell.strip() for name, cell in zip(names, cells, strict=True)}

    def number(self, line: int, name: str, cell: str, within: Range) -> float | None:
        """The number in a cell; None and a mistake if there is none, or none that can be."""
        value = plain(cell)
        if value is not None:
            too_low = value <= within.low if within.above else value < within.low
            if not too_low and value <= within.high:
                return value
        pointed = cell.replace(",", ".")
        remedy = f"Write for example {within.example}."
        if cell.count(",") == 1 and _PLAIN.fullmatch(pointed):
            remedy = f"Write {pointed}, with a point."
        elif not cell:
            remedy = "Fill it in, or remove the line."
        found = shown(cell) if cell else Written("empty")
        self.note(line, name, found, f"{within.expected}, as a bare number", remedy)
        return None
