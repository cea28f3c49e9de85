"""``longsoak password``: who may change, and who may read, on the pages."""

import secrets
import sys
import tomllib
from pathlib import Path
from typing import NoReturn

import click

from longsoak.cli.common import BAD_INPUT, a_path, told
from longsoak_dashboards.access.passwords import (
    LONGEST,
    Passwords,
    Role,
    hashed,
    keep,
    load,
    path_of,
    role_of,
)


@click.command(epilog="Example: longsoak password rig.toml")
@click.argument("rig_file", metavar="[RIGFILE]", default="rig.toml", type=a_path)
@click.option("--reading", is_flag=True, help="The password of visitors, who may only read.")
@click.option(
    "--remove", is_flag=True, help="Take the password away; the one for changes with both."
)
@click.option(
    "--folder", type=a_path, help="For a shop's pages: the folder its passwords are to lie in."
)
@click.option("--stdin", "from_stdin", is_flag=True, help="Read it from standard input, one line.")
def password(
    rig_file: Path, reading: bool, remove: bool, folder: Path | None, from_stdin: bool
) -> None:
    """Set the password for changes on the pages of RIGFILE (default: rig.toml).

    It lets one read too. Whoever is logged in with the one before is logged out. It is kept as a
    hash beside the rig file, not in the record and in no backup. Pages that run take it at once.
    """
    of = str(rig_file) if folder is None else f"--folder {folder}"
    if folder is not None:
        rig_file = folder / "shop"
        if not folder.is_dir():
            _refuse(f"there is no folder {folder}. Make it first.")
    elif not rig_file.is_file():
        _refuse(
            f"there is no rig file at {rig_file}, expected a TOML file. "
            "Name one, or run this in its folder."
        )
    path = path_of(rig_file)
    with told():
        before = load(path)
        if remove:
            click.echo(_remove(path, before, reading=reading))
            return
        if reading and before is None:
            _refuse(
                "There is no password for changes yet, and without one only this machine reaches "
                f"the pages. Set it first: longsoak password {of}"
            )
        role = Role.VISITOR if reading else Role.KEEPER
        words = _asked(role, from_stdin=from_stdin)
        _check(words, rig_file, role, before)
        keep(path, _with(words, role, before))
    click.echo(
        "Set. Whoever reads logs in with it on the pages."
        if reading
        else "Set. Whoever changes something on the pages logs in with it."
    )


def _with(words: str, role: Role, before: Passwords | None) -> Passwords:
    new = hashed(words)
    if before is None:
        return Passwords(secrets.token_hex(32), new, None)
    if role is Role.VISITOR:
        return Passwords(before.secret, before.changes, new)
    return Passwords(before.secret, new, before.reading)


def _remove(path: Path, before: Passwords | None, *, reading: bool) -> str:
    if before is None or (reading and before.reading is None):
        return "There was none."
    if reading:
        keep(path, Passwords(before.secret, before.changes, None))
        return "Taken away. Visitors are logged out; whoever changes may still read."
    keep(path, None)
    both = " and the one for reading" if before.reading else ""
    return (
        f"The password for changes{both} is taken away. The pages answer on this machine alone "
        "from now on, to whoever uses it."
    )


def _asked(role: Role, *, from_stdin: bool) -> str:
    if from_stdin:
        line = sys.stdin.readline(LONGEST * 4)
        return line.rstrip("\r\n")
    if not sys.stdin.isatty():
        _refuse(
            "There is no terminal to ask for the password on. With --stdin it is read from "
            "standard input."
        )
    what = "Password for reading" if role is Role.VISITOR else "Password for changes"
    words: str = click.prompt(what, hide_input=True, confirmation_prompt="The same again")
    return words


def _check(words: str, rig_file: Path, role: Role, before: Passwords | None) -> None:
    from longsoak_dashboards.access.strength import why_refused

    if why := why_refused(words, names=_names(rig_file)):
        _refuse(f"{why} Nothing was changed.")
    other = Role.KEEPER if role is Role.VISITOR else Role.VISITOR
    if before is not None and role_of(words, before) is other:
        _refuse(
            "The passwords for reading and for changes have to differ, or every visitor could "
            "change. Nothing was changed."
        )


def _names(rig_file: Path) -> list[str]:
    """What the rig is called; a rig file with mistakes can have a password too."""
    try:
        rig = tomllib.loads(rig_file.read_text(encoding="utf-8-sig")).get("rig")
    except (OSError, ValueError):
        return []
    name = rig.get("name") if isinstance(rig, dict) else None
    return [name] if isinstance(name, str) else []


def _refuse(sentence: str) -> NoReturn:
    click.echo(sentence, err=True)
    sys.exit(BAD_INPUT)
