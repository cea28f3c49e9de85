"""`longsoak audit`: go through a record, and hold it against a root that was noted down."""

import json
import re
import sys
from contextlib import suppress
from datetime import date
from pathlib import Path

import click

from longsoak.cli.auditwords import picture, report
from longsoak.cli.backup import targets_told
from longsoak.cli.common import BAD_INPUT, DONE, FOUND_WRONG, a_path, own_record, rig_file, told
from longsoak.cli.progress import bar
from longsoak.store.audit import audit as look_through
from longsoak.store.files import RECORD, folder_of
from longsoak.vocabulary.errors import StoreError

_ROOT = re.compile(r"[0-9a-f]{64}")
_LARGE = 100e6  # bytes; less is looked over within seconds
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


@click.command(
    epilog="Example: longsoak audit rig.toml --date 2026-05-04 --root "
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328"
)
@rig_file
@click.option(
    "--record",
    "folder",
    type=a_path,
    help="Look at the record in this folder, such as a backup's, instead of the one beside "
    "RIG_FILE.",
)
@click.option("--date", "day", help="A closed day, as a mail names it: 2026-05-04.")
@click.option("--root", help="The root that stands beside it there: 64 digits of 0 to 9, a to f.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of a text.")
def audit(
    rig_file: Path, folder: Path | None, day: str | None, root: str | None, as_json: bool
) -> None:
    """Go through the record: the file, every scan, the ledger, the clock, the gaps, the photos.

    With a closed day and its root, from an old mail or report, it also tells whether everything up
    to the end of that day is still what it was then. Ends with exit code 1 if anything is wrong or
    not proved. It reads all of the record, and nothing is changed; it may run beside
    `longsoak run`.
    """
    noted = _noted(day, root)
    with told(), targets_told():
        where = _beside(rig_file) if folder is None else _inside(folder)
        _announce(where)
        with bar("Reading") as tell:
            found = look_through(where, noted=noted, seen=tell)
    if as_json:
        click.echo(json.dumps(picture(found, noted), ensure_ascii=False, indent=1))
    else:
        click.echo(report(found, noted))
    good = not found.wrong and (noted is None or (found.proof is not None and found.proof.proved))
    sys.exit(DONE if good else FOUND_WRONG)


def _announce(folder: Path) -> None:
    """Say what takes long before the bar: the file is looked over in one go, however large."""
    file = folder / RECORD
    size = file.stat().st_size if file.exists() else 0
    if size > _LARGE and sys.stderr.isatty():
        click.echo(f"Looking over the file, {size / 1e6:.0f} MB; then every scan.", err=True)


def _noted(day: str | None, root: str | None) -> tuple[date, str] | None:
    if day is None and root is None:
        return None
    if day is None or root is None:
        raise click.UsageError(
            "--date and --root go together: a mail names a closed day and, below it, its root."
        )
    digits = "".join(root.split()).lower()
    if not _ROOT.fullmatch(digits):
        wrong = "" if len(digits) == 64 else f", it has {len(digits)}"
        raise click.UsageError(
            f"--root is {root!r}, expected 64 digits of 0 to 9 and a to f{wrong}. Copy it whole: "
            "part of a root proves nothing."
        )
    try:
        if not _DATE.fullmatch(day):
            raise ValueError(day)
        return date.fromisoformat(day), digits
    except ValueError:
        raise click.UsageError(
            f"--date is {day!r}, expected year, month and day. Write --date 2026-05-04."
        ) from None


def _beside(rig_file: Path) -> Path:
    with suppress(StoreError):  # of a record too damaged for this the audit itself tells
        own_record(rig_file)
    return folder_of(rig_file)


def _inside(folder: Path) -> Path:
    """The folder itself, or the record in it where a rig's own folder is named."""
    for where in (folder, folder / "record"):
        if (where / RECORD).exists():
            return where
    click.echo(
        f"There is no {RECORD} in {folder}. Name the folder of a record or of a backup, the one "
        f"that holds {RECORD}.",
        err=True,
    )
    sys.exit(BAD_INPUT)
