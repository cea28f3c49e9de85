"""Whether something may be written over: only an earlier export of the same rig."""

import json
import os
import zipfile
from pathlib import Path

from longsoak.report.package import DESCRIPTION, OWN
from longsoak.report.places import ExportError

MANIFEST = "SHA256SUMS"


def refuse_to_lose(out: Path, *, rig: str, as_zip: bool) -> None:
    """Refuse a place where there is anything but an earlier export of `rig`.

    Raises
    ------
    ExportError
        There is; or an export with files in it that no export wrote.
    OSError
        What is there can't be read.
    """
    if not os.path.lexists(out):
        return
    if as_zip or not out.is_dir():
        if as_zip and _rig_in_zip(out) == rig:
            return
    else:
        there = {str(path.relative_to(out)) for path in sorted(out.rglob("*")) if not path.is_dir()}
        if not there:
            return
        if _rig_in_folder(out) == rig:
            if strange := sorted(there - _listed(out) - {MANIFEST}):
                raise ExportError(
                    f"{out} is an earlier export, but holds {strange[0]}, which is not of it and "
                    "would be lost. Move it away, or name another place."
                )
            return
    raise ExportError(
        f"{out} is there already, and is no earlier export of the rig {rig!r}"
        f"{' as a zip file' if as_zip else ''}. Name another place, or move it away."
    )


def _rig_in_folder(out: Path) -> object:
    try:
        return _rig((out / DESCRIPTION).read_bytes())
    except FileNotFoundError:
        return None


def _rig_in_zip(out: Path) -> object:
    try:
        with zipfile.ZipFile(out) as opened:
            return _rig(opened.read(DESCRIPTION))
    except (zipfile.BadZipFile, KeyError, IsADirectoryError):
        return None


def _rig(description: bytes) -> object:
    try:
        found = json.loads(description)
    except ValueError:
        return None
    own = found.get(OWN) if isinstance(found, dict) else None
    return own.get("rig") if isinstance(own, dict) else None


def _listed(out: Path) -> set[str]:
    try:
        lines = (out / MANIFEST).read_text(encoding="utf-8").splitlines()
    except FileNotFoundError:
        return set()
    return {line[66:] for line in lines}
