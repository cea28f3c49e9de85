"""`longsoak backup`: a checked copy of the record, made while it is written."""

import json
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path

import click

from longsoak.cli.common import BAD_INPUT, DONE, a_path, told
from longsoak.cli.progress import bar
from longsoak.core.wording import rfc3339, with_noun
from longsoak.service.clock import SystemClock
from longsoak.store.backup import KEEP, Made, RigFiles, back_up
from longsoak.store.files import RECORD, folder_of
from longsoak.store.manifest import until_words
from longsoak.store.media import TargetError, forget
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import RigFileError, StoreError


@click.command(epilog="Example: longsoak backup rig.toml /media/stick")
@click.argument("rig_file", type=a_path)
@click.argument("to", required=False, type=a_path)
@click.option(
    "--keep",
    type=click.IntRange(1, 1000),
    help=f"How many backups of this rig stay there. [default: as in the rig file, else {KEEP}]",
)
@click.option(
    "--mounted", is_flag=True, help="Refuse unless a stick or disk is mounted at TO itself."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of sentences.")
def backup(rig_file: Path, to: Path | None, keep: int | None, mounted: bool, as_json: bool) -> None:
    """Copy the record, its photos and RIG_FILE into a new folder in TO, and check the copy.

    It may run while `longsoak run` records. Without TO, the rig file's [backup] says where to. The
    newest copies are kept, older ones removed once the new one is whole. Passwords and tokens are
    not copied. Keep one copy away from the rig: what takes the computer takes the stick in it.
    """
    with told(), targets_told():
        if to is None:
            to, keep, mounted = _as_planned(rig_file, keep, mounted)
        folder = folder_of(rig_file)
        rig = _rig_files(rig_file, folder)
        clock = SystemClock()
        with bar("Copying") as tell:
            made = back_up(
                folder,
                to.absolute(),
                rig=rig,
                keep=KEEP if keep is None else keep,
                mounted=mounted,
                utc_ms=clock.utc_ms(),
                clock_known=clock.synchronised(),
                software=version("longsoak"),
                tell=tell,
            )
        # Here, for nothing in this process has the record open any more: to close a file that
        # SQLite has open gives up its locks (sqlite.org, How To Corrupt, 2.2; from memory).
        forget(folder / RECORD)
    click.echo(
        json.dumps(_picture(made), ensure_ascii=False, indent=1) if as_json else _words(made)
    )
    for caution in () if as_json else made.cautions:
        click.echo(f"Caution: {caution}", err=True)
    sys.exit(DONE)


@contextmanager
def targets_told() -> Iterator[None]:
    """Tell of a folder that was named wrongly as of any other bad input."""
    try:
        yield
    except TargetError as error:
        click.echo(str(error), err=True)
        sys.exit(BAD_INPUT)


def _as_planned(rig_file: Path, keep: int | None, mounted: bool) -> tuple[Path, int, bool]:
    from longsoak.rigfile.load import load

    plan = load(rig_file, find_kind=None).backup
    if plan is None:
        raise TargetError(
            f"{rig_file} has no [backup], so say where to: longsoak backup {rig_file} /media/stick"
        )
    return Path(plan.to), plan.keep if keep is None else keep, mounted or plan.mounted


def _rig_files(rig_file: Path, folder: Path) -> RigFiles:
    """The rig file as it is, and the curve files it names.

    A file that is being edited and no TOML at the moment is copied all the same.
    """
    from longsoak.rigfile.load import curve_files, tables_of, text_of
    from longsoak.rigfile.naming import check_name, name_in

    text = text_of(rig_file)
    version = Record(folder).rig_version()
    try:
        called = name_in(tables_of(text, file=str(rig_file)))
    except RigFileError:
        if version is None:
            raise
        called = name_in(tables_of(version.text, file=str(folder)))
    else:
        if version is not None:
            check_name(text, kept=version.text, file=str(rig_file), folder=folder)
    try:
        curves = [(name, (rig_file.parent / name).read_bytes()) for _, name in curve_files(text)]
        return RigFiles(str(called), rig_file.read_bytes(), tuple(curves))
    except OSError as error:
        raise StoreError(
            f"{error.filename} can't be read: {error.strerror}. Put it back, or take it out of "
            "curve_files."
        ) from error


def _picture(made: Made) -> dict[str, object]:
    manifest = made.manifest
    until = manifest.until_utc_ms
    return {
        "backup": str(made.folder),
        "until": None if until is None else rfc3339(until),
        "scans": manifest.scans,
        "readings": manifest.readings,
        "photos": len(manifest.photos),
        "removed": list(made.removed),
        "cautions": list(made.cautions),
    }


def _words(made: Made) -> str:
    manifest = made.manifest
    photos = f", {with_noun(len(manifest.photos), 'photo')}" if manifest.photos else ""
    lines = [
        f"Made {made.folder}",
        f"{with_noun(manifest.scans, 'scan')}, {with_noun(manifest.readings, 'reading')}{photos}, "
        f"{until_words(manifest)}. It was read back and is whole.",
    ]
    lines += [f"Removed {name}, for newer ones are there." for name in made.removed]
    return "\n".join(lines)


if __name__ == "__main__":  # how the measuring process starts it
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))  # and clears up
    backup(prog_name="longsoak backup")
