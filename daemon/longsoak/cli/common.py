"""What the commands share: the rig file argument, and how mistakes are told."""

import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from difflib import get_close_matches
from pathlib import Path

import click

from longsoak.core.wording import with_noun
from longsoak.vocabulary.curve import Curve
from longsoak.vocabulary.errors import RigFileError, StoreError

DONE, FOUND_WRONG, BAD_INPUT = 0, 1, 2

rig_file = click.argument(
    "rig_file",
    default="rig.toml",
    type=click.Path(path_type=Path, dir_okay=False),
)


curves_option = click.option(
    "--rig",
    "rig_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also take the curves of this rig file.",
)


def rig_curves(rig_file: Path | None) -> dict[str, Curve]:
    """The shipped curves, and those of a rig file."""
    from longsoak.rigfile.curves import shipped
    from longsoak.rigfile.load import load

    if rig_file is None:
        return dict(shipped())
    return dict(load(rig_file, find_kind=None).curves)


def curve_called(name: str, known: Mapping[str, Curve]) -> Curve:
    """The curve of that name, or an end with the nearest ones told."""
    if name not in known:
        near = get_close_matches(name, known, n=3, cutoff=0.3)
        hint = " or ".join(f'"{other}"' for other in near) or "longsoak curves lists them"
        click.echo(f"There is no curve {name!r}. Did you mean {hint}?", err=True)
        sys.exit(BAD_INPUT)
    return known[name]


@contextmanager
def told() -> Iterator[None]:
    """Tell our own errors as sentences and end with the right exit code."""
    try:
        yield
    except RigFileError as error:
        click.echo(str(error), err=True)
        click.echo(f"{with_noun(len(error.mistakes), 'mistake')}; nothing was started.", err=True)
        sys.exit(BAD_INPUT)
    except StoreError as error:
        click.echo(str(error), err=True)
        sys.exit(FOUND_WRONG)


def table(columns: Sequence[str], rows: Sequence[Sequence[str]], *, right: str = "") -> str:
    """Rows under their headings; `right` names the columns that align to the right."""
    widths = [max(map(len, column)) for column in zip(columns, *rows, strict=True)]
    lines = []
    for row in (columns, *rows):
        cells = [
            cell.rjust(width) if heading in right.split() else cell.ljust(width)
            for heading, cell, width in zip(columns, row, widths, strict=True)
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)
