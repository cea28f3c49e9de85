"""`longsoak new`: from a few answers to a rig file, with a drawing and what it will take."""

import sys
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import click

from longsoak.cli.common import BAD_INPUT, a_path, told
from longsoak.cli.options import number_of, write
from longsoak.rigfile.newrig.answers import Answers
from longsoak.rigfile.newrig.effort import Minutes

_MINUTES = number_of("minutes", 0.0, 600.0)
_WHAT = {
    "pair": "to drill and fit a pair of pins",
    "card": "for an installation card",
    "look": "a week to look at it and top up",
    "hand": "for a reading with a hand meter",
    "weighing": "for a weighing",
    "round": "for a round of water and photos",
}


def _minutes_options(command: Callable[..., None]) -> Callable[..., None]:
    for each in reversed(fields(Minutes)):
        command = click.option(
            f"--minutes-{each.name}",
            default=f"{each.default:g}",
            show_default=True,
            type=_MINUTES,
            help=f"Minutes {_WHAT[each.name]}.",
        )(command)
    return command


@click.command(epilog="Example: longsoak new render-pair --template pair-of-bays")
@click.argument("folder", default=".", type=a_path)
@click.option("--template", metavar="NAME", help="Write one of the common rigs, and ask nothing.")
@click.option("--list", "as_list", is_flag=True, help="List the common rigs.")
@click.option("--answers", type=a_path, help="Take the answers from this file, and ask nothing.")
@click.option("--file-name", default="rig.toml", show_default=True, help="Name of the rig file.")
@click.option("--sys-root", default="/sys", type=a_path, hidden=True)
@click.option("--dev-root", default="/dev", type=a_path, hidden=True)
@_minutes_options
def new(
    folder: Path,
    template: str | None,
    as_list: bool,
    answers: Path | None,
    file_name: str,
    sys_root: Path,
    dev_root: Path,
    **minutes: float,
) -> None:
    """Describe a new rig and write its rig file into FOLDER.

    Asks about the specimen, its probes, what they are read by, the water and who is told of alarms;
    lists what is plugged in; draws the rig; says what a minimum and a sceptic-proof layout take;
    and writes a file with a comment beside each table, which `longsoak check` accepts as it is.
    A rig file that is there is never written over. Ctrl-C writes nothing.
    """
    from longsoak.rigfile.newrig.reading import read_answers
    from longsoak.rigfile.newrig.templates import template_text, templates
    from longsoak.service.drivers import find_kind

    assumed = Minutes(**{key.removeprefix("minutes_"): each for key, each in minutes.items()})
    if as_list:
        for name, words in templates().items():
            click.echo(f"{name:<18}{words}")
        return
    if template is not None and answers is not None:
        raise click.UsageError("Name a template or a file of answers, not both.")
    if template is not None and template not in templates():
        raise click.UsageError(
            f"There is no template {template!r}. There are {', '.join(templates())}."
        )
    if Path(file_name).name != file_name or not file_name.endswith(".toml"):
        raise click.UsageError(f"{file_name!r} is no name of a rig file. Write for example b.toml.")
    if folder.exists() and not folder.is_dir():
        raise click.UsageError(f"{folder} is no folder. Name the folder the rig file goes into.")
    if template is None and answers is None:
        from longsoak.cli.newasking import ask_all, ask_file
        from longsoak.service.plugged import plugged

        path = ask_file(folder, file_name)
        found = ask_all(plugged(sys_root, dev_root), assumed)
    else:
        path = folder / file_name
        if path.exists() or path.is_symlink():
            raise click.UsageError(
                f"{path} is there already and stays as it is. "
                "Name another folder, or another --file-name."
            )
        with told(so="nothing was written"):
            if template is not None:
                found = read_answers(template_text(template), file=template, find_kind=find_kind)
            else:
                from longsoak.rigfile.load import text_of

                text = text_of(answers or Path(), what="a file of answers")
                found = read_answers(text, file=str(answers), find_kind=find_kind)
        from longsoak.cli.newtelling import tell

        tell(found, assumed)
    _write(path, found)


def _write(path: Path, found: Answers) -> None:
    """Check the rig file that answers make, write it, and say what comes next."""
    from longsoak.cli.newtelling import cautioned, next_steps
    from longsoak.rigfile.load import parse
    from longsoak.rigfile.newrig.text import rig_text
    from longsoak.rigfile.newrig.texts import SCHEMA_FILE
    from longsoak.rigfile.rigschema import rig_schema_text
    from longsoak.service.drivers import find_kind, installed_kinds

    text = rig_text(found)
    with told(so="nothing was written"):
        rig = parse(text, file=str(path), find_kind=find_kind)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        click.echo(f"{path.parent} can't be made: {error.strerror or error}.", err=True)
        sys.exit(BAD_INPUT)
    write(path, text, replace=False)
    beside = path.with_name(SCHEMA_FILE)
    if not beside.exists():
        write(beside, rig_schema_text(installed_kinds()), replace=False)
    click.echo(f"\n{path} is written.")
    cautioned(rig)
    next_steps(path)
