"""What `longsoak new` shows of a rig: its drawing, what it takes, cautions, and what comes next."""

from pathlib import Path
from textwrap import fill

import click

from longsoak.core.cautions import cautions, output_cautions
from longsoak.core.proof.safety import DECIDES, SAFETY
from longsoak.rigfile.newrig.answers import Answers, Layout
from longsoak.rigfile.newrig.effort import (
    Minutes,
    assumptions,
    effort,
    effort_words,
    what_it_adds,
)
from longsoak.rigfile.newrig.picture import picture
from longsoak.vocabulary.rig import Rig

# What is told before somebody builds a rig, of all that is looked at before water goes on.
_BEFORE_BUILDING = ("extra-low voltage", "residual current", "lifting", "mould")
_DRILLING = (
    "Drilling: look for cables and pipes first, clamp what is drilled, and wear eye and breathing "
    "protection; dust of masonry and old paint harms the lungs."
)


def tell(answers: Answers, minutes: Minutes) -> None:
    """Draw the rig and say what each layout takes."""
    click.echo(f"\n{picture(answers)}\n")
    tell_effort(answers, minutes)


def tell_chosen(answers: Answers, minutes: Minutes) -> None:
    """Draw the rig and say what the layout that was chosen takes."""
    click.echo(f"\n{picture(answers)}\n")
    click.echo(_wrapped(effort_words(effort(answers, answers.layout, minutes)), "  "))


def tell_effort(answers: Answers, minutes: Minutes) -> None:
    """What each layout takes, what the larger one adds, and what is assumed."""
    for layout in Layout:
        mark = "* " if layout is answers.layout else "  "
        click.echo(_wrapped(effort_words(effort(answers, layout, minutes)), mark))
    click.echo("\nA sceptic-proof layout adds (common practice):")
    for words in what_it_adds():
        click.echo(f"  - {words}")
    click.echo(f"\n{_wrapped(assumptions(minutes))}")


def cautioned(rig: Rig) -> None:
    """What can hurt while the rig is built, and what its values can't be taken for."""
    click.echo("\nBefore you build it (common practice):")
    for item in SAFETY:
        if item.key in _BEFORE_BUILDING:
            click.echo(_wrapped(f"{item.title}. {item.why}", "  - "))
    click.echo(_wrapped(_DRILLING, "  - "))
    click.echo(_wrapped(DECIDES, "  "))
    for words in (*cautions(rig), *output_cautions(rig)):
        click.echo(f"\n{_wrapped(f'Caution: {words}')}")


def next_steps(path: Path) -> None:
    """What to do next, as commands."""
    click.echo(
        "\nWhat comes next:\n"
        "  1. Put your own addresses in where the file says that they are made up.\n"
        f"  2. longsoak check {path}    prints the wiring plan: wire it like that\n"
        f"  3. longsoak run {path}      measures from then on\n"
        f"  4. longsoak prove {path}    proves each channel meanwhile\n"
        "  5. Only then let water in."
    )


def _wrapped(words: str, first: str = "") -> str:
    indent = " " * len(first)
    return fill(words, 96, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)
