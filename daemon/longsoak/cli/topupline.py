"""The one line of a top-up at the terminal: drawn again and again, with a bell and a colour."""

import os
import sys
from contextlib import suppress

import click

from longsoak.core.water.guide import COMING_LEAST, FIRST_LEVELS, Told, Word

_COLOUR = {Word.SLOW: "yellow", Word.STOP: "red", Word.OVER: "red", Word.FLOAT_UP: "red"}
BELL_AGAIN = 1.0  # s between two bells while the water should have stopped


def line_of(told: Told) -> str:
    """What is told at one look, without the word: the less it matters, the farther to the right."""
    said = []
    if told.over > 0.0:
        said.append(f"draw off {told.over:.1f} L")
    elif told.litres_to_go is not None and told.mm_to_go is not None:
        said.append(f"{told.litres_to_go:.1f} L ({told.mm_to_go:.0f} mm) to go")
    said.append("no level yet" if told.age is None else f"read {max(0, told.age):.0f} s ago")
    if told.poured is not None:
        coming = f" + {told.on_its_way:.1f}" if told.on_its_way >= COMING_LEAST else ""
        said.append(f"poured {told.poured:.1f}{coming} L")
    if told.clearance is not None:
        said.append(f"clear {told.clearance:.0f} mm")
    return " · ".join(said)


class Line:
    """Shows what is told; on a terminal in place, else a line at each new word."""

    def __init__(self) -> None:
        self._drawn = sys.stderr.isatty()
        self._coloured = self._drawn and not os.environ.get("NO_COLOR")
        self._word: Word | None = None
        self._begun: float | None = None
        self._rung = 0.0

    def show(self, told: Told, *, now: float) -> None:
        """Draw it; `now` in s on a clock that is never set."""
        self._begun = now if self._begun is None else self._begun
        if told.word is Word.UNKNOWN and self._word is None and now - self._begun < FIRST_LEVELS:
            return  # the rig is asked to look more often
        new, self._word = told.word is not self._word, told.word
        again = told.word is not Word.SLOW and now - self._rung >= BELL_AGAIN
        if told.word in _COLOUR and (new or again):
            self._ring(now)
        text = line_of(told)
        if not self._drawn:
            if new:
                click.echo(f"{told.word}: {text}", err=True)
            return
        word = f" {told.word} "
        if self._coloured and told.word in _COLOUR:
            word = click.style(word, bg=_COLOUR[told.word], fg="black", bold=True)
        # Cut to the width, for a line that wraps can't be drawn in place.
        width = _columns() - len(told.word) - 4
        sys.stderr.write(f"\r\x1b[K{word} {text[:width]}")
        sys.stderr.flush()

    def done(self) -> None:
        """Leave the line as it stands."""
        if self._drawn:
            click.echo(err=True)

    def _ring(self, now: float) -> None:
        self._rung = now
        if self._drawn:
            sys.stderr.write("\a")


def _columns() -> int:
    with suppress(OSError):
        return os.get_terminal_size(sys.stderr.fileno()).columns or 80
    return 80
