"""Installation cards as a person writes them: in a TOML file by probe, or line by line."""

import hashlib
import sys
import tomllib
from pathlib import Path

import click

from longsoak.cli.common import BAD_INPUT
from longsoak.core.arrays import shown
from longsoak.core.proof.book import STEPS
from longsoak.core.proof.card import Card, card_of
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.proof import Step
from longsoak.vocabulary.rig import Rig


def read_cards(path: Path, rig: Rig) -> dict[str, Card]:
    """The cards of a file by probe, or an end with every mistake in it told.

    Its tables are named by probe; `photo` is a file beside it, whose SHA-256 is taken here.
    """
    try:
        said = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        click.echo(f"{path} can't be read: {why}.", err=True)
        sys.exit(BAD_INPUT)
    takes_one = {probe.name for probe in rig.probes if Step.CARD in STEPS[probe.kind]}
    cards: dict[str, Card] = {}
    mistakes = [] if said else [f'{path} holds no card. Write a table such as ["cork 30/60"].']
    for name, fields in said.items():
        if name not in takes_one:
            mistakes.append(f"{path}: {name!r} is no probe of this rig that has a card.")
        elif not isinstance(fields, dict):
            mistakes.append(f'{path}: {name} is {fields!r}, expected a table: ["{name}"].')
        else:
            try:
                cards[name] = card_of(with_digest(fields, beside=path.parent))
            except PhysicsError as error:
                mistakes.append(f"{path}: {name}: {error}.")
    if mistakes:
        click.echo("\n".join(mistakes), err=True)
        sys.exit(BAD_INPUT)
    return cards


def with_digest(fields: dict[str, object], *, beside: Path) -> dict[str, object]:
    """The fields, with the photo's name and the SHA-256 of its file.

    Raises
    ------
    PhysicsError
        The photo can't be read.
    """
    photo = fields.get("photo")
    if not isinstance(photo, str) or not photo or "photo_sha256" in fields:
        return fields
    try:
        with (beside / photo).open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        expected = f"a file in {beside.absolute()} that can be read ({why})"
        raise PhysicsError("photo", shown(photo), expected) from error
    return {**fields, "photo": Path(photo).name, "photo_sha256": digest}
