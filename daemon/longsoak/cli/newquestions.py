"""How `longsoak new` asks: a wrong answer gets a sentence and is asked again."""

import sys
from collections.abc import Callable, Sequence
from typing import TypeVar

import click

from longsoak.cli.common import BAD_INPUT
from longsoak.rigfile.report import number
from longsoak.rigfile.words import is_name

T = TypeVar("T")


def line(words: str, default: str = "") -> str:
    """A line as it was typed, without space at its ends; the default where it is empty.

    No more input ends the command: nothing has been written yet.
    """
    shown = f" [{default}]" if default else ""
    try:
        typed = str(click.prompt(f"{words}{shown}", default="", show_default=False)).strip()
    except click.Abort:
        click.echo("\nThere are no more answers. Nothing was written.", err=True)
        sys.exit(BAD_INPUT)
    return typed or default


def until_right(words: str, read: Callable[[str], T], default: str = "") -> T:
    """Ask until what was typed can be read; `read` raises `ValueError` with a sentence."""
    while True:
        try:
            return read(line(words, default))
        except ValueError as error:
            click.echo(f"  {error}")


def a_number(words: str, *, low: float, high: float, default: float | None = None) -> float:
    """A number of mm, or of what `words` say, within a range, its ends included."""
    return until_right(
        words,
        lambda typed: _number(typed, low, high),
        "" if default is None else number(default),
    )


def numbers(
    words: str,
    *,
    high: float,
    default: Sequence[float] = (),
    wrong: Callable[[tuple[float, ...]], str | None] = lambda _: None,
) -> list[float]:
    """Numbers in a row from 0 to `high`, each once; `wrong` may say what else is amiss."""

    def read(typed: str) -> list[float]:
        found = [_number(word, 0.0, high) for word in typed.replace(";", " ").split()]
        if not found:
            raise ValueError("Write one number or more, with spaces between, such as 30 90.")
        if len(set(found)) < len(found):
            raise ValueError("Write each place once.")
        amiss = wrong(tuple(found))
        if amiss:
            raise ValueError(amiss)
        return sorted(found)

    return until_right(words, read, " ".join(map(number, default)))


def a_name(words: str, *, default: str = "", longest: int = 60, taken: Sequence[str] = ()) -> str:
    """A name on one line that is not taken yet."""

    def read(typed: str) -> str:
        if not is_name(typed) or len(typed) > longest:
            raise ValueError(f"Write a name of 1 to {longest} characters.")
        if typed in taken:
            raise ValueError(f'"{typed}" is there already: give it a name of its own.')
        return typed

    return until_right(words, read, default)


def yes_or_no(words: str, *, default: bool) -> bool:
    """A plain answer."""

    def read(typed: str) -> bool:
        if typed.lower() in ("y", "yes", "n", "no"):
            return typed.lower().startswith("y")
        raise ValueError("Write yes or no.")

    return until_right(f"{words} (yes, no)", read, "yes" if default else "no")


def one_of(words: str, choices: Sequence[str], *, default: str = "") -> str:
    """One of some words, by itself or by its number in the list that is shown."""
    for place, choice in enumerate(choices, start=1):
        click.echo(f"  {place}  {choice}")

    def read(typed: str) -> str:
        if typed in choices:
            return typed
        if typed.isascii() and typed.isdigit() and 1 <= int(typed) <= len(choices):
            return choices[int(typed) - 1]
        raise ValueError(f"Write a number from 1 to {len(choices)}, or the words behind it.")

    usual = f"{choices.index(default) + 1}" if default in choices else default
    return until_right(words, read, usual)


def _number(typed: str, low: float, high: float) -> float:
    from longsoak.cli.options import number_of

    try:
        value = number_of("a number", low, high)(typed)
    except click.BadParameter as error:
        said = typed or "nothing"
        hint = error.message.rpartition(" Write ")
        raise ValueError(
            f"{said!r} is no number from {number(low)} to {number(high)}."
            + (f" Write {hint[2]}" if hint[1] else "")
        ) from error
    return round(value, 3)
