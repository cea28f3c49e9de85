"""Collects mistakes while a rig file is read, and says them the way the file is written."""

import json
import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime, time
from difflib import get_close_matches
from math import inf

from longsoak.rigfile.lines import KeyPath, Lines
from longsoak.vocabulary.errors import Mistake, RigFileError

_LONGEST = 60  # characters of a found value in a message; more hides what is wrong
_EXPONENT_FROM = 1e7  # a longer row of digits is hard to count
_MANY = 8  # names in a list of possible ones


@dataclass(frozen=True, slots=True)
class Written:
    """Something found that is not shown as Python would: in TOML's notation, or in words."""

    text: str

    def __repr__(self) -> str:
        return self.text


MISSING = Written("missing")
UNKNOWN = Written("an unknown key")  # without its value: it may be a secret in the wrong place


class Report:
    """The mistakes of one file, in the order they were met."""

    def __init__(self, file: str, lines: Lines) -> None:
        self._file = file
        self._lines = lines
        self._mistakes: list[Mistake] = []

    def add(self, path: KeyPath, found: object, *, expected: str, remedy: str) -> None:
        """Note one mistake at `path`."""
        self._mistakes.append(
            Mistake(
                file=self._file,
                line=self.line(path),
                field=field_name(path),
                found=shown(found),
                expected=expected,
                remedy=remedy,
            )
        )

    def line(self, path: KeyPath) -> int:
        """Line of `path`, or of what it would stand in."""
        return self._lines.of(path)

    def close(self) -> None:
        """Raise what was noted.

        Raises
        ------
        RigFileError
            There was at least one mistake. They are in the order of the file.
        """
        if self._mistakes:
            raise RigFileError(tuple(sorted(self._mistakes, key=lambda mistake: mistake.line)))


def field_name(path: KeyPath) -> str:
    """Write a path as a person would: ``probes[3].depth``, ``curves."my fir".points[0]``."""
    words = ""
    for part in path:
        if isinstance(part, int):
            words += f"[{part}]"
        else:
            words += ("." if words else "") + key_text(part)
    return words or "the file"


def key_text(key: str) -> str:
    """Write a key bare where TOML allows it, else in quotes."""
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else quoted(key)


def quoted(text: str) -> str:
    """Write text as TOML does."""
    return json.dumps(text, ensure_ascii=False)


def shown(value: object) -> object:
    """What a message shows for a value found in the file; text and plain numbers as they are."""
    if isinstance(value, str):
        return value if len(value) <= _LONGEST else Written(f"{value[:_LONGEST]!r}…")
    if isinstance(value, float) and value.is_integer() and abs(value) < _EXPONENT_FROM:
        return int(value)  # as most files write it
    if isinstance(value, float | Written) or (
        isinstance(value, int) and not isinstance(value, bool) and abs(value) < 10**18
    ):
        return value
    text = toml(value)
    return Written(text if len(text) <= _LONGEST else f"{text[:_LONGEST]}…")


def as_written(value: object) -> object:
    """A number of a whole value with its point, where the point is what is wrong with it."""
    if isinstance(value, float) and value.is_integer() and abs(value) < _EXPONENT_FROM:
        return Written(f"{value:.1f}")
    return value


def toml(value: object) -> str:
    """Write a value in TOML's notation, on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) >= 10**18:
        return "a whole number of more than 18 digits"  # Python refuses to print very long ones
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, list):
        return f"[{', '.join(map(toml, value))}]"
    if isinstance(value, dict):
        pairs = ", ".join(f"{key_text(str(key))} = {toml(item)}" for key, item in value.items())
        return f"{{ {pairs} }}" if pairs else "{}"
    return number(value) if isinstance(value, int | float) else str(value)


def number(value: float) -> str:
    """Write a number without digits it doesn't need: 240, 61.2, 2.24e10."""
    if not _EXPONENT_FROM <= abs(value) < inf:
        return f"{value:.12g}"
    digits, exponent = f"{value:.11e}".split("e")
    return f"{digits.rstrip('0').rstrip('.')}e{int(exponent)}"


def listed(names: Collection[str]) -> str:
    """Write names in a row, the first few where there are many."""
    first = ", ".join(list(names)[:_MANY])
    return first if len(names) <= _MANY else f"{first} and {len(names) - _MANY} more"


def nearest(name: str, names: Iterable[str]) -> str | None:
    """Which of `names` was most likely meant, if any is near."""
    by_lower = {candidate.lower(): candidate for candidate in names}
    found = get_close_matches(name.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[found[0]] if found else None


def unknown_key(report: Report, path: KeyPath, *, possible: Collection[str]) -> None:
    """Note a key that the table at ``path[:-1]`` doesn't have."""
    key = str(path[-1])
    meant = nearest(key, possible)
    report.add(
        path,
        UNKNOWN,
        expected=f"one of {', '.join(possible)}" if possible else "no further keys here",
        remedy=f"Did you mean {meant}? Otherwise remove it." if meant else "Remove it.",
    )
