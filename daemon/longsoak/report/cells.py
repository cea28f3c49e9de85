"""Cells of a CSV file as text, so that what is read back is what was kept."""

import math
from array import array
from collections.abc import Sequence

from longsoak.core.wording import rfc3339
from longsoak.report.fields import Cell, FieldType

# What a spreadsheet takes for the start of a formula, and the apostrophe that marks it as text.
_GUARDED = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20", "'")
_QUOTED = frozenset(',"\r\n')
# A number of 32 bits has 6 digits at least that mean something, and never needs more than 9. Only
# those next to nothing have fewer.
_FEWEST, _MOST = 6, 9
_NEXT_TO_NOTHING = 2.0**-126


def text_cell(text: str) -> str:
    """Write a text, quoted where needed, that no spreadsheet takes for a formula.

    One that begins like a formula, or with an apostrophe, gets an apostrophe in front: whoever
    takes one off each cell that begins with one has the text as it was.
    """
    if text.startswith(_GUARDED):
        text = f"'{text}"
    if _QUOTED.isdisjoint(text):
        return text
    return '"' + text.replace('"', '""') + '"'


def cell(kind: FieldType, value: Cell) -> str:
    """Write one cell; None is an empty one."""
    if value is None:
        return ""
    match kind:
        case FieldType.DATETIME:
            return rfc3339(int(value))
        case FieldType.NUMBER:
            return wide_number(float(value))
        case FieldType.BOOLEAN:
            return "true" if value else "false"
        case FieldType.INTEGER:
            return str(int(value))
    return text_cell(str(value))


def wide_number(value: float) -> str:
    """Write a number of 64 bits by the shortest text that reads back as the same; NaN is empty."""
    if math.isfinite(value):
        return repr(value)
    return "" if math.isnan(value) else "INF" if value > 0 else "-INF"


def narrow_numbers(values: Sequence[float]) -> list[str]:
    """Write numbers of 32 bits, each by the fewest digits that read back as the same.

    `values` are what an array of floats holds; NaN is empty. All at once, for one by one takes
    several times as long.
    """
    texts = [""] * len(values)
    left = [i for i, value in enumerate(values) if not math.isnan(value)]
    tiny = any(0 < abs(value) < _NEXT_TO_NOTHING for value in values)
    for digits in range(1 if tiny else _FEWEST, _MOST + 1):
        if not left:
            break
        wanted = [values[i] for i in left]
        written = (f"%.{digits}g," * len(left) % tuple(wanted)).split(",")[:-1]
        read = array("f", map(float, written))
        remaining = []
        for i, text, got, value in zip(left, written, read, wanted, strict=True):
            if got == value:
                texts[i] = text
            else:
                remaining.append(i)
        left = remaining
    return ["INF" if t == "inf" else "-INF" if t == "-inf" else t for t in texts]
