"""Options that commands share: numbers, files to be written, and what an entry is asked for."""

import errno
import os
import re
import sys
from collections.abc import Callable
from math import isfinite, nan
from pathlib import Path
from typing import TypeVar

import click

from longsoak.cli.common import BAD_INPUT, a_path

_PREFIXES = {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9, "T": 1e12}
# The ohm sign is in Unicode twice.
_WITH_UNIT = re.compile(r"(\d+\.?\d*|\.\d+) ?([kKMGT]?) ?(?:\u03a9|\u2126|[oO]hms?)?")


def number_of(unit: str, low: float, high: float) -> Callable[[str], float]:
    """A finite number of a unit within a range, for an option.

    click's own lets "nan" and "1_000" pass.
    """

    def number(written: str) -> float:
        value = _read(written)
        if low <= value <= high:
            return value
        pointed = written.replace(",", ".", 1)
        hint = f" Write {pointed}, with a point." if low <= _read(pointed) <= high else ""
        in_ohm = _in_ohm(written) if unit.endswith("in Ohm") else nan
        if low <= in_ohm <= high:
            hint = f" Write {in_ohm:g}."
        raise click.BadParameter(f"{written!r} is not {unit} from {low:g} to {high:g}.{hint}")

    return number


_SECONDS = {"": 1.0, "s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0, "d": 86_400.0}
_DURATION = re.compile(r"(\d+\.?\d*|\.\d+) ?(s|min|m|h|d)?")


_Command = TypeVar("_Command", bound=Callable[..., object])
_OF_AN_ENTRY = (
    click.option("--at", help='When, UTC, as in "2026-05-04 14:20". [default: now, or as it was]'),
    click.option("--by", help="Your initials, for the record. [default: the user's name]"),
    click.option("--corrects", type=int, help="The number of the entry it sets right."),
    click.option("--json", "as_json", is_flag=True, help="Print JSON."),
)
photos_option = click.option(
    "--photo", "photos", type=a_path, multiple=True, help="A photo to go with it."
)


def entry_options(command: _Command) -> _Command:
    """What a command asks that writes an entry of the logbook: when, who, in place of which."""
    for option in reversed(_OF_AN_ENTRY):
        command = option(command)
    return command


def duration(low: float, high: float) -> Callable[[str], float]:
    """A time such as "90", "10m" or "2h" within a range of seconds, for an option."""

    def seconds(written: str) -> float:
        parts = _DURATION.fullmatch(written.strip())
        value = float(parts[1]) * _SECONDS[parts[2] or ""] if parts else nan
        if low <= value <= high:
            return value
        raise click.BadParameter(
            f"{written!r} is no time from {_span(low)} to {_span(high)}. "
            "Write for example 90s or 10m."
        )

    return seconds


def _span(seconds: float) -> str:
    size, unit = max(
        (size, unit)
        for size, unit in ((1.0, "s"), (60.0, "min"), (3600.0, "h"), (86_400.0, "days"))
        if size <= max(seconds, 1.0)
    )
    return f"{seconds / size:g} {unit}"


def _read(written: str) -> float:
    try:
        value = nan if "_" in written else float(written)
    except ValueError:
        return nan
    return value if isfinite(value) else nan


def _in_ohm(written: str) -> float:
    """The number meant by "120M", "4.7 kOhm" or "100 Ω"; not a number if it is none of these."""
    parts = _WITH_UNIT.fullmatch(written.strip())
    return float(parts[1]) * _PREFIXES[parts[2]] if parts else nan


def refuse_to_overwrite(path: Path, *, replace: bool) -> None:
    """Refuse before any work what would write over a file.

    Raises
    ------
    click.UsageError
        The file is there and may not be replaced.
    """
    if path.exists() and not replace:
        raise click.UsageError(f"{path} is there already. Add --replace to write over it.")


def write(path: Path, text: str, *, replace: bool) -> None:
    """Write a file whole or not at all, or end with a sentence that says why not."""
    part = path.with_name(f"{path.name}.part")  # beside it and renamed: a full disk leaves neither
    try:
        try:
            part.write_text(text, encoding="utf-8")
            if not replace and os.path.lexists(path):  # a link that points nowhere is there too
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        click.echo(f"{path} can't be written: {error.strerror or error}.", err=True)
        sys.exit(BAD_INPUT)
