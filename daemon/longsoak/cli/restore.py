"""`longsoak restore`: a backup put in the record's place, or only looked over."""

import json
import sys
from pathlib import Path

import click

from longsoak.cli.backup import targets_told
from longsoak.cli.common import DONE, FOUND_WRONG, a_path, told
from longsoak.cli.progress import bar
from longsoak.core.wording import age_words, rfc3339, time_words, with_noun
from longsoak.store.files import folder_of
from longsoak.store.manifest import RIG_FILE, Manifest, until_words
from longsoak.store.restore import Restored
from longsoak.store.restore import restore as put_back
from longsoak.store.verify import verify


@click.command(
    epilog='Example: longsoak restore rig.toml "/media/stick/render pair 20260504T034000Z"'
)
@click.argument("rig_file", type=a_path)
@click.argument("backup", type=a_path)
@click.option("--check", is_flag=True, help="Only read BACKUP and say whether it is whole.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of sentences.")
def restore(rig_file: Path, backup: Path, check: bool, as_json: bool) -> None:
    """Put BACKUP, a folder that `longsoak backup` made, in the place of RIG_FILE's record.

    Stop `longsoak run` first. The backup is read and checked before anything is touched. The
    present record is set aside whole, as record.before-restore-1, and never deleted; what was
    measured after the backup is only in that. A rig file that is there stays as it is; on a new
    card the one in the backup is put there. Ends with exit code 1 if the backup, or a photo in it,
    is damaged.
    """
    with told(), targets_told():
        if check:
            with bar("Checking") as tell:
                manifest, faults = verify(backup, tell)
            click.echo(_json(manifest, faults) if as_json else _checked(backup, manifest))
            done = None
        else:
            _check_name(rig_file, backup)
            with bar("Restoring") as tell:
                done = put_back(backup.absolute(), rig_file, folder_of(rig_file), tell=tell)
            faults = list(done.cautions)
            click.echo(_json(done.manifest, faults, done) if as_json else _words(done))
    for fault in () if as_json else faults:
        click.echo(f"Caution: {fault}", err=True)
    sys.exit(FOUND_WRONG if faults else DONE)


def _check_name(rig_file: Path, backup: Path) -> None:
    """Refuse another rig's backup, where there is a rig file that says whose it is to be."""
    from longsoak.rigfile.load import text_of
    from longsoak.rigfile.naming import check_name

    kept = backup / RIG_FILE
    if rig_file.exists() and kept.exists():
        check_name(text_of(rig_file), kept=text_of(kept), file=str(rig_file), folder=backup)


def _checked(backup: Path, manifest: Manifest) -> str:
    return (
        f"{backup.name} is whole: {_holds(manifest)}, {until_words(manifest)}. "
        f"Made {time_words(manifest.made_utc_ms)} by longsoak {manifest.software}."
    )


def _holds(manifest: Manifest) -> str:
    scans, readings = with_noun(manifest.scans, "scan"), with_noun(manifest.readings, "reading")
    return f"{scans}, {readings}"


def _words(done: Restored) -> str:
    lines = [
        f"Restored {done.manifest.name} into {done.folder}: {_holds(done.manifest)}, "
        f"{until_words(done.manifest)}."
    ]
    lines += [f"Wrote {path}." for path in done.written]
    if done.aside is not None:
        lines.append(f"The record that lay there is kept as {done.aside}.")
        lines.append(_later(done))
    if done.waiting:
        count = with_noun(done.waiting, "request")
        lines.append(f"{count} that nobody had answered yet, such as a note, went along.")
    lines.append("Start `longsoak run` to go on measuring.")
    return "\n".join(lines)


def _later(done: Restored) -> str:
    later = done.later
    if later is None:
        return "How far it went can't be read."
    ours, theirs = done.manifest.until_utc_ms or 0, later.until_utc_ms or 0
    if theirs <= ours:
        return "It goes no further than the backup."
    gap = age_words((theirs - ours) / 1000)
    return (
        f"It goes on until {time_words(theirs)}, {gap} after the backup: what was measured in that "
        "time is in it alone."
    )


def _json(manifest: Manifest, faults: list[str], done: Restored | None = None) -> str:
    until = manifest.until_utc_ms
    picture: dict[str, object] = {
        "backup": manifest.name,
        "rig": manifest.rig,
        "made": rfc3339(manifest.made_utc_ms),
        "until": None if until is None else rfc3339(until),
        "scans": manifest.scans,
        "readings": manifest.readings,
        "cautions": faults,
    }
    if done is not None:
        later = done.later.until_utc_ms if done.later is not None else None
        picture |= {
            "record": str(done.folder),
            "set_aside": None if done.aside is None else str(done.aside),
            "set_aside_until": None if later is None else rfc3339(later),
            "written": [str(path) for path in done.written],
            "requests_taken_over": done.waiting,
        }
    return json.dumps(picture, ensure_ascii=False, indent=1)
