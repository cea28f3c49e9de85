"""What the commands share: the rig file argument, and how mistakes are told."""

import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from difflib import get_close_matches
from pathlib import Path

import click

from longsoak.core.wording import with_noun
from longsoak.store.files import folder_of
from longsoak.store.reader import Record, RigVersion
from longsoak.vocabulary.curve import Curve
from longsoak.vocabulary.errors import RequestError, RigFileError, StoreError

DONE, FOUND_WRONG, BAD_INPUT = 0, 1, 2

# Whether it is there, a file and readable is told by whoever reads it, in our words.
a_path = click.Path(path_type=Path, readable=False)

rig_file = click.argument("rig_file", default="rig.toml", type=a_path)


curves_option = click.option(
    "--rig", "rig_file", type=a_path, help="Also take the curves of this rig file."
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
        near = " or ".join(
            f'"{other}"' for other in get_close_matches(name, known, n=3, cutoff=0.3)
        )
        hint = f"Did you mean {near}?" if near else "`longsoak curves` lists them."
        click.echo(f"There is no curve {name!r}. {hint}", err=True)
        sys.exit(BAD_INPUT)
    return known[name]


def own_record(rig_file: Path) -> tuple[Record, RigVersion | None]:
    """The record beside a rig file, and the version of the file it was last kept under.

    Raises
    ------
    RigFileError
        The rig file can't be read, or the record is another rig's.
    StoreError
        There is no record, or it can't be read.
    """
    from longsoak.rigfile.load import text_of
    from longsoak.rigfile.naming import check_name

    text = text_of(rig_file)
    record = Record(folder_of(rig_file))
    version = record.rig_version()
    if version is not None:
        check_name(text, kept=version.text, file=str(rig_file), folder=record.folder)
    return record, version


@contextmanager
def told(*, so: str = "") -> Iterator[None]:
    """Tell our own errors as sentences and end with the right exit code.

    `so` is what follows from mistakes in the rig file, such as that nothing was started.
    """
    try:
        yield
    except RigFileError as error:
        click.echo(str(error), err=True)
        if so or len(error.mistakes) > 1:
            count = with_noun(len(error.mistakes), "mistake")
            click.echo(f"{count}; {so}." if so else f"{count}.", err=True)
        sys.exit(BAD_INPUT)
    except RequestError as error:
        click.echo(str(error), err=True)
        sys.exit(BAD_INPUT)
    except StoreError as error:
        click.echo(str(error), err=True)
        sys.exit(FOUND_WRONG)


def table(
    columns: Sequence[str], rows: Sequence[Sequence[str]], *, right: str | Sequence[str] = ""
) -> str:
    """Rows under their headings; `right` names the columns that align to the right."""
    aligned = right.split() if isinstance(right, str) else right
    widths = [max(map(len, column)) for column in zip(columns, *rows, strict=True)]
    lines = []
    for row in (columns, *rows):
        cells = [
            cell.rjust(width) if heading in aligned else cell.ljust(width)
            for heading, cell, width in zip(columns, row, widths, strict=True)
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)
