"""Whose record it is: a rig keeps its name for as long as its record."""

from pathlib import Path

from longsoak.rigfile.lines import Lines
from longsoak.rigfile.load import tables_of
from longsoak.rigfile.report import MISSING, quoted
from longsoak.vocabulary.errors import Mistake, RigFileError


def check_name(text: str, *, kept: str, file: str, folder: Path) -> None:
    """Refuse a rig file that lies beside another rig's record.

    Rig files in one folder would share a record, and one rig's readings and alarms be taken for
    the other's. A rig renamed looks the same, so its name is not changed while its record lasts.

    Parameters
    ----------
    text, kept : str
        The rig file, and the one the record was last kept under. Nothing but the name in them is
        looked at.
    file : str
        How a mistake names the rig file.
    folder : Path
        Where the record lies.

    Raises
    ------
    RigFileError
        The file is no TOML, or its rig has another name.
    """
    if text == kept:  # as at most starts, which need not read it twice more
        return
    name = name_in(tables_of(text, file=file))
    try:
        before = name_in(tables_of(kept, file=""))
    except RigFileError:  # not this file's fault, and told by whoever reads the record
        return
    if before in (None, name):
        return
    raise RigFileError(
        (
            Mistake(
                file,
                Lines(text.replace("\r\n", "\n")).of(("rig", "name")),
                "rig.name",
                MISSING if name is None else name,
                f"{quoted(str(before))}, the rig whose record lies in {folder}",
                "Keep each rig's file in a folder of its own. If it is the same rig, write that "
                "name back: a rig keeps its name for as long as its record.",
            ),
        )
    )


def name_in(tables: dict[str, object]) -> object:
    """What a rig file gives as the rig's name; None if it gives none."""
    rig = tables.get("rig")
    return rig.get("name") if isinstance(rig, dict) else None
