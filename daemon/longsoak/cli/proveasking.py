"""What a walk asks of the person at the terminal, and how they see that it waits."""

import sys
from collections.abc import Callable, Sequence
from enum import Enum, auto

import click

from longsoak.cli.options import number_of
from longsoak.proving.walk import Walk
from longsoak.vocabulary.reading import Reading

PAUSE = 0.2  # s between two looks at what is waited for


class Said(Enum):
    """What a person wants of a step."""

    GO = auto()
    LEAVE_OUT = auto()
    REPEAT = auto()
    QUIT = auto()
    OTHER_VALUE = auto()


_KEYS = {"": Said.GO, "s": Said.LEAVE_OUT, "r": Said.REPEAT, "q": Said.QUIT}
_VALUE = {"v": Said.OTHER_VALUE}


def line(words: str) -> str:
    """A line as it was typed, without space at its ends; no more input ends the walk."""
    try:
        return str(click.prompt(words, default="", show_default=False)).strip()
    except click.Abort:  # no more input, or Ctrl-C: what was kept stays
        click.echo("\nStopped; the walk goes on later where it stopped.", err=True)
        sys.exit(1)


def go_on(words: str, *, value: bool = False) -> Said:
    """How a step is to go on; `value` is whether another value may be wished for."""
    keys = _KEYS | _VALUE if value else _KEYS
    letters = [letter for letter in keys if letter]
    while True:
        said = keys.get(line(f"{words} [{', '.join(['Enter', *letters])}]").lower())
        if said is not None:
            return said
        click.echo(f"Press Enter to go on, or {', '.join(letters[:-1])} or {letters[-1]}.")


def yes_or_no(words: str) -> bool | None:
    """A plain answer; None for anything else, which is told."""
    answer = line(f"{words} (yes, no)").lower()
    if answer in ("y", "yes", "n", "no"):
        return answer.startswith("y")
    click.echo("Write yes or no.")
    return None


def number(words: str, unit: str, low: float, high: float) -> float | None:
    """A number, or None for an empty line."""
    checked = number_of(unit, low, high)
    while typed := line(words):
        try:
            return checked(typed)
        except click.BadParameter as error:
            click.echo(error.message)
    return None


def until(look: Callable[[], bool], *, limit: float, pause: Callable[[float], object]) -> bool:
    """Whether it came true within a time, s."""
    waited = 0.0
    while not look():
        if waited >= limit:
            return False
        pause(PAUSE)
        waited += PAUSE
    return True


def looked(walk: Walk, names: Sequence[str], **how: int) -> dict[str, list[Reading]]:
    """Readings of some probes, with a bar while they come in."""
    with click.progressbar(length=100, label="Reading", file=sys.stderr) as bar:

        def progress(there: int, wanted: int) -> None:
            bar.update(100 * there // max(1, wanted) - bar.pos)

        return walk.look(names, progress=progress, **how)
